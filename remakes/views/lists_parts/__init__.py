"""The parts of the page “Lists and import”."""
