"""The yield faults that are open at each site after each night."""

from datetime import date

import polars as pl

from detectors.yields import cases, false_alarms
from detectors.yields.night import Night

NAME = "yield_case"
VERSION = 8
SCHEMA = cases.CASE
WINDOW_DAYS = 75  # ours: a case is written each day that it is open, and the last two months show which ones lasted


def make(
    yield_night: Night,
    yield_odds: pl.DataFrame,
    yield_residual: pl.DataFrame,
    yield_half_hours: pl.DataFrame,
    past_yield_odds: pl.DataFrame,
    past: pl.DataFrame,
    false_alarms_per_site_year: float,
    day: date,
) -> pl.DataFrame:
    """SCHEMA, one row per site with an open case on `day`."""
    threshold = false_alarms.learn(past_yield_odds, past, day, false_alarms_per_site_year)
    return cases.follow(
        yield_night,
        yield_odds.filter(pl.col("day") == day),
        yield_residual,
        yield_half_hours,
        cases.still_open(past, past_yield_odds),
        open_at=threshold.open_at,
        lasting=cases.lasting(pl.concat([past_yield_odds, yield_odds.filter(pl.col("day") == day)]), day),
    )
