"""Detectors of the battery: its levels, its charging from the grid, its readings."""
