"""What a battery took, gave and showed in a month, kept at the month's end for years."""

from datetime import date

import polars as pl

from detectors.battery import month_sums

NAME = "battery_month_sums"
VERSION = 1
SCHEMA = month_sums.MONTHS
WINDOW_DAYS = 800  # the months of a year, those of the year before, and one more


def make(days: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """SCHEMA, one row per site with a battery on the last day of a month, none on others."""
    return month_sums.at_month_end(days, sites, day)
