"""Regression on counts: designs, adjustment sets, shrinkage, adjusted effects."""
