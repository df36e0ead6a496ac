"""Control-chart mathematics: what common variation does to a series, and how often a rule is wrong about it."""
