"""The parts of the page on which a return is entered."""
