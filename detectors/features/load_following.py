"""Hours in which a battery rested while generation followed the load, at sites that may not feed in."""

import polars as pl

from detectors.battery.flows import flows
from detectors.stats.curtailment import is_at_limit
from detectors.stats.rows import with_sites

NAME = "load_following"
VERSION = 3
SCHEMA = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "held_h": pl.Float64,  # hours at rest in which generation met the load with nothing left over
        "followed_w": pl.Float64,  # how far the load moved meanwhile, 10 to 90 % of its values
        # Of changes from one interval at rest to the next: those of generation less load, over those of the load, as
        # root mean squares. A roof that nothing steers adds its own changes to the load's: 1 or more.
        "apart_ratio": pl.Float64,
        "changes": pl.Int64,  # how many of them
    }
)
WINDOW_DAYS = 90  # ours: as far as a stuck battery is followed back
BY = ["site_id", "day"]


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, of sites with a battery that may not feed in, one per local day."""
    limited = sites.filter(pl.col("feed_in_limit_kw") == 0)
    ratings = limited.select("site_id", "feed_in_limit_kw", "inverter_kw", "installed_kwp")
    rows = with_sites(flows(readings, limited), ratings)
    rests = (pl.col("pv_w") > pl.col("idle_w")) & (pl.col("battery_w").abs() <= pl.col("idle_w"))
    rows = rows.with_columns(is_held=(rests & is_at_limit(["unit"])).fill_null(False))
    load = pl.col("load_w").filter("is_held")
    follows = pl.col("is_held") & pl.col("is_held").shift(1) & pl.col("is_next")
    load_change = pl.col("load_w").diff().filter(follows)
    apart = (pl.col("pv_w") - pl.col("load_w")).diff().filter(follows)
    made = rows.group_by("unit", maintain_order=True).agg(
        pl.col(BY).first(),
        held_h=pl.col("hours").filter("is_held").sum(),
        followed_w=load.quantile(0.9) - load.quantile(0.1),
        apart_ratio=((apart**2).mean() / (load_change**2).mean()).sqrt(),
        changes=load_change.count().cast(pl.Int64),
    )
    return made.select(SCHEMA.names()).cast(SCHEMA).sort(BY)
