"""What could undo a finding, and what more can be said of it."""
