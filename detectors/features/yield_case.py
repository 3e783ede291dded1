"""The yield faults that are open at each site after each night."""

from datetime import date

import polars as pl

from detectors.yields import cases
from detectors.yields.night import Night

NAME = "yield_case"
VERSION = 2
SCHEMA = cases.CASE
WINDOW_DAYS = 10  # ours: a case is written each day that it is open; days without readings do not close it


def make(
    yield_night: Night,
    yield_odds: pl.DataFrame,
    yield_residual: pl.DataFrame,
    yield_half_hours: pl.DataFrame,
    past: pl.DataFrame,
    day: date,
) -> pl.DataFrame:
    """SCHEMA, one row per site with an open case on `day`."""
    return cases.follow(
        yield_night, yield_odds.filter(pl.col("day") == day), yield_residual, yield_half_hours, past
    )  # fmt: skip
