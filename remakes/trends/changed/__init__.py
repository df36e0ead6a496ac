"""What changed between two periods: the difference in returns, split into what it goes with."""
