"""From readings to site-days: energies, coverage, battery levels.

What each reading stands for is told in detectors/stats/interval_weights. Energy that counters gave is taken as counted.
One lost interval is bridged by the mean of its neighbours, which leaves open as much as readings of the day differ from
the mean of theirs; what is lost beyond that is in no energy, and the coverage tells it.
"""

from collections.abc import Container

import polars as pl

from detectors.frames import DAYS, POWER_CHANNELS
from detectors.solar.position import REFERENCE_KW_M2
from detectors.stats.interval_weights import J_PER_KWH, LOST_ONE, energy_kwh, lost_kwh, weight_s
from detectors.stats.units import in_units, units_of
from pipeline.energy.discharge import discharge_steps
from pipeline.energy.light import day_light_h, sun_height
from pipeline.timezones.local_time import day_hours

SAME_DIGITS = 6  # of a percentage: the order in which a sum is made shows beyond
SUMMED = (  # of readings, what a site-day is made of beside what counters gave
    "site_id", "ts_utc", "ts_local", "interval_s", "is_instant", "is_spoiled", *POWER_CHANNELS, "soc_pct",
    "irradiance_w_m2",
)  # fmt: skip


def to_site_days(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """DAYS of whole local days of `readings`.

    `readings`: READINGS plus <name>_counted_kwh and counted_s, one row per site and instant, null where not good;
    is_spoiled (optional): one of the row's powers was reported, but is not good. Such rows cover nothing.
    expected_kwh, judged_kwh and performance_pct are left null: the judge knows them.
    """
    if readings.is_empty():
        return DAYS.to_frame()
    register = sites.select("site_id", "timezone", "latitude", "longitude", "installed_kwp", "battery_kwh")
    if "is_spoiled" not in readings.columns:
        readings = readings.with_columns(is_spoiled=pl.lit(False))
    rows = in_units(readings.select(*SUMMED, *(f"{name}_counted_kwh" for name in _flows())))
    days = units_of(rows).join(register, on="site_id", how="left", maintain_order="left")
    days = days.with_columns(day_hours(days), has_battery=(pl.col("battery_kwh") > 0).fill_null(False))
    days = days.with_columns(day_light_h=day_light_h(days))
    beside = days.select("latitude", "longitude", "has_battery").select(pl.all().gather(rows["unit"].rle_id()))
    rows = rows.with_columns(beside.get_columns())
    counted = {name for name in _flows() if rows[f"{name}_counted_kwh"].null_count() < rows.height}
    rows = _bridged(_weigh(rows), counted).with_columns(light=sun_height(rows))
    summed = rows.group_by("unit", maintain_order=True).agg(
        pl.len().cast(pl.Int32).alias("readings"),
        pl.col("interval_s").mode().min(),
        covered_s=pl.col("weight_s").filter(~pl.col("is_spoiled")).sum(),
        **_pv_known(),
        **_energies(counted),
        pv_open_kwh=_open_kwh(),
        soc_min_pct=pl.col("soc_pct").min(),
        soc_max_pct=pl.col("soc_pct").max(),
        irradiation_kwh_m2=energy_kwh(pl.col("irradiance_w_m2").clip(lower_bound=0), by=pl.col("weight_s")),
        shared_irradiation_kwh_m2=energy_kwh(_both("irradiance_w_m2"), by=pl.col("weight_s")),
        shared_pv_kwh=energy_kwh(_both("pv_w"), by=pl.col("weight_s")),
    )
    steps = discharge_steps(rows.filter("has_battery"), ["unit"], pl.col("weight_s") / 3600)
    return (
        days.join(summed, on="unit", how="left")
        .join(steps, on="unit", how="left")
        .with_columns(
            coverage_pct=(pl.col("covered_s") / pl.col("day_h") / 36).clip(upper_bound=100),
            pv_coverage_pct=_pv_coverage_pct(),
            specific_yield_kwh_per_kwp=pl.col("pv_kwh") / pl.col("installed_kwp"),
            pv_uncertainty_pct=pl.when(pl.col("pv_kwh") > 0).then(100 * pl.col("pv_open_kwh") / pl.col("pv_kwh")),
            is_partial=pl.lit(False),
            expected_kwh=pl.lit(None, pl.Float64),
            judged_kwh=pl.lit(None, pl.Float64),
            performance_pct=pl.lit(None, pl.Float64),
            reference_yield_h=pl.col("irradiation_kwh_m2") / REFERENCE_KW_M2,
            performance_ratio=pl.when(pl.col("shared_irradiation_kwh_m2") > 0).then(
                pl.col("shared_pv_kwh")
                / pl.col("installed_kwp")
                / (pl.col("shared_irradiation_kwh_m2") / REFERENCE_KW_M2)
            ),
        )
        .select(DAYS.names())
        .cast(DAYS)
        .sort("site_id", "day")
    )


def _weigh(rows: pl.DataFrame) -> pl.DataFrame:
    """`rows` with weight_s: how many seconds of its local day each reading stands for; and the same for each flow.

    A flow that only some of the rows report (a meter read every quarter of an hour beside an inverter read every five
    minutes) stands for the time until it is next reported, its interval at most.
    """
    rows = rows.with_columns(weight_s=weight_s(pl.lit(True)))
    return rows.with_columns(
        weight_s(pl.col(flow).is_not_null(), bridged=LOST_ONE).alias(f"{flow}_weight_s") for flow in POWER_CHANNELS
    )


def _pv_known() -> dict[str, pl.Expr]:
    """Hours with generation known, and their light: nights are not needed, and noon counts most."""
    known_h = pl.col("weight_s").filter(pl.col("pv_w").is_not_null()) / 3600
    return {"known_h": known_h.sum(), "lit_h": (known_h * pl.col("light").filter(pl.col("pv_w").is_not_null())).sum()}


def _pv_coverage_pct() -> pl.Expr:
    """The share of the day's light in which generation is known.

    Light goes by the sine of the sun's height. Where the sun does not rise, the share of the whole day.
    """
    by_light, by_time = pl.col("lit_h") / pl.col("day_light_h"), pl.col("known_h") / pl.col("day_h")
    share = pl.when(pl.col("day_light_h") > 0).then(by_light).otherwise(by_time)
    return (100 * share).clip(upper_bound=100).round(SAME_DIGITS)


def _both(channel: str) -> pl.Expr:
    """The channel where generation and irradiance are both known, never below zero."""
    known = pl.col("pv_w").is_not_null() & pl.col("irradiance_w_m2").is_not_null()
    return pl.when(known).then(pl.col(channel).clip(lower_bound=0))


def _flows() -> dict[str, tuple[str, pl.Expr]]:
    """Name of an energy -> its channel, and the channel's part that it sums."""
    grid, battery = pl.col("grid_w"), pl.col("battery_w")
    return {
        "pv": ("pv_w", pl.col("pv_w")),
        "load": ("load_w", pl.col("load_w")),
        "import": ("grid_w", grid.clip(lower_bound=0)),
        "feed_in": ("grid_w", (-grid).clip(lower_bound=0)),
        "charge": ("battery_w", (-battery).clip(lower_bound=0)),
        "discharge": ("battery_w", battery.clip(lower_bound=0)),
    }


def _bridged(rows: pl.DataFrame, counted: Container[str]) -> pl.DataFrame:
    """`rows` with <name>_lost_kwh: energy of the one interval lost after a row; counters bridge by themselves.

    `counted`: names of which some row has what a counter gave, here and in `_energies`.
    """
    lost = {name: lost_kwh(flow, pl.col(channel).is_not_null()) for name, (channel, flow) in _flows().items()}
    is_counted = {name: pl.col(f"{name}_counted_kwh").count().over("unit") > 0 for name in lost if name in counted}
    return rows.with_columns(
        (pl.when(is_counted[name]).then(0.0).otherwise(one) if name in counted else one).alias(f"{name}_lost_kwh")
        for name, one in lost.items()
    )


def _open_kwh() -> pl.Expr:
    """One sigma of what bridging leaves open in the day's generation, in kWh.

    Each lost interval may differ from its neighbours' mean as the known ones do, one no more than the other.
    """
    known = pl.col("pv_w").is_not_null()
    value, ts = pl.col("pv_w").filter(known), pl.col("ts_utc").filter(known)
    around_s = (ts.shift(-1) - ts.shift(1)).dt.total_milliseconds() / 1000
    length_s = pl.col("interval_s").filter(known)
    off = value - (value.shift(1) + value.shift(-1)) / 2
    is_lit = (value.shift(1) + value.shift(-1)) > 0
    rms = (off.filter((around_s <= 2.1 * length_s) & is_lit) ** 2).mean().sqrt()
    bridged = (pl.col("pv_lost_kwh") > 0).sum()
    kwh = bridged.sqrt() * rms * pl.col("interval_s").mode().min() / J_PER_KWH
    return pl.when(bridged > 0).then(kwh).otherwise(0.0)


def _energies(counted: Container[str]) -> dict[str, pl.Expr]:
    result: dict[str, pl.Expr] = {}
    for name, (channel, flow) in _flows().items():
        weight, lost = pl.col(f"{channel}_weight_s"), pl.col(f"{name}_lost_kwh").sum()
        if name in counted:
            energy = pl.col(f"{name}_counted_kwh")
            # Where a counter gave a row's energy, its power is that same energy seen as a mean: count it once.
            power = flow.filter(energy.is_null())
            summed = (power * weight.filter(energy.is_null())).sum() / J_PER_KWH + energy.sum() + lost
            is_known = (power.count() > 0) | (energy.count() > 0)
        else:
            summed, is_known = (flow * weight).sum() / J_PER_KWH + lost, flow.count() > 0
        result[f"{name}_kwh"] = pl.when(is_known).then(summed)
    return result
