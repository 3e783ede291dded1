"""Detectors of the data: silence, frozen and implausible values, powers that do not add up."""
