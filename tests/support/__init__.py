"""Builders that several tests share."""
