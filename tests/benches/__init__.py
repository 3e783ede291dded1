"""Benches: what the pipeline finds in fleets whose truth is known."""
