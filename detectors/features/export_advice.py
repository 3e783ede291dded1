"""The buffer that a site that may not feed in wants, from its short feed-in of the trailing days."""

from datetime import date

import polars as pl

from detectors.grid.feed_in_transients import ADVICE, buffer_advice

NAME = "export_advice"
VERSION = 2
SCHEMA = pl.Schema({"day": pl.Date(), **ADVICE})
WINDOW_DAYS = 0


def make(feed_in_transients: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """SCHEMA, one row per site that may not feed in and has readings under the limit and buffer of today's register."""
    return buffer_advice(feed_in_transients, sites).with_columns(day=pl.lit(day))
