"""When each device's generation begins and ends on a day, and what its clock's judgement needs besides."""

import polars as pl

from detectors.clock.light import LIGHT, light_onsets

NAME = "daylight"
VERSION = 1
SCHEMA = LIGHT
WINDOW_DAYS = 260  # daylight saving lasts up to 238 days: its first day is still seen on its last


def make(device_readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per site, device and local day with readings; minutes after local midnight, W, kWh."""
    return light_onsets(device_readings, sites)
