"""Month by month: what came back, what was delivered, how the process was kept."""
