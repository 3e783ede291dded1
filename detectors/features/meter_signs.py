"""Sums of a site's day that show whether its grid sensor has the right sign and phase."""

import polars as pl

from detectors.grid.meter_signs import SIGNS, signs_of_days

NAME = "meter_signs"
VERSION = 6
SCHEMA = SIGNS
WINDOW_DAYS = 90  # ours: a season's change; a turned sensor is told since the day it began


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per site and local day with readings."""
    return signs_of_days(readings, sites)
