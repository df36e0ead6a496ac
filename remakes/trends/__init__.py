"""Months: rates with intervals, and what is still too young to judge."""

from remakes.trends.rates import MonthlyRate, MonthlyShare, poisson_interval, rates, shares

__all__ = ["MonthlyRate", "MonthlyShare", "poisson_interval", "rates", "shares"]
