"""The longest runs of equal values of each device's channels, day by day, natural ones left out."""

import polars as pl

from detectors.data_quality.repeats import RUNS, longest, runs, with_steps

NAME = "repeats"
VERSION = 1
SCHEMA = pl.Schema(
    {
        **RUNS,
        "step": pl.Float64(),  # resolution of the channel on the day; 0 = none to speak of, null = not seen
        "distinct": pl.Int64(),  # values that it took on the day
    }
)
WINDOW_DAYS = 90  # ours: three months show how long a channel usually stands still


def make(device_readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA: of each device, day and channel the longest run of an hour or more that nothing natural explains."""
    found = with_steps(longest(runs(device_readings, sites)), device_readings)
    return found.select(SCHEMA.names()).sort("site_id", "day", "device_id", "channel")
