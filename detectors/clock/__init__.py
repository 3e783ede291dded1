"""Detectors of the clock: stamps held against the sun."""
