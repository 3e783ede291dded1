"""Robust statistics that every family of detectors uses."""
