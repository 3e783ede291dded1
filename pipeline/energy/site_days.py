"""From readings to site-days: energies, coverage, battery levels.

A reading that averages an interval weighs its interval, cut where the next reading begins. A reading of an instant
weighs half the way to its neighbours (the trapezoid rule), inside its own local day alone: the day's first and last
readings reach to midnight, but never further than one interval. Energy that counters gave is taken as counted.
"""

import polars as pl

from detectors.frames import DAYS, POWER_CHANNELS
from detectors.solar.position import REFERENCE_KW_M2
from pipeline.energy.discharge import discharge_steps
from pipeline.timezones.local_time import day_hours

BRIDGED = 1.5  # two instants further apart than so many intervals do not vouch for the time between
NEAR_RESERVE_PCT = 2.0  # common practice, no source: levels are shown in whole per cent and settle within two
NEAR_LIMIT_W = 20.0  # common practice, no source: the regulator of a limited site keeps some 20 W away from its limit
FULL_PCT = 95.0  # ours: above it batteries taper their charging, so surplus has nowhere to go
KWH = 3.6e6  # J


def to_site_days(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """DAYS of whole local days of `readings`.

    `readings`: READINGS plus <name>_counted_kwh and counted_s, one row per site and instant.
    expected_kwh and performance_pct are left null: the judge knows them.
    """
    if readings.is_empty():
        return DAYS.to_frame()
    register = sites.select(
        "site_id",
        "timezone",
        "installed_kwp",
        "battery_kwh",
        "battery_reserve_pct",
        "feed_in_limit_kw",
        "feed_in_buffer_w",
    )
    rows = (
        readings.with_columns(day=pl.col("ts_local").dt.date()).join(register, on="site_id").sort("site_id", "ts_utc")
    )
    days = rows.select("site_id", "timezone", "day").unique()
    rows = rows.join(days.with_columns(day_hours(days)).drop("timezone"), on=["site_id", "day"]).sort(
        "site_id", "ts_utc"
    )
    rows = _weigh(rows)
    summed = rows.group_by("site_id", "day").agg(
        pl.len().cast(pl.Int32).alias("readings"),
        pl.col("interval_s").mode().min(),
        (pl.col("weight_s").sum() / pl.col("day_h").first() / 36).clip(upper_bound=100).alias("coverage_pct"),
        (pl.col("pv_w_weight_s").filter(pl.col("pv_w").is_not_null()).sum() / pl.col("day_h").first() / 36)
        .clip(upper_bound=100)
        .alias("pv_coverage_pct"),
        *(energy.alias(name) for name, energy in _energies().items()),
        pl.col("soc_pct").min().alias("soc_min_pct"),
        pl.col("soc_pct").max().alias("soc_max_pct"),
        _hours(_at_floor()).alias("soc_floor_h"),
        _energy(_surplus(), by=pl.col("weight_s")).alias("surplus_kwh"),
        _energy(_surplus().filter(_at_floor()), by=pl.col("weight_s").filter(_at_floor())).alias(
            "surplus_at_floor_kwh"
        ),
        pl.col("pv_w").max().alias("pv_peak_w"),
        _energy(pl.col("irradiance_w_m2").clip(lower_bound=0), by=pl.col("weight_s")).alias("irradiation_kwh_m2"),
        _energy(_both("irradiance_w_m2"), by=pl.col("weight_s")).alias("shared_irradiation_kwh_m2"),
        _energy(_both("pv_w"), by=pl.col("weight_s")).alias("shared_pv_kwh"),
        _hours(_held_back()).alias("held_back_h"),
        pl.col("installed_kwp").first(),
    )
    with_battery = rows.filter(pl.col("battery_kwh") > 0)
    steps = discharge_steps(with_battery, ["site_id", "day"], pl.col("weight_s") / 3600)
    return (
        summed.join(steps, on=["site_id", "day"], how="left")
        .with_columns(
            specific_yield_kwh_per_kwp=pl.col("pv_kwh") / pl.col("installed_kwp"),
            expected_kwh=pl.lit(None, pl.Float64),
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
    rows = rows.with_columns(weight_s=_weight(pl.lit(True)))
    return rows.with_columns(
        (
            pl.col("weight_s") if rows[flow].null_count() in (0, rows.height) else _weight(pl.col(flow).is_not_null())
        ).alias(f"{flow}_weight_s")
        for flow in POWER_CHANNELS
    )


def _weight(known: pl.Expr) -> pl.Expr:
    """Seconds that a row stands for among the rows of its day that are `known`."""
    by = ["site_id", "day"]
    at = pl.when(known).then("ts_utc")
    to_next = (at.shift(-1).backward_fill().over(by) - pl.col("ts_utc")).dt.total_milliseconds() / 1000
    from_last = (pl.col("ts_utc") - at.shift(1).forward_fill().over(by)).dt.total_milliseconds() / 1000
    since_midnight = (pl.col("ts_local") - pl.col("day").cast(pl.Datetime("us"))).dt.total_milliseconds() / 1000
    length = pl.col("interval_s").cast(pl.Float64)
    # On a day whose clocks change, the wall clock misjudges what is left by that hour; it is at most one interval here.
    left = pl.max_horizontal(24 * 3600 - since_midnight, pl.lit(0.0))

    def half(gap: pl.Expr, edge: pl.Expr) -> pl.Expr:
        bridged = pl.when(gap <= BRIDGED * length).then(gap / 2).otherwise(length / 2)
        return pl.when(gap.is_null()).then(pl.min_horizontal(edge, length)).otherwise(bridged)

    instant = half(to_next, left) + half(from_last, since_midnight)
    mean = pl.min_horizontal(length, to_next.fill_null(float("inf")))
    return pl.when("is_instant").then(instant).otherwise(mean)


def _energy(power: pl.Expr, *, by: pl.Expr) -> pl.Expr:
    """kWh of a power in W over the rows' seconds; null where the power is never known."""
    return pl.when(power.count() > 0).then((power * by).sum() / KWH)


def _both(channel: str) -> pl.Expr:
    """The channel where generation and irradiance are both known, never below zero."""
    known = pl.col("pv_w").is_not_null() & pl.col("irradiance_w_m2").is_not_null()
    return pl.when(known).then(pl.col(channel).clip(lower_bound=0))


def _energies() -> dict[str, pl.Expr]:
    grid, battery = pl.col("grid_w"), pl.col("battery_w")
    flows = {
        "pv": ("pv_w", pl.col("pv_w")),
        "load": ("load_w", pl.col("load_w")),
        "import": ("grid_w", grid.clip(lower_bound=0)),
        "feed_in": ("grid_w", (-grid).clip(lower_bound=0)),
        "charge": ("battery_w", (-battery).clip(lower_bound=0)),
        "discharge": ("battery_w", battery.clip(lower_bound=0)),
    }
    result: dict[str, pl.Expr] = {}
    for name, (channel, flow) in flows.items():
        weight = pl.col(f"{channel}_weight_s")
        counted = pl.col(f"{name}_counted_kwh")
        # Where a counter gave a row's energy, its power is that same energy seen as a mean: count it once.
        power = flow.filter(counted.is_null())
        summed = (power * weight.filter(counted.is_null())).sum() / KWH + counted.sum()
        result[f"{name}_kwh"] = pl.when((power.count() > 0) | (counted.count() > 0)).then(summed)
    return result


def _at_floor() -> pl.Expr:
    return (pl.col("soc_pct") <= pl.col("battery_reserve_pct") + NEAR_RESERVE_PCT) & pl.col("battery_kwh").is_not_null()


def _surplus() -> pl.Expr:
    return (pl.col("pv_w") - pl.col("load_w")).clip(lower_bound=0)


def _held_back() -> pl.Expr:
    """Generation may have been held back: feed-in at its limit, and the battery full, unknown or absent."""
    limit_w = pl.col("feed_in_limit_kw") * 1000
    reach_w = pl.max_horizontal(pl.col("feed_in_buffer_w"), pl.lit(NEAR_LIMIT_W)) * 2
    at_limit = ((pl.col("grid_w") + limit_w).abs() <= reach_w) & (pl.col("pv_w") > 0)
    has_room = (pl.col("battery_kwh").is_not_null()) & (pl.col("soc_pct") < FULL_PCT)
    return at_limit & ~has_room.fill_null(False)


def _hours(condition: pl.Expr) -> pl.Expr:
    return pl.when(condition.count() > 0).then(pl.col("weight_s").filter(condition).sum() / 3600)
