"""The map of days: a row per site, a cell per day, the newest beside the site's name."""

import statistics
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import polars as pl

from pipeline.digest.model import FleetMap, MapRow, plain

MAP_DAYS = 28  # four weeks: a fault within a week, and what was usual before it
RECENT_DAYS = 7
MIN_IN_REGION = 3  # ours: the middle one of three is no single site's; a lone one would always make 100 % of itself


def fleet_map(day: date, site_days: pl.DataFrame, sites: pl.DataFrame, region_of: Mapping[str, str]) -> FleetMap:
    """Performance in %; a site of no known performance is set against the median yield per kWp of its region's day."""
    days = [day - timedelta(days=ago) for ago in range(MAP_DAYS)]
    watched = sites.filter(pl.col("watched").fill_null(True)).select("site_id", "name")
    known = _with_shares(site_days.filter(pl.col("day").is_between(days[-1], day)), watched, region_of)
    by_site: dict[str, dict[date, dict[str, Any]]] = {}
    for one in known.iter_rows(named=True):
        by_site.setdefault(one["site_id"], {})[one["day"]] = one
    rows = [
        _row(site_id, name, by_site[site_id], days, region_of)
        for site_id, name in watched.iter_rows()
        if site_id in by_site
    ]
    rows = [row for row in rows if any(row.readings)]
    rows.sort(key=lambda row: (not row.is_dark, row.is_judged or not _has_any(row), _recent(row.values), row.site_id))
    columns = [[v for v in column if v is not None] for column in zip(*(row.values for row in rows), strict=True)]
    medians = [_percent(statistics.median(c)) if c else None for c in columns] or [None] * MAP_DAYS
    return FleetMap(days=days, median=medians, rows=rows)


def _with_shares(site_days: pl.DataFrame, watched: pl.DataFrame, region_of: Mapping[str, str]) -> pl.DataFrame:
    """The watched sites' days with `shown`, in %, and `is_known`: whether any performance of the site is."""
    places = pl.DataFrame(
        {"site_id": list(region_of), "region": list(region_of.values())},
        schema={"site_id": pl.String, "region": pl.String},
    )
    fleet = site_days.join(watched.select("site_id"), on="site_id", how="semi").join(places, on="site_id", how="left")
    own = pl.col("specific_yield_kwh_per_kwp")
    median = pl.when(own.count() >= MIN_IN_REGION).then(own.median()).over("day", "region")
    return fleet.with_columns(
        relative=pl.when(median > 0).then(pl.col("specific_yield_kwh_per_kwp") / median * 100),
        is_known=pl.col("performance_pct").is_not_null().any().over("site_id"),
    ).select(
        "site_id",
        "day",
        "readings",
        "is_known",
        shown=pl.when("is_known").then("performance_pct").otherwise("relative"),
    )


def _row(
    site_id: str,
    name: str,
    by_day: Mapping[date, Mapping[str, Any]],
    days: Sequence[date],
    region_of: Mapping[str, str],
) -> MapRow:
    values = [_percent(by_day[day]["shown"]) if day in by_day else None for day in days]
    readings = [day in by_day and (by_day[day]["readings"] or 0) > 0 for day in days]
    is_known = next(iter(by_day.values()))["is_known"]
    return MapRow(
        site_id=site_id,
        site_name=plain(name) or site_id,
        region=region_of.get(site_id, ""),
        basis="performance" if is_known else "region",
        is_dark=not readings[0],
        is_judged=values[0] is not None,
        values=values,
        readings=readings,
    )


def _has_any(row: MapRow) -> bool:
    """Whether anything is known of one of its days: of one that stands alone nothing ever is, which is no news."""
    return any(value is not None for value in row.values)


def _percent(value: float | None) -> int | None:
    return None if value is None or value != value or abs(value) == float("inf") else round(value)


def _recent(values: Sequence[int | None]) -> float:
    known = [value for value in values[:RECENT_DAYS] if value is not None]
    return sum(known) / len(known) if known else float("inf")
