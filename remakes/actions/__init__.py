"""What to change first, and what that would spare."""
