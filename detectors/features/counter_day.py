"""The energies of each day by counters and by the powers beside them, where an export holds both."""

import polars as pl

from detectors.data_quality import counters

NAME = "counter_day"
VERSION = 1
SCHEMA = counters.COUNTER_DAYS
WINDOW_DAYS = counters.WINDOW_DAYS


def make(counted_readings: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per device, day and flow with both."""
    return counters.counter_days(counted_readings)
