"""Months: is one different, since when, what changed, and what is still too young or too late to tell."""
