"""Measurements: what is found, what is missed, what it costs."""
