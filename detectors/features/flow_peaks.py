"""The usual peaks of a site's load and grid flow, day by day."""

import polars as pl

from detectors.frames import PHASE_CHANNELS

NAME = "flow_peaks"
VERSION = 3
SCHEMA = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "load_peak_w": pl.Float64,  # 99 % quantile of the day's sizes: one stray value does not lift it
        "grid_peak_w": pl.Float64,
        "pv_peak_w": pl.Float64,  # ... of its generation
        "load_top_w": pl.Float64,  # the largest size of the day, stray or not
        "grid_top_w": pl.Float64,  # ... of the grid flow and its phases
    }
)
WINDOW_DAYS = 90  # ours: three months hold a season's habits, and a week of absence does not count


def make(raw_readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA: each site-day's peaks of load and grid flow, as reported."""
    return (
        raw_readings.join(sites.select("site_id"), on="site_id", how="semi")
        .group_by("site_id", pl.col("ts_local").dt.date().alias("day"))
        .agg(
            load_peak_w=pl.col("load_w").abs().quantile(0.99, "nearest"),
            grid_peak_w=pl.col("grid_w").abs().quantile(0.99, "nearest"),
            pv_peak_w=pl.col("pv_w").quantile(0.99, "nearest"),
            load_top_w=pl.col("load_w").abs().max(),
            grid_top_w=pl.max_horizontal(pl.col("grid_w", *PHASE_CHANNELS).abs().max()),
        )
        .cast(SCHEMA)
        .sort("site_id", "day")
    )
