"""Detectors of yield: what each roof should have made, and which fall short."""
