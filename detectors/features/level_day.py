"""What each day shows of a battery's levels: where it waits and resumes, the import kept up, where charging ends."""

import polars as pl

from detectors.battery.level_days import LEVEL_DAYS, level_days

NAME = "level_day"
VERSION = 2
SCHEMA = LEVEL_DAYS
WINDOW_DAYS = 90  # as the levels that are learned from it


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per site with a battery and local day."""
    return level_days(readings, sites)
