"""The short feed-in of sites with a feed-in limit, day by day."""

import polars as pl

from detectors.grid.feed_in_transients import TRANSIENTS, transients_of_days

NAME = "feed_in_transients"
VERSION = 3
SCHEMA = TRANSIENTS
WINDOW_DAYS = 90  # ours: three months' habits show which buffer a site wants


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per site with a limit and local day with readings of the grid."""
    return transients_of_days(readings, sites)
