"""What is written down at the bench while a restoration is made: open work, readings, running timers, late entries."""
