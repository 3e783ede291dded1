"""What the detectors of the grid share: a meter's step, the means of blocks of time, the dark."""

import numpy as np
import polars as pl

from detectors.frames import PHASE_CHANNELS
from detectors.solar.position import elevation_deg
from detectors.stats.resolution import resolutions
from detectors.stats.rows import ordered
from detectors.stats.units import begins, run_means

MIN_RESOLUTION_VALUES = 5  # ours: four differences that agree do not agree by chance; a coarse meter shows few values
MICROSECONDS_PER_DAY = 86_400e6

RATING_W = pl.coalesce("inverter_kw", "installed_kwp") * 1000  # of SITES

# Where only the phases are read, their sum is the grid's power; a phase that is missing leaves it unknown.
GRID_W = pl.coalesce("grid_w", pl.col(PHASE_CHANNELS[0]) + pl.col(PHASE_CHANNELS[1]) + pl.col(PHASE_CHANNELS[2]))


def meter_resolution(rows: pl.DataFrame, by: list[str], channel: str = "grid_w") -> pl.DataFrame:
    """[*by, step_w]: the resolution of one channel in each group, W; 0 where its values show none."""
    known = resolutions(rows, by, channel, min_values=MIN_RESOLUTION_VALUES)
    groups = rows.select(by).unique()
    return groups.join(known, on=by, how="left").select(*by, step_w=pl.col("resolution").fill_null(0.0))


def highest_sun_deg(rows: pl.DataFrame) -> pl.Series:
    """The sun's height at the interval's start or end, whichever is higher; `rows` has latitude and longitude."""
    start = rows["ts_utc"].dt.epoch("us").to_numpy() / MICROSECONDS_PER_DAY
    place = rows["latitude"].to_numpy(), rows["longitude"].to_numpy()
    ends = [elevation_deg(*place, start + share * rows["interval_s"].to_numpy() / 86400) for share in (0.0, 1.0)]
    return pl.Series("sun_deg", np.maximum(*ends))


def block_means(rows: pl.DataFrame, channels: list[str], minutes: int, by: list[str]) -> pl.DataFrame:
    """Means of `channels` over blocks of `minutes` from midnight UTC, weighted by the intervals.

    [*by, start_utc, minutes, <channel>...]: `minutes` is how much of the block readings cover; intervals longer than a
    block stay as they are. Every sum leaves out what is not read.
    """
    start = pl.col("ts_utc").dt.truncate(f"{minutes}m")
    whole = pl.when(pl.col("interval_s") > minutes * 60).then("ts_utc").otherwise(start).alias("start_utc")
    rows = ordered(rows.select(*by, whole, "interval_s", *channels), *by, "start_utc")
    means = run_means(rows, rows.select(begins(*by, "start_utc")).to_series(), channels, "interval_s")
    return means.select(*by, "start_utc", (pl.col("interval_s") / 60).alias("minutes"), pl.col(channels).fill_nan(None))


def local_day() -> pl.Expr:
    """The local calendar day of a row with ts_local."""
    return pl.col("ts_local").dt.date().alias("day")
