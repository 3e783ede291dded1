"""A battery that stops discharging well above its reserve while the house buys from the grid.

Mostly a schedule's floor left high at commissioning: the owner paid for a battery and uses a part of it. Where
discharge stops is read off the evenings and nights in which the house imports and the battery rests. A battery that
waits, after a stop at its reserve, until it is charged enough to resume is healthy; so is one that gives all it can
while the house asks for more; and a battery that was never asked for shows nothing. One that lies full since anybody
looks, of a reserve that nobody knows, may be kept for outages: it is to watch.
"""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import polars as pl

from detectors.battery.flows import NO_RESERVE, courses, flows, with_battery, without_battery
from detectors.battery.given import could_give, missed_kwh, value_per_given_kwh
from detectors.battery.levels import as_evidence, difference, not_learned, reserve_words, with_bound, with_levels
from detectors.battery.rest_states import LEVEL_BAND_PCT, MARGIN_PCT, day_states, stuck_run
from detectors.battery.short_evenings import LOOK_BACK_DAYS, Short, short_evenings, short_finding
from detectors.finding import (
    EvidenceValue,
    Finding,
    Kind,
    NotJudged,
    Reason,
    Series,
    Verdict,
    because,
    doubts,
    level,
    series,
)
from detectors.losses import day_losses

DETECTOR = "battery-not-discharging"
KIND = "battery-not-discharging"
RANK = 50
KINDS = {
    KIND: Kind(
        title="Battery stops discharging above its reserve",
        close_after=2,
        where="desk",
        setting="Lowest state of charge in its schedules, and its reserve",
        now="stops at {level_pct:.0f} %",
        should_be="{reserve_pct:.0f} %",
        visit_if="the levels are set as agreed and it still stops there",
        cause="The schedule's lowest state of charge was left high (80 % is often found), a backup reserve was raised, "
        "or discharging is switched off.",
        next_step="Service desk: compare the level found with the reserve in the register; lower the schedule's floor "
        "from afar, or ask the owner whether the level is meant.",
        steps=(
            "Read the lowest state of charge in every schedule and the reserve for backup.",
            "Set them to what was agreed and note it in the register.",
            "Check that the grid sensor reads import when a load of 1 kW is switched on in the dark.",
            "In the evening, confirm that discharge follows that load below the level found.",
        ),
        cautions=(
            "Qualified persons only. Isolate AC, then PV DC, then the battery; lock, tag, prove dead, "
            "wait for the capacitors.",
            "A backup output can be live with the grid off.",
        ),
    )
}
SOC_MISSING = "level-missing"
REASONS = {
    SOC_MISSING: "{channel} missing, and no evening since a full charge tells it by energy",
    "no-reserve": NO_RESERVE,
    "no-reserve-level-seen": (
        NO_RESERVE
        + "; discharge stops at {level_pct:.0f} +- {sigma_pct:.0f} %, seen on {seen_count} days, too unevenly "
        "to judge by"
    ),
    "channel-missing": "{channel} missing",
    "never-together": "battery, grid and state of charge never known together",
    "soc-still": "state of charge stands still while energy flows",
    "grid-repeats": "grid meter repeats one value",
    "hardly-asked-for": "the battery was hardly asked for: the house drew next to nothing from it or the grid",
    "waits-for-charge": "waits at {level_pct:.0f} % to be charged enough to resume discharge",
    "peak-shaving": "peak shaving is set: the battery may be kept for peaks",
    "changing-levels": (
        "rested at changing levels while the house imported: a schedule by the clock, rather than a floor"
    ),
    "few-evenings": "stopped at {level_pct:.0f} % on {evenings} of the {needed} evenings asked for",
    "low-coverage": "battery, grid and charge known for {seen_h:.0f} h of the day",
    "not-drawn-down": "was not drawn down to {level_pct:.0f} %, where it had stopped before",
}

MIN_EVENINGS = 3  # common practice: a schedule's floor left high shows over 3 evenings
MIN_SEEN_H = 12.0  # ours: with less than half a day known, a quiet day proves nothing
PICTURE_DAYS = 30


def detect(
    readings: pl.DataFrame,
    battery_rests: pl.DataFrame,
    days: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    levels: pl.DataFrame | None = None,
    level_day: pl.DataFrame | None = None,
    *,
    min_evenings: int = MIN_EVENINGS,
) -> list[Verdict]:
    """A finding per site whose battery stopped above its reserve on `day` and on evenings before, in % of charge."""
    own_sites = with_bound(with_levels(with_battery(sites), levels, day), battery_rests, day)
    verdicts = without_battery(sites, DETECTOR, day)
    if own_sites.is_empty():
        return verdicts
    doubted = doubts(earlier, "time", "grid sign", "balance", "charge")
    states = day_states(battery_rests.filter(pl.col("day") <= day), own_sites)
    today = {row["site_id"]: row for row in states.filter(pl.col("day") == day).iter_rows(named=True)}
    stuck_ids = states.filter(pl.col("state") == "stuck")["site_id"].unique()
    past = states.filter(pl.col("site_id").is_in(stuck_ids.implode())).partition_by("site_id", as_dict=True)
    raised: dict[str, pl.DataFrame] = {}
    for site in own_sites.iter_rows(named=True):
        site_id = site["site_id"]
        said = doubted.get(site_id) or _judge(site, today.get(site_id), past.get((site_id,)), day, min_evenings)
        if site["battery_reserve_pct"] is None:
            seen = not_learned(site)
            silent = because(REASONS, "no-reserve-level-seen", **seen) if seen else because(REASONS, "no-reserve")
            is_unread = isinstance(said, Reason) and said.code == SOC_MISSING
            said = doubted.get(site_id) or (said if is_unread else silent)
        if isinstance(said, Reason) and said.code == SOC_MISSING and level_day is not None:
            own = level_day.filter(pl.col("site_id") == site_id, pl.col("day") <= day)
            short = short_evenings(own, day, min_evenings)
            if short is True:
                continue
            if isinstance(short, Short):
                verdicts.append(short_finding(KIND, site, short, day))
                continue
        if isinstance(said, Reason):
            verdicts.append(NotJudged(site_id, day, DETECTOR, said))
        elif said is not None:
            raised[site_id] = said
    could = could_give(states, days, own_sites)
    raising = own_sites.filter(pl.col("site_id").is_in(list(raised)))
    pictures = courses(flows(readings, raising), raised, "soc_pct", "grid_w")
    for site in raising.iter_rows(named=True):
        site_id = site["site_id"]
        own = raised[site_id]
        given = could.filter(pl.col("site_id") == site_id, pl.col("day").is_between(own["day"][0], day))
        bounds = _first_day_bounds(states.filter(pl.col("site_id") == site_id), own["day"][0])
        found = _finding(site, own, given, pictures.get(site_id, ()), day, min_evenings)
        verdicts.append(found.model_copy(update={"evidence": {**found.evidence, **bounds}}))
    return verdicts


def _first_day_bounds(states: pl.DataFrame, first: date) -> dict[str, EvidenceValue]:
    """The days between which it began: after the last one, before `first`, that showed it healthy, and `first`."""
    healthy = states.filter(pl.col("state") == "clear", pl.col("day") < first)["day"].max()
    earliest = healthy + timedelta(days=1) if isinstance(healthy, date) else states["day"].min()
    assert isinstance(earliest, date)
    return {"earliest_day": earliest.isoformat(), "latest_day": first.isoformat()}


def _judge(
    site: Mapping[str, Any],
    today: Mapping[str, Any] | None,
    past: pl.DataFrame | None,
    day: date,
    min_evenings: int,
) -> pl.DataFrame | Reason | None:
    """The stuck days up to today; a reason why that can't be told; None = healthy."""
    if today is None:
        return because(REASONS, "no-readings")
    for name, what in (("battery", "battery power"), ("grid", "grid meter"), ("soc", "state of charge")):
        if not today[f"{name}_h"]:
            return because(REASONS, SOC_MISSING if name == "soc" else "channel-missing", channel=what)
    state = today["state"]
    if state == "unknown":
        if not today["seen_h"]:
            return because(REASONS, "never-together")
        return because(REASONS, "soc-still" if today["is_still"] else "grid-repeats")
    if state == "unneeded":
        return because(REASONS, "hardly-asked-for")
    if state == "waits":
        return because(REASONS, "waits-for-charge", level_pct=today["level_pct"])
    stuck = stuck_run(past) if past is not None else None
    if state == "clear":
        return _clear(site, today, stuck)
    if site["import_limit_kw"] is not None:
        return because(REASONS, "peak-shaving")
    if state == "scattered" or stuck is None:
        return because(REASONS, "changing-levels")
    gave = stuck["lowest_use_pct"].drop_nulls()
    at_one_level = stuck.filter((pl.col("level_pct") - today["level_pct"]).abs() <= LEVEL_BAND_PCT)
    # A battery that gives nothing at all has no level of its own: it rests wherever charging left it.
    counted = stuck if gave.is_empty() else at_one_level
    evenings = counted.filter(pl.col("day") > day - timedelta(days=LOOK_BACK_DAYS)).height
    if evenings < min_evenings:
        return because(REASONS, "few-evenings", level_pct=today["level_pct"], evenings=evenings, needed=min_evenings)
    return counted


def _clear(site: Mapping[str, Any], today: Mapping[str, Any], stuck: pl.DataFrame | None) -> Reason | None:
    """None where the day shows a healthy battery; a reason where it says nothing of the level where it had stopped."""
    if today["seen_h"] < MIN_SEEN_H:
        return because(REASONS, "low-coverage", seen_h=today["seen_h"])
    if stuck is None or stuck.is_empty():
        return None
    level_pct = float(stuck["level_pct"][-1])
    low = min(x for x in (today["lowest_use_pct"], today["level_pct"], 100.0) if x is not None)
    if low < max(level_pct - LEVEL_BAND_PCT, site["battery_reserve_pct"] + MARGIN_PCT):
        return None
    return because(REASONS, "not-drawn-down", level_pct=level_pct)


def _finding(
    site: Mapping[str, Any],
    stuck: pl.DataFrame,
    given: pl.DataFrame,
    picture: tuple[Series, ...],
    day: date,
    min_evenings: int,
) -> Finding:
    today = stuck.row(-1, named=True)
    reserve_pct = site["battery_reserve_pct"]
    level_pct = stuck.select(pl.col("level_pct").median()).item()
    missed, each = missed_kwh(given), value_per_given_kwh(site)
    shown = stuck.tail(PICTURE_DAYS)
    gave_kwh = float(stuck["discharge_kwh"].sum())
    how = "stops discharging" if stuck["lowest_use_pct"].count() else "gives nothing"
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity="watch" if site["is_reserve_assumed"] else "soon",
        value=level_pct,
        unit="%",
        threshold=reserve_pct + MARGIN_PCT,
        summary=f"Battery {how} at {level_pct:.0f} % while the house imports; its reserve is {reserve_words(site)}. "
        f"Seen on {stuck.height} days; on the last one {today['rest_kwh']:.1f} kWh were imported meanwhile."
        f"{difference(site)}",
        measured=f"at rest at {level_pct:.0f} % for {today['rest_h']:.1f} h in which {today['rest_kwh']:.1f} kWh were "
        "imported",
        expected=f"discharge down to {reserve_words(site)} while the house imports",
        since=stuck["day"][0],
        loss_kwh=missed[-1],
        cost=missed[-1] * each,
        losses=day_losses(given["day"], missed, each, since=stuck["day"][0], until=day),
        evidence={
            "level_pct": level_pct,
            "reserve_pct": reserve_pct,
            "resume_pct": site["battery_resume_pct"],
            "evenings_count": stuck.height,
            "threshold_evenings_count": min_evenings,
            "rest_h": today["rest_h"],
            "rest_kwh": today["rest_kwh"],
            "unused_kwh": given["band_kwh"][-1],
            "discharged_kwh": gave_kwh,
            **as_evidence(site),
        },
        series=(
            *picture,
            *(level("reserve", "%", "limit", reserve_pct, picture[0]) if picture else ()),
            series("stopped at", "%", "measured", shown["day"], shown["level_pct"]),
            series("imported", "kWh", "measured", shown["day"], shown["rest_kwh"]),
        ),
    )
