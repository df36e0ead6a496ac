"""Which missed requirement goes with which defect, and how sure that is."""
