"""Lots, machines and clinics: their returns against what the lab would have had with the same work."""
