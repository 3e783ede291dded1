"""When the readings of each device began, ended and paused, day by day."""

import polars as pl

from detectors.data_quality.deliveries import delivery_rows
from detectors.stats.rows import with_sites
from detectors.stats.units import in_units

NAME = "deliveries"
VERSION = 1
SCHEMA = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "device_id": pl.String,
        "first_h": pl.Float64,  # local hour at which the day's first reading begins
        "last_h": pl.Float64,  # local hour at which its last one ends
        "gap_h": pl.Float64,  # the longest time between two readings of the day
        "covered_h": pl.Float64,  # what readings cover
    }
)
WINDOW_DAYS = 90  # ours: three months show how often a site's logger pauses


def make(raw_device_readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA: when each device's readings of a day began, ended and paused; rows without any value do not count."""
    known = with_sites(in_units(raw_device_readings), sites.select("site_id"))
    return delivery_rows(known).select(SCHEMA.names()).cast(SCHEMA)
