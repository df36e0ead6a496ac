"""Odds ratios, risks and tests from tables of counts, without a model."""
