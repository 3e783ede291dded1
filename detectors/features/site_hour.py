"""Each site's hours: means of its channels over every UTC hour, kept for ever for planning and machine learning."""

from typing import Any

import polars as pl

from detectors.frames import CHANNELS, LOCAL
from detectors.stats.interval_weights import weight_s
from detectors.stats.rows import ordered

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
    rows = readings.with_columns(day=pl.col("ts_local").dt.date(), ts_utc=pl.col("ts_utc").dt.replace_time_zone(None))
    rows = ordered(rows, "site_id", "ts_utc").with_columns(
        weight_s=weight_s(pl.lit(True)), utc_offset=pl.col("ts_local") - pl.col("ts_utc")
    )
    of_hours = _cut_at_hours(rows)
    known = {name: pl.when(pl.col(name).is_not_null()).then("weight_s").sum() for name in CHANNELS}
    means = of_hours.group_by("site_id", "day", "hour").agg(
        pl.col("weight_s").sum().clip(upper_bound=HOUR_S).alias("covered_s"),
        pl.col("utc_offset").first(),
        *(
            pl.when(weight > 0).then((pl.col(name) * pl.col("weight_s")).sum() / weight).alias(name)
            for name, weight in known.items()
        ),
    )
    return (
        means.rename({"hour": "ts_utc"})
        .with_columns(ts_local=pl.col("ts_utc") + pl.col("utc_offset"))
        .select(SCHEMA.names())
        .cast(SCHEMA)
        .sort("site_id", "ts_utc", "day")
    )


def _cut_at_hours(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows with `hour`; a mean whose interval reaches beyond its hour has a row, and its seconds, for each."""
    hour = pl.col("ts_utc").dt.truncate("1h")
    into_hour_s = (pl.col("ts_utc") - hour).dt.total_milliseconds() / 1000
    last = ((into_hour_s + pl.col("weight_s") - 1e-3) / HOUR_S).floor().cast(pl.Int64).clip(lower_bound=0)
    reach = pl.when("is_instant").then(0).otherwise(last)
    rows = rows.with_columns(into_hour_s=into_hour_s, reach=reach, hour=hour)
    whole = rows.filter(pl.col("reach") == 0)
    cut = rows.filter(pl.col("reach") > 0)
    if cut.is_empty():
        return whole
    parts = cut.with_columns(number=pl.int_ranges(0, pl.col("reach") + 1)).explode("number")
    start = pl.max_horizontal(pl.col("into_hour_s"), pl.col("number") * HOUR_S)
    end = pl.min_horizontal(pl.col("into_hour_s") + pl.col("weight_s"), (pl.col("number") + 1) * HOUR_S)
    parts = parts.with_columns(weight_s=end - start, hour=pl.col("hour") + pl.duration(hours=pl.col("number")))
    return pl.concat([whole, parts.select(whole.columns)])
