"""What the lab wrote down: restorations made, readings at the bench, returns, the process standard, actions."""
