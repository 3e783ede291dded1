"""Where a battery rested while the house imported, and how low it was used, day by day."""

import polars as pl

from detectors.battery.flows import flows
from detectors.battery.level_days import draw_w
from detectors.battery.rest_states import LEVEL_BAND_PCT
from detectors.stats.units import begins

NAME = "battery_rests"
VERSION = 1
SCHEMA = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        "grid_h": pl.Float64,  # hours in which each channel was known
        "battery_h": pl.Float64,
        "soc_h": pl.Float64,
        "seen_h": pl.Float64,  # in which all three were
        "discharge_kwh": pl.Float64,
        "lowest_use_pct": pl.Float64,  # lowest state of charge at which it still gave a real amount; null = gave none
        "rest_h": pl.Float64,  # hours in which the house imported and the battery rested
        "rest_kwh": pl.Float64,  # import in them
        "is_steady": pl.Boolean,  # the import repeats one value: a meter that is stuck
        "is_still": pl.Boolean,  # the state of charge did not move although energy did
        "level_pct": pl.Float64,  # state of charge at which it mostly rested
        "level_kwh": pl.Float64,  # import at that level
        "level_h": pl.Float64,
        "has_stop": pl.Boolean,  # it had been discharging before it rested at that level
    }
)
WINDOW_DAYS = 90  # ours: three evenings of need can lie weeks apart, and the course of a month is shown
BY = ["site_id", "day"]

USED_KWH = 0.1  # ours: discharge that counts as having been below a level
USED_SHARE = 0.01  # ours: one step of a reading in whole per cent
STILL_PCT = 1.0  # ours: one step of a reading in whole per cent
MOVED_SHARE = 0.10  # ours: ten such steps should have shown; the kind battery-reading-frozen asks for the same


def make(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """SCHEMA, one per site with a battery and local day."""
    rows = flows(readings, sites)
    power = pl.col("battery_w")
    is_known = pl.all_horizontal(pl.col("grid_w", "battery_w", "soc_pct").is_not_null())
    last_sign = pl.when(power.abs() > pl.col("idle_w")).then(power.sign()).forward_fill()
    # Who acted last is told by the place of that row, which must lie in the same site's same day.
    row = pl.int_range(pl.len())
    first_row = pl.when(begins("unit")).then(row).forward_fill()
    last_act = pl.when(power.abs() > pl.col("idle_w")).then(row).forward_fill()
    rows = rows.with_columns(
        is_known=is_known,
        rests=(is_known & (pl.col("grid_w") >= draw_w()) & (power.abs() <= pl.col("idle_w"))).fill_null(False),
        gives=(is_known & (power > pl.col("idle_w"))).fill_null(False),
        had_given=(last_sign > 0) & (last_act >= first_row),
        kwh=pl.col("grid_w") * pl.col("hours") / 1000,
    )
    rest = pl.col("rests")
    sums = rows.group_by("unit").agg(
        pl.col(BY).first(),
        *(pl.col("hours").filter(pl.col(f"{name}").is_not_null()).sum().alias(f"{short}_h")
          for name, short in (("grid_w", "grid"), ("battery_w", "battery"), ("soc_pct", "soc"))),
        seen_h=pl.col("hours").filter("is_known").sum(),
        discharge_kwh=(power.clip(lower_bound=0) * pl.col("hours")).sum() / 1000,
        rest_h=pl.col("hours").filter(rest).sum(),
        rest_kwh=pl.col("kwh").filter(rest).sum(),
        is_still=(pl.col("soc_pct").max() - pl.col("soc_pct").min() < STILL_PCT)
        & ((power.abs() * pl.col("hours")).sum() / 1000 >= MOVED_SHARE * pl.col("battery_kwh").first()),
        is_steady=pl.col("grid_w").filter(rest).max() == pl.col("grid_w").filter(rest).min(),
    )  # fmt: skip
    used = _lowest_use(rows.filter("gives"))
    levels = _levels(rows.filter("rests"), used)
    made = sums.join(used, on="unit", how="left").join(levels, on="unit", how="left")
    return made.select(SCHEMA.names()).cast(SCHEMA).sort(BY)


def _lowest_use(gives: pl.DataFrame) -> pl.DataFrame:
    """[unit, lowest_use_pct]: the state of charge at and below which a real amount was still given."""
    need_kwh = pl.max_horizontal(pl.lit(USED_KWH), USED_SHARE * pl.col("battery_kwh"))
    given = (pl.col("battery_w") * pl.col("hours") / 1000).cum_sum().over("unit")
    low_first = gives.sort("unit", "soc_pct")
    return low_first.filter(given >= need_kwh).group_by("unit").agg(lowest_use_pct=pl.col("soc_pct").min())


def _levels(rests: pl.DataFrame, used: pl.DataFrame) -> pl.DataFrame:
    """[unit, level_pct, level_kwh, level_h, has_stop]: the mode of the state of charge, by import at rest.

    Rests above the place where it still gave on the same day are left out: it had not stopped there for good.
    """
    low = rests.join(used, on="unit", how="left").filter(
        pl.col("lowest_use_pct").is_null() | (pl.col("soc_pct") <= pl.col("lowest_use_pct") + LEVEL_BAND_PCT)
    )
    low = low.with_columns(bin=pl.col("soc_pct").round(0).cast(pl.Int32))
    bins = low.group_by("unit", "bin").agg(pl.col("kwh").sum().round(9))
    mode = bins.sort("kwh", "bin", descending=[True, False]).group_by("unit", maintain_order=True).agg(
        mode=pl.col("bin").first()
    )  # fmt: skip
    # A level in whole per cent may flicker between two.
    at_level = low.join(mode, on="unit").filter((pl.col("bin") - pl.col("mode")).abs() <= 1)
    # A level that is whole per cent all day long stays so, in whatever order it is summed.
    level = (pl.col("soc_pct") * pl.col("kwh")).sum() / pl.col("kwh").sum()
    return at_level.group_by("unit").agg(
        level_pct=level.round(9),
        level_kwh=pl.col("kwh").sum(),
        level_h=pl.col("hours").sum(),
        has_stop=(pl.col("had_given") & pl.col("lowest_use_pct").is_not_null()).fill_null(False).any(),
    )
