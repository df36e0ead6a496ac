"""The parts of Month in review, one module each: what is not looked at is not built."""
