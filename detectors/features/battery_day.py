"""A day's surplus of generation, and what of it fell into the hours in which the battery lay at its reserve."""

import polars as pl

from detectors.battery.flows import RESERVE_BAND_PCT
from detectors.stats.interval_weights import energy_kwh, hours_of, weight_s
from detectors.stats.rows import with_sites
from detectors.stats.units import in_units, units_of

NAME = "battery_day"
VERSION = 2
SCHEMA = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "soc_floor_h": pl.Float64(),  # hours with the state of charge within 2 % of the reserve, or below it
        "surplus_kwh": pl.Float64(),  # energy of generation beyond the load; null = neither it nor the balance is known
        "surplus_at_floor_kwh": pl.Float64(),  # the part of it that fell into soc_floor_h
    }
)
WINDOW_DAYS = 90  # ours: as far as a stuck battery is followed back


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one row per site and local day with readings."""
    known = sites.select("site_id", "battery_kwh", "battery_reserve_pct")
    rows = with_sites(in_units(readings), known).with_columns(weight_s=weight_s(pl.lit(True)))
    # Without a load the balance tells it: what neither battery nor grid took is no surplus.
    over = pl.coalesce(pl.col("pv_w") - pl.col("load_w"), -(pl.col("battery_w") + pl.col("grid_w")))
    weight, surplus = pl.col("weight_s"), over.clip(lower_bound=0)
    near_reserve = pl.col("soc_pct") <= pl.col("battery_reserve_pct") + RESERVE_BAND_PCT
    at_floor = near_reserve & pl.col("battery_kwh").is_not_null()
    sums = rows.group_by("unit", maintain_order=True).agg(
        soc_floor_h=hours_of(at_floor),
        surplus_kwh=energy_kwh(surplus, by=weight),
        surplus_at_floor_kwh=energy_kwh(surplus.filter(at_floor), by=weight.filter(at_floor)),
    )
    return units_of(rows).join(sums, on="unit").select(SCHEMA.names()).sort("site_id", "day")
