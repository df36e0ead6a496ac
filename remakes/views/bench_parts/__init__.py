"""The parts of the bench log."""
