"""The quarter hours of the judged day in which nothing curtailed a site."""

from datetime import date

import polars as pl

from detectors.yields import free_intervals

NAME = "yield_intervals"
VERSION = 8
SCHEMA = None  # a working object: free_intervals.INTERVALS
WINDOW_DAYS = 0


def make(readings: pl.DataFrame, sites: pl.DataFrame, kept_import: pl.DataFrame, day: date) -> pl.DataFrame:
    """INTERVALS, one row per site with readings of generation on `day`."""
    before = kept_import.filter(pl.col("day") < day)
    return free_intervals.to_quarters(readings, sites, before).filter(pl.col("day") == day)
