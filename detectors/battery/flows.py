"""What flows into and out of batteries, row by row, and what a battery holds: shared by the battery detectors.

A loss in the battery shows only between equal states of charge (IEC 62933-2-1, definition from memory), so what a
battery holds per per cent of its state of charge is measured on discharge alone, and the round trip is corrected by it.
"""

from collections.abc import Collection
from datetime import date

import polars as pl

from detectors.finding import NotJudged, Series, Verdict, because, channel_series
from detectors.solar.position import daylight_h
from detectors.stats.rows import ordered, with_sites
from detectors.stats.units import in_units

MIN_W = 60.0  # ours: a battery inverter's own standby and a meter's noise lie below it
IDLE_SHARE = 0.01  # class 1 metering (IEC 62053-21) errs by 1 % of its range: below it nothing need flow
FLOWS = ("pv_w", "load_w", "grid_w", "battery_w", "soc_pct")
NEXT_ROW = 1.5  # a row further away than so many intervals is not the next one
PICTURE_MINUTES = 15  # 96 points a day
NO_RESERVE = "the register gives no reserve of the battery"
RESERVE_BAND_PCT = 2.0  # common practice, no source: levels are shown in whole per cent and settle within two


def with_battery(sites: pl.DataFrame) -> pl.DataFrame:
    """The sites that have a battery, in order."""
    return sites.filter(pl.col("battery_kwh") > 0).sort("site_id")


def without_battery(sites: pl.DataFrame, detector: str, day: date) -> list[Verdict]:
    """What a detector of batteries says of the sites that have none."""
    reason = because({}, "without-battery")
    others = sites.filter(~(pl.col("battery_kwh") > 0).fill_null(False))["site_id"].sort()
    return [NotJudged(site_id, day, detector, reason) for site_id in others]


def flows(readings: pl.DataFrame, sites: pl.DataFrame, *more: str) -> pl.DataFrame:
    """The rows of sites with a battery in order of time, as FLOWS and `more` channels, with the register beside them.

    They have the `day` and `unit` of `in_units`.
    What no sensor can show (not finite, a state of charge outside 0 to 100 %) is null. `hours` is what a row stands
    for, cut where the next begins; `idle_w` the power below which a battery rests; `is_next` is false for rows that
    do not follow on the one before. A battery's power that is not reported follows from the balance where that is.
    """
    known = with_battery(sites).select(
        "site_id", "battery_kwh", "battery_reserve_pct", "battery_resume_pct", "battery_backup_floor_pct",
        "feed_in_buffer_w", "nominal_voltage_v", "nominal_frequency_hz",
        rating_w=pl.coalesce("inverter_kw", "installed_kwp") * 1000,
    )  # fmt: skip
    rows = in_units(readings).select(
        "site_id", "day", "unit", "ts_utc", "ts_local", "interval_s", "is_instant", *FLOWS, *more
    )  # fmt: skip
    rows = ordered(with_sites(rows, known), "site_id", "ts_utc")
    step_s = (pl.col("ts_utc").shift(-1) - pl.col("ts_utc")).dt.total_milliseconds() / 1000
    to_next = pl.when(pl.col("site_id") == pl.col("site_id").shift(-1)).then(step_s)
    measured = [pl.when(pl.col(name).is_finite()).then(pl.col(name)).alias(name) for name in (*FLOWS, *more)]
    return (
        rows.with_columns(*measured)
        .with_columns(
            soc_pct=pl.when(pl.col("soc_pct").is_between(0, 100)).then(pl.col("soc_pct")),
            battery_w=pl.coalesce("battery_w", pl.col("load_w") - pl.col("pv_w") - pl.col("grid_w")),
            hours=pl.min_horizontal(pl.col("interval_s").cast(pl.Float64), to_next) / 3600,
            is_next=(to_next.shift(1) <= NEXT_ROW * pl.col("interval_s")).fill_null(False),
            idle_w=pl.max_horizontal(pl.lit(MIN_W), IDLE_SHARE * pl.col("rating_w")),
        )
        .drop("interval_s")
    )


def sunlight(sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """[site_id, noon_utc_h, half_day_h]: solar noon of the day to within 17 min, and half the day's light."""
    return sites.select(
        "site_id",
        noon_utc_h=12 - pl.col("longitude") / 15,
        half_day_h=pl.Series(daylight_h(sites["latitude"].to_numpy(), day)) / 2,
    )


def soc_steps() -> tuple[pl.Expr, pl.Expr]:
    """By how much the state of charge rose from the row before, and rises to the next one; null at gaps.

    An export may show it at the start, in the mean or at the end of an interval: one of the two is the interval's own.
    """
    rise = pl.when("is_next").then(pl.col("soc_pct") - pl.col("soc_pct").shift(1))
    return rise, rise.shift(-1)


def courses(rows: pl.DataFrame, site_ids: Collection[str], *names: str) -> dict[str, tuple[Series, ...]]:
    """Site -> a day's course for the picture: means of the columns, a quarter of an hour apart."""
    own = rows.filter(pl.col("site_id").is_in(list(site_ids)))
    step = max(PICTURE_MINUTES, round((own.select(pl.col("hours").max()).item() or 0) * 60))
    means = (
        own.group_by("site_id", pl.col("ts_utc").dt.truncate(f"{step}m"))
        .agg(pl.col(name).mean().round(2) for name in names)
        .sort("site_id", "ts_utc")
    )
    by_site = means.partition_by("site_id", as_dict=True)
    return {str(site_id): channel_series(part, "ts_utc", *names) for (site_id,), part in by_site.items()}
