"""The log held against the process standard: met, missed, not recorded, does not apply."""
