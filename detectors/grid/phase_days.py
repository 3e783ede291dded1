"""What passes in on some phases while it passes out on others, day by day, on three-phase sites."""

import polars as pl

from detectors.frames import PHASE_CHANNELS
from detectors.grid.meter import block_means, meter_resolution
from detectors.stats.rows import with_sites, with_units
from detectors.stats.units import in_units, units_of

MEAN_MINUTES = 5  # ours: what crosses zero within minutes is a load's switching, not a phase that feeds in
NOISE_W = 50.0  # ours: a phase within 50 W of zero neither imports nor feeds in
BY = ["site_id", "day"]
PHASES = (1, 2, 3)
FLOATS = (
    "crossed_kwh",  # fed in on some phases while others imported as much
    "fed_kwh",  # fed in meanwhile
    "imported_kwh",  # of the whole day, phase by phase
    "crossed_h",
    "seen_h",
    *(f"{what}_l{n}_kwh" for what in ("fed_in", "imported") for n in PHASES),  # meanwhile
)
PHASE_DAYS = pl.Schema({"site_id": pl.String(), "day": pl.Date(), **dict.fromkeys(FLOATS, pl.Float64())})


def phase_days(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """PHASE_DAYS rows of every three-phase site and local day with readings of two phases or more."""
    three = sites.filter(pl.col("phases") == 3).select("site_id")
    rows = flows(
        with_sites(in_units(readings).select("site_id", "day", "unit", "ts_utc", "interval_s", *PHASE_CHANNELS), three)
    )
    crossed = pl.col("crossed_w") > 0

    def kwh(power: pl.Expr) -> pl.Expr:
        return (power * pl.col("hours")).sum() / 1000

    def meanwhile(power: pl.Expr) -> pl.Expr:
        return kwh(pl.when(crossed).then(power.clip(lower_bound=0)).otherwise(0.0))

    named = list(zip(PHASES, PHASE_CHANNELS, strict=True))
    sums = rows.group_by("unit").agg(
        pl.col(BY).first(),
        crossed_kwh=kwh(pl.col("crossed_w")),
        fed_kwh=meanwhile(pl.col("fed_w")),
        imported_kwh=kwh(pl.col("bought_w")),
        crossed_h=pl.col("hours").filter(crossed).sum(),
        seen_h=pl.col("hours").sum(),
        **{f"fed_in_l{n}_kwh": meanwhile(-pl.col(name)) for n, name in named},
        **{f"imported_l{n}_kwh": meanwhile(pl.col(name)) for n, name in named},
    )
    return sums.select(PHASE_DAYS.names()).cast(PHASE_DAYS).sort(BY)


def flows(own: pl.DataFrame) -> pl.DataFrame:
    """Means of the phases, by site and local day, with what went in and out of them beyond the noise, W.

    Readings with fewer than two phases are left out.
    """
    is_read = pl.sum_horizontal(pl.col(name).is_not_null().cast(pl.Int8) for name in PHASE_CHANNELS) >= 2
    own = in_units(own).filter(is_read)
    means = block_means(own, list(PHASE_CHANNELS), MEAN_MINUTES, ["unit"])
    noise = meter_resolution(own, ["unit"], PHASE_CHANNELS[0]).with_columns(
        noise_w=pl.max_horizontal(pl.lit(NOISE_W), 1.5 * pl.col("step_w"))
    )
    means = with_units(means, units_of(own).join(noise, on="unit", how="left")).sort("site_id", "start_utc")
    phases = [pl.col(name) for name in PHASE_CHANNELS]
    loud = [pl.when(phase.abs() > pl.col("noise_w")).then(phase).otherwise(0.0) for phase in phases]
    return means.with_columns(
        hours=pl.col("minutes") / 60,
        bought_w=pl.sum_horizontal(phase.clip(lower_bound=0) for phase in loud),
        fed_w=pl.sum_horizontal((-phase).clip(lower_bound=0) for phase in loud),
    ).with_columns(crossed_w=pl.min_horizontal("bought_w", "fed_w"))
