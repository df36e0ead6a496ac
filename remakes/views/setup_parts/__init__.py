"""The parts of People and set-up."""
