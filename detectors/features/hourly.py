"""Each site-day's generation by the hour, and the hours in which a limit or the voltage may have curtailed it."""

import polars as pl

from detectors.yields import hourly

NAME = "hourly"
VERSION = 3
SCHEMA = hourly.HOURLY
WINDOW_DAYS = 90  # ours: a season's change, and a month of past beyond two


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per site and local day with a generation channel."""
    return hourly.keep(readings, sites)
