"""What the pages of sites say: a month of energies, a week of powers, the clock, what was learned, every exception."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, timedelta
from math import isfinite
from typing import Any

import polars as pl

import detectors
from detectors import features as stored_features
from pipeline import digest as pages
from pipeline.digest.amounts import count
from pipeline.digest.exception_facts import Known, exception_facts
from pipeline.digest.page import MAP_ROWS, map_rows
from pipeline.digest.regions import regions
from pipeline.digest.site_page import NO_COURSE, Course, Entry, SiteFacts
from pipeline.exceptions.changes import Folded
from pipeline.register.model import Site
from pipeline.runs.session import Opened
from pipeline.store import features, history
from pipeline.timezones.local_time import day_start
from pipeline.timezones.zones import tzinfo_of

MONTH_DAYS = 30  # of a site's page
CLOCK_DAYS = 60  # of the picture of its clock
WEEK_DAYS = 7
WEEK_CHANNELS = ("pv_w", "load_w", "grid_w", "soc_pct")
LEARNED_DAYS = 400  # as far back as what was learned of a roof still counts on its page: a year and a month
EVERY_SITE = MAP_ROWS  # of so many sites each has its page, as the map names them all; of more those that it names


def sites_of(run: Opened, facts: pages.DigestFacts, folded: Folded) -> list[SiteFacts]:
    """What the pages of the sites say that the digest names; of every site where the fleet is small."""
    store, day = run.store, facts.day
    wanted = _named(facts)
    if len(run.register.sites) <= EVERY_SITE:
        wanted |= set(run.register.sites)
    ids = sorted(wanted & set(run.register.sites))
    sites = store.sites().filter(pl.col("site_id").is_in(ids))
    days = history.site_days(store, day - timedelta(days=MONTH_DAYS - 1), day)
    month = _by_site(days.filter(pl.col("site_id").is_in(ids)))
    week = _by_site(_hours(run, day, ids))
    clock = _clock_courses(run, sites, day)
    models, odds = (_newest(run, name, day, ids) for name in ("site_model", "yield_odds"))
    shade = _by_site(_feature(run, "shade", day - timedelta(days=MONTH_DAYS - 1), day, ids).sort("site_id", "day"))
    exceptions = _exceptions_of(facts, folded, sites)
    places = regions(store.sites())
    return [
        SiteFacts(
            site_id=site_id,
            site_name=run.register.sites[site_id].name or site_id,
            region=places.get(site_id, ""),
            timezone=run.register.sites[site_id].timezone,
            day=day,
            reserve_pct=run.register.sites[site_id].battery_reserve_pct,
            registered=_register_entries(run, run.register.sites[site_id]),
            model=[
                *_model_entries(models.get(site_id), odds.get(site_id)),
                *shade_entries(shade.get(site_id), run.register.sites[site_id].timezone),
            ],
            days=_day_course(month.get(site_id)),
            week=_week_course(week.get(site_id)),
            clock=clock.get(site_id, NO_COURSE),
            exceptions=exceptions.get(site_id, []),
        )
        for site_id in ids
    ]


def _named(facts: pages.DigestFacts) -> set[str]:
    listed = (*facts.exceptions, *facts.snoozed, *facts.closed)
    return {one.site_id for one in listed} | {row.site_id for row in map_rows(facts.map, facts.exceptions)}


def _by_site(frame: pl.DataFrame) -> dict[str, pl.DataFrame]:
    return {str(key): part for (key,), part in frame.partition_by("site_id", as_dict=True).items()}


def _hours(run: Opened, day: date, ids: list[str]) -> pl.DataFrame:
    """Hourly means of the last week's good values: site_id, ts_utc and the powers."""
    wanted = ("site_id", "ts_utc", "covered_s", *WEEK_CHANNELS)
    first = day - timedelta(days=WEEK_DAYS - 1)
    hours = _feature(run, "site_hour", first, day, ids, wanted)
    zones = {site_id: run.register.sites[site_id].timezone for site_id in ids}
    begins = {site_id: day_start(zone, first) for site_id, zone in zones.items()}
    begin = pl.col("site_id").replace_strict(begins, return_dtype=pl.Datetime("us", "UTC"), default=None)
    # In zones of half hours, midnight cuts an hour in two, with a row for each of its days.
    of_rows = {name: pl.when(pl.col(name).is_not_null()).then("covered_s").sum() for name in WEEK_CHANNELS}
    return (
        hours.group_by("site_id", pl.col("ts_utc").dt.replace_time_zone("UTC"))
        .agg(
            pl.when(weight > 0).then((pl.col(name) * pl.col("covered_s")).sum() / weight).alias(name)
            for name, weight in of_rows.items()
        )
        .with_columns(ts_utc=pl.max_horizontal("ts_utc", begin))
        .sort("site_id", "ts_utc")
    )


def _week_course(rows: pl.DataFrame | None) -> Course:
    if rows is None or rows.is_empty():
        return NO_COURSE
    xs = rows["ts_utc"].dt.epoch("s").cast(pl.Float64).to_list()
    return Course(xs=xs, values={name: _rounded(rows[name]) for name in WEEK_CHANNELS})


def _day_course(rows: pl.DataFrame | None) -> Course:
    if rows is None or rows.is_empty():
        return NO_COURSE
    return Course(
        xs=[float(day.toordinal()) for day in rows["day"]],
        values={"actual": _rounded(rows["pv_kwh"]), "expected": _rounded(rows["expected_kwh"])},
    )


def _rounded(values: pl.Series) -> list[float | None]:
    return [None if v is None or not isfinite(v) else round(v, 3) for v in values.to_list()]


def _clock_courses(run: Opened, sites: pl.DataFrame, day: date) -> dict[str, Course]:
    """Of each site's first device: the offset of its stamps against the sun, as each day's run told it."""
    ids = sites["site_id"].to_list()
    offsets = _feature(run, "clock_day", day - timedelta(days=CLOCK_DAYS - 1), day, ids)
    courses: dict[str, Course] = {}
    for (site_id, _), rows in (
        offsets.sort("site_id", "device_id", "day")
        .partition_by(["site_id", "device_id"], as_dict=True, maintain_order=True)
        .items()
    ):
        xs = [float(one.toordinal()) for one in rows["day"]]
        courses.setdefault(str(site_id), Course(xs=xs, values={"offset": _rounded(rows["offset_min"])}))
    return {site_id: courses[site_id] for site_id in ids if site_id in courses}


def _feature(
    run: Opened, name: str, first: date, last: date, ids: Sequence[str], columns: Sequence[str] = ()
) -> pl.DataFrame:
    return features.read_of(run.store, stored_features.load()[name], first, last, ids, columns)


def _newest(run: Opened, name: str, day: date, ids: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Site -> its newest row of a feature that is learned anew from time to time."""
    feature = stored_features.load()[name]
    rows = features.newest_of(run.store, feature, day - timedelta(days=LEARNED_DAYS), day, ids)
    return {row["site_id"]: row for row in rows.iter_rows(named=True)}


def _exceptions_of(
    facts: pages.DigestFacts, folded: Folded, sites: pl.DataFrame
) -> dict[str, list[pages.ExceptionFacts]]:
    """Every exception of each site: open ones as the digest has them, then the others, the latest first."""
    by_id = {one.exception_id: one for one in (*facts.exceptions, *facts.snoozed, *facts.closed)}
    register = {row["site_id"]: row for row in sites.iter_rows(named=True)}
    events: dict[str, list[dict[str, Any]]] = {}
    for row in folded.events.iter_rows(named=True):
        events.setdefault(row["exception_id"], []).append(row)
    kinds = detectors.kinds()
    found: dict[str, list[pages.ExceptionFacts]] = {}
    for row in folded.exceptions.sort("first_day", descending=True).iter_rows(named=True):
        own, site = row["exception_id"], register.get(row["site_id"])
        if site is None or row["kind"] not in kinds:
            continue
        one = by_id.get(own)
        if one is None:
            known = Known(None, events.get(own, []), [], [])
            one = exception_facts(facts.day, row, site, kinds, known, "", {}).model_copy(update={"change": ""})
        found.setdefault(row["site_id"], []).append(one)
    return {site_id: sorted(part, key=lambda one: one.closed_on is not None) for site_id, part in found.items()}


def _entries(values: Iterable[tuple[str, object, str]]) -> list[Entry]:
    known = ((label, value, unit) for label, value, unit in values if value not in (None, ""))
    return [
        Entry(label, f"{value:g}{unit}" if isinstance(value, float) else f"{value}{unit}")
        for label, value, unit in known
    ]


def _register_entries(run: Opened, site: Site) -> list[Entry]:
    installer = run.register.installers.get(site.installer_id or "")
    limit = "none" if site.feed_in_limit_kw is None else f"{site.feed_in_limit_kw:g} kW"
    return _entries([
        ("Installed", site.installed_kwp, " kWp"),
        ("Inverter", site.inverter_kw, " kW"),
        ("Tilt", site.tilt_deg, "°"),
        ("Azimuth", site.azimuth_deg, "° from north"),
        ("Feed-in limit", limit, ""),
        ("Import limit", site.import_limit_kw, " kW"),
        ("Battery", site.battery_kwh, " kWh"),
        ("Reserve", site.battery_reserve_pct, " %"),
        ("Place", f"{site.latitude:.4f}, {site.longitude:.4f}", ""),
        ("Zone", site.timezone, ""),
        ("Zone of exports", site.export_timezone if site.export_timezone != site.timezone else None, ""),
        ("Prices", f"{site.import_price:g} import, {site.feed_in_price:g} feed-in, {site.currency} per kWh", ""),
        ("Installer", installer.name if installer and installer.name else site.installer_id, ""),
        ("Since", site.commissioned_on, ""),
        ("Address", site.address, ""),
        ("Contact", site.contact, ""),
        ("Phone", site.phone, ""),
        ("Access", site.access_note, ""),
    ])  # fmt: skip


def _model_entries(model: Mapping[str, Any] | None, odds: Mapping[str, Any] | None) -> list[Entry]:
    """What clear days told of the roof, and what a fault of its yield would show at present."""

    def with_sigma(value: str, sigma: str, unit: str) -> str | None:
        if model is None or model[value] is None:
            return None
        margin = "" if model[sigma] is None else f" ± {model[sigma]:.1f}"
        return f"{model[value]:.1f}{margin}{unit}"

    def of_odds(name: str) -> int | None:
        return None if odds is None or odds[name] is None else round(odds[name])

    shows_days = of_odds("days_to_show_30_pct")

    return _entries([
        ("Tilt", with_sigma("tilt_deg", "tilt_spread_deg", "°"), ""),
        ("Azimuth", with_sigma("azimuth_deg", "azimuth_spread_deg", "° from north"), ""),
        ("Capacity", with_sigma("capacity_kwp", "capacity_spread_kwp", " kWp"), ""),
        ("Clear days", None if model is None else model["clear_days"], ""),
        ("As of", None if model is None else model["day"], ""),
        ("Shows in a week", of_odds("shows_in_week_pct"), " % missing"),
        ("Shows 30 % missing", None if shows_days is None else count(shows_days, "day"), " after it began"),
    ])  # fmt: skip


def shade_entries(rows: pl.DataFrame | None, zone: str) -> list[Entry]:
    """One sentence about the shade of the last month, from rows of the feature in their order; nothing without any."""
    if rows is None or rows.is_empty() or not rows["shaded_h"][-1]:
        return []
    last = rows.row(-1, named=True)
    begin, end = (last[name].replace(tzinfo=UTC).astimezone(tzinfo_of(zone)) for name in ("from_utc", "until_utc"))
    lost, possible = float(rows["shade_kwh"].sum()), float(rows["possible_kwh"].sum())
    said = (
        f"{begin:%H:%M} to {end:%H:%M}, the sun at {last['sun_from_deg']:.0f} to {last['sun_until_deg']:.0f}° from "
        f"north and up to {last['below_deg']:.0f}° high: {lost:.0f} kWh in {rows.height} days, "
        f"{100 * lost / max(lost + possible, 1e-9):.0f} % of what the roof could have made; no fault"
    )
    return [Entry("Shade", said)]
