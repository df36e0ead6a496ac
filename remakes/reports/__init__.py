"""Documents a manager takes along: content apart from paper, screen and spreadsheet."""
