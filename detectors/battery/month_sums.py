"""A battery's capacity and round-trip efficiency, month by month."""

from datetime import date, timedelta

import polars as pl

MIN_COVERAGE_PCT = 95.0  # ours: what is missing of a day may be a charge or a discharge
MIN_DROP_PCT = 300.0  # ours: three full discharges; rounding to whole per cent then costs less than a tenth of one
MIN_CYCLES = 8.0  # ours: with fewer the standby of a month weighs more than what conversion loses
MAX_LEFT_SHARE = 0.2  # ours: of what was charged; more left in the battery than that decides the efficiency alone
MONTHS = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,  # the month's last
        "capacity_kwh": pl.Float64,  # given back per 100 % of the state of charge; null = too little discharged
        "efficiency_pct": pl.Float64,  # energy out / in between equal states of charge; null = too little moved
        "is_level_read": pl.Boolean,  # whether any day of the month told a state of charge
    }
)


def at_month_end(days: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """MONTHS rows of the month that `day` (DAYS rows up to it given) is the last of; none on any other day.

    Efficiency: energy out over energy in between equal states of charge (IEC 62933-2-1, from memory). Where the month
    ends at another state of charge, the difference counts as what this battery gives for it. Only days that follow on
    one another, well covered both, count.
    """
    if (day + timedelta(days=1)).day != 1:
        return MONTHS.to_frame()
    own = sites.filter(pl.col("battery_kwh") > 0).select("site_id")
    month = days.filter(pl.col("day").is_between(day.replace(day=1), day)).join(own, on="site_id", how="semi")
    rows = month.sort("site_id", "day").with_columns(
        change_pct=pl.when(
            pl.col("day").shift(-1).over("site_id") == pl.col("day") + pl.duration(days=1),
            pl.col("coverage_pct") >= MIN_COVERAGE_PCT,
            pl.col("coverage_pct").shift(-1).over("site_id") >= MIN_COVERAGE_PCT,
        ).then(pl.col("soc_first_pct").shift(-1).over("site_id") - pl.col("soc_first_pct"))
    )
    is_closed = pl.col("change_pct").is_not_null()
    sums = rows.group_by("site_id").agg(
        dropped_pct=pl.col("discharge_drop_pct").sum(),
        dropped_kwh=pl.col("discharge_drop_kwh").sum(),
        charged_kwh=pl.col("charge_kwh").filter(is_closed).sum(),
        given_kwh=pl.col("discharge_kwh").filter(is_closed).sum(),
        change_pct=pl.col("change_pct").sum(),
        is_level_read=pl.col("soc_first_pct").is_not_null().any(),
    )
    months = sums.with_columns(
        capacity_kwh=pl.when(pl.col("dropped_pct") >= MIN_DROP_PCT).then(
            100 * pl.col("dropped_kwh") / pl.col("dropped_pct")
        )
    ).with_columns(left_kwh=pl.col("capacity_kwh") * pl.col("change_pct") / 100)
    is_enough = (pl.col("charged_kwh") >= MIN_CYCLES * pl.col("capacity_kwh")) & (
        pl.col("left_kwh").abs() <= MAX_LEFT_SHARE * pl.col("charged_kwh")
    )
    efficiency_pct = 100 * (pl.col("given_kwh") + pl.col("left_kwh")) / pl.col("charged_kwh")
    months = months.with_columns(efficiency_pct=pl.when(is_enough).then(efficiency_pct), day=pl.lit(day))
    return months.select(MONTHS.names()).cast(MONTHS).sort("site_id")
