"""Simulated sites and fleets."""
