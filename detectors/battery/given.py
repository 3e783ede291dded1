"""What a battery could have given, and what that would have saved."""

from collections.abc import Mapping
from typing import Any

import polars as pl

FULL_PCT = 100.0
TAPER_PCT = 95.0  # ours: above it batteries taper their charging, so surplus has nowhere to go
BACK_SHARE = 0.94  # REFERENCES: 0.94-0.95 of the energy came back from two homes' batteries
LEARNED_DROP_PCT = 100.0  # ours: one whole discharge in all; a level in whole per cent then errs by a few per cent
LEARNED_RATIO = (0.3, 1.2)  # ours: of the registered capacity; what lies outside is a level that lags, or an error


def capacities(days: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """[site_id, capacity_kwh] of sites with a battery: learned from its discharges, else as registered.

    Learned: energy given over the fall of the state of charge, in intervals amid a discharge, times 100 %.
    """
    drops = days.group_by("site_id").agg(pl.col("discharge_drop_pct", "discharge_drop_kwh").sum())
    learned = pl.when(pl.col("discharge_drop_pct") >= LEARNED_DROP_PCT).then(
        pl.col("discharge_drop_kwh") / pl.col("discharge_drop_pct") * 100
    )
    ratio = pl.col("learned_kwh") / pl.col("battery_kwh")
    return (
        sites.filter(pl.col("battery_kwh") > 0)
        .select("site_id", "battery_kwh")
        .join(drops, on="site_id", how="left")
        .with_columns(learned_kwh=learned)
        .select(
            "site_id",
            capacity_kwh=pl.when(ratio.is_between(*LEARNED_RATIO)).then("learned_kwh").otherwise("battery_kwh"),
        )
    )


def may_feed_in(site: Mapping[str, Any]) -> bool:
    """Whether surplus goes to the grid for money; otherwise it is curtailed, and storing it costs nothing."""
    return site["feed_in_limit_kw"] is None or site["feed_in_limit_kw"] > 0


def value_per_given_kwh(site: Mapping[str, Any]) -> float:
    """What a kWh from the battery saves: the import, less the feed-in of what had to be stored for it; >= 0."""
    stored = site["feed_in_price"] / BACK_SHARE if may_feed_in(site) else 0.0
    return float(max(site["import_price"] - stored, 0.0))


def _may_feed_in() -> pl.Expr:
    """The same of rows of the register."""
    return (pl.col("feed_in_limit_kw") != 0).fill_null(True)


def could_give(states: pl.DataFrame, days: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """[site_id, day, level_pct, rest_kwh, band_kwh, refill_kwh] of days on which the battery was seen.

    `band_kwh` is what it holds between the day's level and its reserve, `refill_kwh` what the day's sun could have
    put back into it and the battery given again: what was fed in; where nothing may be fed in, all of it (null) on a
    day on which the battery was full, since the rest was curtailed, and nothing on others. Null = no bound known.
    """
    known = days.select("site_id", "day", "feed_in_kwh", "soc_max_pct")
    limit = sites.select("site_id", "feed_in_limit_kw")
    was_full = pl.col("soc_max_pct") >= TAPER_PCT
    return (
        states.filter(pl.col("state") != "unknown")
        .join(capacities(days, sites), on="site_id", how="left")
        .join(known, on=["site_id", "day"], how="left")
        .join(limit, on="site_id", how="left")
        .sort("site_id", "day")
        .select(
            "site_id",
            "day",
            "level_pct",
            "rest_kwh",
            band_kwh=(pl.col("level_pct") - pl.col("battery_reserve_pct")).clip(lower_bound=0)
            / 100
            * pl.col("capacity_kwh"),
            refill_kwh=pl.when(_may_feed_in())
            .then(pl.col("feed_in_kwh") * BACK_SHARE)
            .when(~was_full)
            .then(pl.lit(0.0)),
        )
    )


def missed_kwh(given: pl.DataFrame) -> list[float]:
    """What the battery could have given on each day, kWh: what the house bought meanwhile, as far as it was stored.

    On the first day the whole band lay there; from then on only what the sun put back.
    """
    stored, missed = 0.0, []
    for place, row in enumerate(given.iter_rows(named=True)):
        band = row["band_kwh"] if row["band_kwh"] is not None else stored
        stored = band if place == 0 or row["refill_kwh"] is None else min(stored + row["refill_kwh"], band)
        gave = min(row["rest_kwh"] or 0.0, stored)
        stored -= gave
        missed.append(gave)
    return missed
