"""Detectors of the grid connection: its meter, its limits, its phases, its voltage."""
