"""Restorations at risk and returns, counted by pattern."""
