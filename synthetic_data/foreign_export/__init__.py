"""The messy export of a small invented laboratory, and the same records as clean files."""
