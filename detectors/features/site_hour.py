"""Each site's hours: means of its channels over every UTC hour, kept for ever for planning and machine learning."""

from typing import Any

import polars as pl

from detectors.frames import CHANNELS, LOCAL
from detectors.stats.interval_weights import weight_s
from detectors.stats.units import begins, in_units, run_means

NAME = "site_hour"
VERSION = 2
HOUR_S = 3600.0
_MEANS: dict[str, Any] = dict.fromkeys(CHANNELS, pl.Float64)
SCHEMA = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,  # local; an hour that midnight cuts, in zones of half hours, has a row for each of its days
        "ts_utc": LOCAL,  # START of the UTC hour
        "ts_local": LOCAL,  # the same instant in the site's zone
        "covered_s": pl.Float64,  # seconds of the hour that readings of this day cover
        **_MEANS,  # mean over those seconds in which it is known
    }
)
WINDOW_DAYS = 36_500  # ours: all of it is kept, and all of it is made again where the columns change


def make(readings: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per site, local day and UTC hour with readings, of whole local days.

    An interval counts towards each hour that it reaches into, by its seconds there.
    """
    if readings.is_empty():
        return SCHEMA.to_frame()
    present = [name for name in CHANNELS if readings[name].null_count() < readings.height]
    rows = in_units(readings).select(
        "unit", "site_id", "day", "ts_utc", "ts_local", "interval_s", "is_instant", *present
    )
    rows = rows.with_columns(ts_utc=pl.col("ts_utc").dt.replace_time_zone(None), weight_s=weight_s(pl.lit(True)))
    rows = rows.with_columns(utc_offset=pl.col("ts_local") - pl.col("ts_utc"))
    rows = _cut_at_hours(rows)
    hours = run_means(rows, rows.select(begins("unit", "hour")).to_series(), present, "weight_s")
    nothing = [pl.lit(None, pl.Float64).alias(name) for name in CHANNELS if name not in present]
    return (
        hours.with_columns(
            *nothing,
            ts_utc="hour",
            ts_local=pl.col("hour") + pl.col("utc_offset"),
            covered_s=pl.col("weight_s").clip(upper_bound=HOUR_S),
        )
        .select(SCHEMA.names())
        .cast(SCHEMA)
        .sort("site_id", "ts_utc", "day")
    )


def _cut_at_hours(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows with `hour`, in their order; a mean whose interval reaches beyond its hour has a row, and its seconds,
    for each."""
    hour = pl.col("ts_utc").dt.truncate("1h")
    into_hour_s = (pl.col("ts_utc") - hour).dt.total_milliseconds() / 1000
    last = ((into_hour_s + pl.col("weight_s") - 1e-3) / HOUR_S).floor().cast(pl.Int64).clip(lower_bound=0)
    reach = pl.when("is_instant").then(0).otherwise(last)
    rows = rows.with_columns(into_hour_s=into_hour_s, reach=reach, hour=hour)
    is_cut = rows["reach"] > 0
    if not is_cut.any():
        return rows
    parts = rows.filter(is_cut).with_columns(number=pl.int_ranges(0, pl.col("reach") + 1)).explode("number")
    start = pl.max_horizontal(pl.col("into_hour_s"), pl.col("number") * HOUR_S)
    end = pl.min_horizontal(pl.col("into_hour_s") + pl.col("weight_s"), (pl.col("number") + 1) * HOUR_S)
    parts = parts.with_columns(weight_s=end - start, hour=pl.col("hour") + pl.duration(hours=pl.col("number")))
    return pl.concat([rows.filter(~is_cut), parts.select(rows.columns)]).sort("unit", "hour", maintain_order=True)
