"""The parts of What to try next, one module each: what is not looked at is not built."""
