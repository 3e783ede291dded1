"""How much of what the house wanted each day's battery left to the grid while it had charge, and its pauses."""

import polars as pl

from detectors.battery.unmet import UNMET_DAYS, unmet_days

NAME = "battery_unmet"
VERSION = 2
SCHEMA = UNMET_DAYS
WINDOW_DAYS = 60  # as far as a site's own ways are looked back on


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per site with a battery and local day."""
    return unmet_days(readings, sites)
