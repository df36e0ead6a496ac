"""Invented labs with planted causes: what do the evidence and the baselines recover, and what do they invent?"""
