"""Each site-day's level beside its neighbours, with its variance, and what else the sequential test is given."""

from datetime import date

import polars as pl

from detectors.yields import records
from detectors.yields.night import Night

NAME = "yield_residual"
VERSION = 12
SCHEMA = records.RESIDUAL
WINDOW_DAYS = 90  # ours: an exception's picture, and a month of past beyond the two that roofs are learned from


def make(yield_night: Night, day: date) -> pl.DataFrame:  # noqa: ARG001 (naming the day makes it nightly)
    """SCHEMA, one row per site with readings of generation on `day`."""
    return records.of_night(yield_night)
