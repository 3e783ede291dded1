"""A battery that stays at its reserve although there was surplus to charge it with.

The owner paid for storage that does nothing: the surplus of the day goes out cheaply and the evening is bought dear.
A battery that lies low through a dark week is no fault, so only days with a surplus worth charging count. At a site
that may not feed in such a surplus is curtailed: then generation follows the load, watt by watt, for hours, and stays
below what the sky let expect. Where no state of charge is read, nobody knows the reserve, or it lies a little above it,
a battery that neither takes nor gives anything, with surplus to take and import to save, is idle.
"""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import polars as pl

from detectors.battery.floor_days import MIN_COVERAGE_PCT, tell
from detectors.battery.flows import NO_RESERVE, with_battery, without_battery
from detectors.battery.given import value_per_given_kwh
from detectors.battery.levels import as_evidence, difference, not_learned, reserve_words, with_levels
from detectors.finding import Finding, Kind, NotJudged, Reason, Verdict, because, channel_series, doubts, level, series
from detectors.losses import DayLoss, day_losses

DETECTOR = "battery-at-floor"
KIND = "battery-at-floor"
RANK = 50
KINDS = {
    KIND: Kind(
        title="Battery stays at its reserve",
        hides=("unexplained",),
        hides_why="a battery that takes no charge, and the generation curtailed for it, are unlike the site's past",
        close_after=2,
        where="desk",
        setting="Operating mode and charge schedule",
        now="{charged_today_kwh:.1f} kWh charged of {surplus_today_kwh:.1f} kWh surplus",
        should_be="charges from surplus",
        visit_if="it does not charge on the next day with surplus",
        cause="The battery does not charge: charging is switched off or scheduled away, the battery reports a fault, "
        "or its switch or fuse is open.",
        next_step="Service desk: look at operating mode, charge schedule and the battery's fault list from afar; "
        "send the installer if it still does not charge on the next day with surplus.",
        steps=(
            "Read the battery's fault list and the limits of charge current that it asks for.",
            "Check operating mode, charge schedule and the reserve that is set.",
            "Check the battery's switch, fuses and data cable.",
            "With surplus there, confirm a charge of at least 500 W for 10 minutes and a rising state of charge.",
        ),
        cautions=(
            "Qualified persons only. Isolate AC, then PV DC, then the battery; lock, tag, prove dead, "
            "wait for the capacitors.",
            "A damaged, hot or swollen battery: keep away and follow the emergency instructions.",
            "A backup output can be live with the grid off.",
        ),
    )
}
REASONS = {
    "no-reserve": NO_RESERVE,
    "no-reserve-level-seen": (
        NO_RESERVE + "; discharge stops at {level_pct:.0f} +- {sigma_pct:.0f} %, seen on {seen_count} days, too "
        "unevenly to judge by"
    ),
    "soc-missing": "state of charge missing, and the battery's powers tell nothing on this day",
    "no-surplus": "no surplus to charge with",
    "no-need": "hardly anything was imported that the battery could have saved",
    "low-coverage": "readings cover {coverage_pct:.0f} % of the day",
    "surplus-unknown": "surplus unknown: generation or load missing",
    "charging-unseen": "charging not read, and the surplus was not seen going to the grid",
}

MIN_DAYS = 2  # ours: one day may be an update, a test or a calibration
EDGE_PCT = 12.5  # ours: three hours at a day's edge may be the evening before, on its way down
UNKNOWN_DAYS = 3  # ours: after more days unseen in a row nobody knows that it stayed there
PICTURE_DAYS = 30
IDLE_DAYS = 3  # ours: from power alone a full battery in a quiet house looks alike for a day or two


def detect(
    days: pl.DataFrame,
    battery_day: pl.DataFrame,
    load_following: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    levels: pl.DataFrame | None = None,
    possible: pl.DataFrame | None = None,
    *,
    min_days: int = MIN_DAYS,
) -> list[Verdict]:
    """A finding per site whose battery lay at its reserve on `day` and on the days before, in days with surplus."""
    own_sites = with_levels(with_battery(sites), levels, day)
    verdicts = without_battery(sites, DETECTOR, day)
    if own_sites.is_empty():
        return verdicts
    doubted = doubts(earlier, "time", "grid sign")
    by_day = tell(days.filter(pl.col("day") <= day), [battery_day, load_following, _possible(possible)], own_sites)
    today = {row["site_id"]: row for row in by_day.filter(pl.col("day") == day).iter_rows(named=True)}
    stuck_ids = [site_id for site_id, row in today.items() if row["state"] == "stuck"]
    past = by_day.filter(pl.col("site_id").is_in(stuck_ids)).partition_by("site_id", as_dict=True)
    for site in own_sites.iter_rows(named=True):
        site_id = site["site_id"]
        reason = doubted.get(site_id) or _unknown(site, today.get(site_id))
        if reason is not None:
            verdicts.append(NotJudged(site_id, day, DETECTOR, reason))
        elif (site_id,) in past:
            own = past[(site_id,)]
            stuck = _run(own, day)
            if len(stuck) >= (IDLE_DAYS if today[site_id]["is_by_power"] else min_days):
                verdicts.append(_finding(site, own, today[site_id], stuck, day, min_days))
    return verdicts


def _possible(possible: pl.DataFrame | None) -> pl.DataFrame:
    """[site_id, day, possible_kwh]: what the roof could have generated."""
    if possible is None:
        return pl.DataFrame(schema={"site_id": pl.String, "day": pl.Date, "possible_kwh": pl.Float64})
    return possible.select("site_id", "day", "possible_kwh")


def _unknown(site: Mapping[str, Any], today: Mapping[str, Any] | None) -> Reason | None:
    """Why nothing can be said of the day; None = something can."""
    if today is None:
        return because(REASONS, "no-readings")
    if today["state"] == "unknown" and today["soc_max_pct"] is not None and site["battery_reserve_pct"] is None:
        seen = not_learned(site)
        return because(REASONS, "no-reserve-level-seen", **seen) if seen else because(REASONS, "no-reserve")
    if today["state"] == "dark":
        had = today["has_surplus"] or today["was_held"]
        return because(REASONS, "no-need" if today["is_by_power"] and had else "no-surplus")
    coverage_pct = 100.0 if today["coverage_pct"] is None else today["coverage_pct"]
    if today["state"] != "unknown" and coverage_pct >= EDGE_PCT:
        return None
    if coverage_pct < MIN_COVERAGE_PCT:
        return because(REASONS, "low-coverage", coverage_pct=today["coverage_pct"])
    if today["soc_max_pct"] is None:
        return because(REASONS, "soc-missing")
    if today["surplus_here_kwh"] is None:
        return because(REASONS, "surplus-unknown")
    return because(REASONS, "charging-unseen")


def _run(by_day: pl.DataFrame, day: date) -> list[date]:
    """The stuck days of the run that ends on `day`, oldest first; dark days neither count nor break it."""
    states = dict(by_day.select("day", "state").iter_rows())
    stuck, unseen, then = [], 0, day
    first = by_day["day"][0]
    while then >= first and unseen <= UNKNOWN_DAYS:
        state = states.get(then, "unknown")
        if state == "moved":
            break
        unseen = unseen + 1 if state == "unknown" else 0
        if state == "stuck":
            stuck.append(then)
        then -= timedelta(days=1)
    return stuck[::-1]


def _finding(
    site: Mapping[str, Any], by_day: pl.DataFrame, today: Mapping[str, Any], stuck: list[date], day: date, min_days: int
) -> Finding:
    shown = by_day.tail(PICTURE_DAYS)
    missed_kwh, each = today["missed_kwh"] or 0.0, value_per_given_kwh(site)
    reserve_pct = site["battery_reserve_pct"]
    charge = channel_series(shown, "day", "soc_min_pct", "soc_max_pct")
    surplus = series("surplus", "kWh", "measured", shown["day"], shown["surplus_here_kwh"])
    is_idle = today["is_by_power"]
    words = _idle_words(today, len(stuck), reserve_pct) if is_idle else _floor_words(site, today, len(stuck))
    summary, measured, expected = words
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity="soon",
        value=float(len(stuck)),
        unit="days",
        threshold=float(IDLE_DAYS if is_idle else min_days),
        summary=summary,
        measured=measured,
        expected=expected,
        since=stuck[0],
        loss_kwh=missed_kwh,
        cost=missed_kwh * each,
        losses=_losses(by_day, each, stuck[0], day),
        evidence={
            "stuck_count": len(stuck),
            "earliest_day": _earliest(by_day, stuck[0]).isoformat(),
            "latest_day": stuck[0].isoformat(),
            "reserve_pct": reserve_pct,
            "capacity_kwh": today["capacity_kwh"],
            "surplus_today_kwh": today["surplus_here_kwh"],
            "charged_today_kwh": today["charge_kwh"],
            "curtailed_h": today["held_h"],
            "curtailed_kwh": today["curtailed_kwh"],
            "possible_kwh": today["possible_kwh"],
            **as_evidence(site),
        },
        series=(*charge, *level("reserve", "%", "limit", reserve_pct, charge[0]), surplus),
    )


def _had(today: Mapping[str, Any]) -> str:
    """What there was to charge with."""
    if not today["was_held"]:
        return f"{today['surplus_here_kwh'] or 0.0:.1f} kWh were there to charge with"
    curtailed = f"generation was held down to the load for {today['held_h']:.1f} h"
    if today["curtailed_kwh"]:
        return f"{curtailed}, {today['curtailed_kwh']:.1f} kWh or more below what the sky let expect"
    return curtailed


def _floor_words(site: Mapping[str, Any], today: Mapping[str, Any], count: int) -> tuple[str, str, str]:
    """Summary, measured and expected of a battery at its reserve."""
    had = _had(today)
    return (
        f"Battery at its reserve of {reserve_words(site)} for {count} days with surplus; on the last one {had}."
        f"{difference(site)}",
        f"state of charge {today['soc_min_pct']:.0f} to {today['soc_max_pct']:.0f} %, while {had}",
        f"a state of charge that leaves {reserve_words(site)} on a day with surplus",
    )


def _idle_words(today: Mapping[str, Any], count: int, reserve_pct: float | None) -> tuple[str, str, str]:
    """The same of one whose level is not read, whose reserve nobody knows, or that lies a little above it."""
    moved_kwh = today["charge_kwh"] + today["discharge_kwh"]
    had = f"{_had(today)} and {today['import_kwh']:.1f} kWh were bought"
    lies = "Its state of charge is not read."
    if today["soc_max_pct"] is not None:
        knows = "nobody knows its reserve" if reserve_pct is None else f"its reserve is {reserve_pct:g} %"
        lies = f"It lies at {today['soc_min_pct']:.0f} %; {knows}."
    worked = ", though it once worked" if today["once_worked"] else ""
    return (
        f"Battery idle for {count} days with surplus and import{worked}; on the last one {had}. {lies}",
        f"{moved_kwh:.1f} kWh charged and discharged, while {had}",
        "a battery that takes surplus or saves import on such a day",
    )


def _earliest(by_day: pl.DataFrame, first: date) -> date:
    """The first day on which it may have begun: after the last one before `first` that was seen to leave the floor."""
    moved = by_day.filter(pl.col("state") == "moved", pl.col("day") < first)["day"].max()
    began = by_day["day"].min()
    assert isinstance(began, date)
    return moved + timedelta(days=1) if isinstance(moved, date) else began


def _losses(by_day: pl.DataFrame, each: float, since: date, day: date) -> tuple[DayLoss, ...]:
    known = by_day.with_columns(
        pl.when(pl.col("day") == day).then(pl.col("missed_kwh").fill_null(0.0)).otherwise("missed_kwh")
    )
    return day_losses(known["day"], known["missed_kwh"], each, since=since, until=day)
