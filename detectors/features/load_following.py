"""Hours in which a battery rested while generation followed the load, at sites that may not feed in."""

import polars as pl

from detectors.battery.flows import flows
from detectors.stats.curtailment import is_at_limit

NAME = "load_following"
VERSION = 2
SCHEMA = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "held_h": pl.Float64,  # hours at rest in which generation met the load with nothing left over
        "followed_w": pl.Float64,  # how far the load moved meanwhile, 10 to 90 % of its values
    }
)
WINDOW_DAYS = 90  # ours: as far as a stuck battery is followed back
BY = ["site_id", "day"]


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, of sites with a battery that may not feed in, one per local day."""
    limited = sites.filter(pl.col("feed_in_limit_kw") == 0)
    ratings = limited.select("site_id", "feed_in_limit_kw", "inverter_kw", "installed_kwp")
    rows = (
        flows(readings, limited)
        .join(ratings, on="site_id", maintain_order="left")
        .with_columns(day=pl.col("ts_local").dt.date())
    )
    rests = (pl.col("pv_w") > pl.col("idle_w")) & (pl.col("battery_w").abs() <= pl.col("idle_w"))
    rows = rows.with_columns(is_held=(rests & is_at_limit(BY)).fill_null(False))
    load = pl.col("load_w").filter("is_held")
    made = rows.group_by(BY).agg(
        held_h=pl.col("hours").filter("is_held").sum(), followed_w=load.quantile(0.9) - load.quantile(0.1)
    )
    return made.select(SCHEMA.names()).cast(SCHEMA).sort(BY)
