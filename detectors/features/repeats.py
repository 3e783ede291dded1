"""The longest runs of equal values of each device's channels, day by day, natural ones left out."""

import polars as pl

from detectors.data_quality.natural_runs import POWERS
from detectors.data_quality.repeats import RUNS, longest, runs, with_elsewhere, with_resolution

NAME = "repeats"
VERSION = 11
SCHEMA = pl.Schema(
    {
        **RUNS,
        "step": pl.Float64(),  # resolution of the channel on the day; 0 = none to speak of, null = not seen
        "distinct": pl.Int64(),  # values that it took on the day
        "elsewhere_ratio": pl.Float64(),  # of flows: share of the day's other readings with this value
        "finest": pl.Float64(),  # where a power shows no step: the finest one of the device's other powers
    }
)
WINDOW_DAYS = 90  # ours: three months show how long a channel usually stands still


def make(raw_device_readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA: of each device, day and channel the longest run of an hour or more that nothing natural explains."""
    found = with_resolution(longest(runs(raw_device_readings, sites)), raw_device_readings)
    own = ["site_id", "device_id", "day"]
    blind = found.filter(pl.col("step").is_null() & pl.col("channel").is_in(POWERS)).select(own).unique()
    every = pl.concat([blind.with_columns(channel=pl.lit(name)) for name in POWERS])
    finest = with_resolution(every, raw_device_readings).group_by(own).agg(finest=pl.col("step").min())
    with_finest = with_elsewhere(found, raw_device_readings).join(finest, on=own, how="left")
    return with_finest.select(SCHEMA.names()).sort("site_id", "day", "device_id", "channel")
