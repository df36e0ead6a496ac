"""Invented labs whose months are known: what changed, when, with which lot, and how late it was entered."""
