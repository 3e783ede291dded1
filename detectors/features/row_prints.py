"""Prints of a device's readings, by which a segment that was sent again under other stamps is found."""

import polars as pl

from detectors.data_quality.copies import PRINTS, prints
from detectors.stats.rows import among

NAME = "row_prints"
VERSION = 1
SCHEMA = PRINTS
WINDOW_DAYS = 35  # ours: loggers keep days to weeks of readings, which they may send again


def make(raw_device_readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA: some 24 numbers a day and device, of readings as reported."""
    return prints(among(raw_device_readings, sites.select("site_id")))
