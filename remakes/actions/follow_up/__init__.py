"""Did it work? Misses by week and returns by month since an action started, by a rule fixed before."""
