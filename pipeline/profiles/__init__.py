"""Profiles: the description of one kind of export."""
