"""Hours in which a battery lay at its reserve while generation followed the load, at sites that may not feed in."""

import polars as pl

from detectors.battery.flows import RESERVE_BAND_PCT, flows

NAME = "load_following"
VERSION = 1
SCHEMA = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "held_h": pl.Float64,  # hours at the floor in which generation met the load with nothing left over
        "followed_w": pl.Float64,  # how far the load moved meanwhile, 10 to 90 % of its values
    }
)
WINDOW_DAYS = 90  # ours: as far as a stuck battery is followed back


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, of sites with a battery that may not feed in, one per local day."""
    rows = flows(readings, sites.filter(pl.col("feed_in_limit_kw") == 0))
    is_held = (
        (pl.col("soc_pct") <= pl.col("battery_reserve_pct") + RESERVE_BAND_PCT)
        & (pl.col("pv_w") > pl.col("idle_w"))
        & (pl.col("battery_w").abs() <= pl.col("idle_w"))
        & ((pl.col("grid_w") - pl.col("feed_in_buffer_w").fill_null(0.0)).abs() <= pl.col("idle_w"))
    ).fill_null(False)
    load = pl.col("load_w").filter(is_held)
    made = rows.group_by("site_id", pl.col("ts_local").dt.date().alias("day")).agg(
        held_h=pl.col("hours").filter(is_held).sum(), followed_w=load.quantile(0.9) - load.quantile(0.1)
    )
    return made.select(SCHEMA.names()).cast(SCHEMA).sort("site_id", "day")
