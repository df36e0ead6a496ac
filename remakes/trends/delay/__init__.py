"""How long a return waits to be entered, and how many of the latest months' returns are still to come."""
