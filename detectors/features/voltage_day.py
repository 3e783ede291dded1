"""How many of a day's 10-minute means of voltage and frequency lie where."""

import polars as pl

from detectors.grid.voltage_means import VOLTAGE_DAYS, voltage_days

NAME = "voltage_day"
VERSION = 4
SCHEMA = VOLTAGE_DAYS
WINDOW_DAYS = 6  # EN 50160 judges a week, the judged day included


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per site and local day with readings of a voltage."""
    return voltage_days(readings, sites)
