"""The yield faults that are open at each site, carried from night to night: opened, diagnosed, followed, closed."""

from collections.abc import Collection, Mapping
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from detectors.stats.rows import last_rows
from detectors.yields import diagnosis, half_hours
from detectors.yields.capacity_doubts import (
    RECENT_DAYS,
    is_beyond,
    is_within,
    levels_around,
    may_be_turned,
    may_be_unseen,
    of_unknown_planes,
)
from detectors.yields.case_days import level_since, passing_part
from detectors.yields.day_residual import weighted_median
from detectors.yields.diagnosis import Case, Odds
from detectors.yields.fleet_day import column
from detectors.yields.half_hours import MAX_INPUTS
from detectors.yields.history import History, is_alive, is_dark, of_site
from detectors.yields.kinds import CAPACITY_MISMATCH, NO_GENERATION, UNDERPERFORMANCE
from detectors.yields.missing_part import Parts, each_plane_w, part_of
from detectors.yields.night import Night
from detectors.yields.sequential_test import CLOSE, OPEN

CASE = pl.Schema(
    {
        "site_id": pl.String(),
        "day": pl.Date(),
        "kind": pl.String(),
        "opened_on": pl.Date(),
        "first_day": pl.Date(),  # from which the fault is judged to have been there
        "earliest_day": pl.Date(),  # its 95 % interval
        "latest_day": pl.Date(),
        "before": pl.Float64(),  # log of the level before; 0 if it was there from the first day
        "after": pl.Float64(),
        "share_of_days": pl.Float64(),  # on which a fall that comes and goes was there; null = on all
        "input": pl.Int32(),  # from 1; 0 = none
        "log_odds": pl.Float64(),
        "is_sure": pl.Boolean(),  # its log odds have exceeded the threshold; else it is one to watch
        "expected_kwh": pl.Float64(),  # of the day's usable intervals; null = nobody can say
        "actual_kwh": pl.Float64(),
        "usual_kwh": pl.Float64(),  # mean of the expected energy before: what a day is worth where nobody can say
    }
)
PRIOR_SIGMA = 0.1  # ours: of a level before the change
USUAL_DAYS = 14
LASTING_DAYS, LASTING_AT = 7, 1.5  # ours: nights on which a fault was four times as likely as none: one to watch
LASTING_WITHIN_DAYS = 14  # ours: of these nights, those on which the day told something
# Measured: after 60 days 49 healthy limited roofs that had so much to judge by lay within 0.10 of the register's level
# (root mean square, 39 of unknown planes), as 118 of unknown planes without a limit did within 0.09.
FREE_KWH = 2.0  # usable kWh per kWp of a good day
STILL_DAYS = 3  # ours: of so many days that told something, most lie at the level that is there now
NAMED_WITHIN_DAYS = 28  # ours: a string shows its share within a month, and a limited roof tells of one day in three


def follow(
    night: Night,
    odds: pl.DataFrame,
    residuals: pl.DataFrame,
    half_hourly: pl.DataFrame,
    known_cases: pl.DataFrame,
    *,
    open_at: float = OPEN,
    close_at: float = CLOSE,
    lasting: Collection[str] = (),
) -> pl.DataFrame:
    """CASE rows of the judged day.

    A case opens where the log odds exceed `open_at`, and to be watched at the sites of `lasting`.

    `odds` are ODDS of the day, `residuals` RESIDUAL and `half_hourly` HALF_HOURLY up to it, `known_cases` those that
    were open before it, one CASE row each.
    """
    fleet = night.fleet
    day = fleet.day
    open_cases = {row["site_id"]: row for row in known_cases.iter_rows(named=True)}
    highest = pl.max_horizontal(
        "log_odds_fall", "log_odds_rise", pl.col("log_odds_input").list.max().fill_null(-20.0)
    )  # fmt: skip
    is_open = pl.col("site_id").is_in(list(open_cases))
    is_lasting = pl.col("site_id").is_in(list(lasting)) & (highest > LASTING_AT)
    asked = odds.filter((highest > open_at) | is_lasting | is_open)
    place = {site_id: n for n, site_id in enumerate(fleet.sites["site_id"])}
    about, about_hours = (
        rows.join(asked.select("site_id"), on="site_id", how="semi") for rows in (residuals, half_hourly)
    )
    by_site = about.partition_by("site_id", as_dict=True)
    noon_deg = fleet.elevation_deg.max(axis=1, initial=0.0)
    usable_kwh = column(fleet.models, "energy")
    rows = []
    for one in asked.iter_rows(named=True):
        site_id = one["site_id"]
        mine = by_site.get((site_id,))
        if mine is None:
            continue
        n = place[site_id]
        history = of_site(mine, fleet.models.row(n, named=True), day)
        verdict = _odds_of(one)
        known = open_cases.get(site_id)
        if known is not None and known["kind"] == NO_GENERATION and is_alive(history):
            known = None  # it generates again; if less than before, that is another case
        wanted = LASTING_AT if site_id in lasting else open_at
        is_unknown = bool(fleet.roofs.is_unknown[n])
        level = diagnosis.decisive(verdict, history, is_unknown=is_unknown)
        is_held = bool(fleet.roofs.has_limit[n]) and not usable_kwh[n] >= FREE_KWH
        about_roof = {"is_unknown": is_unknown, "has_limit": is_held}
        if known is not None and (level >= close_at or _is_still_there(known, history)):
            row = _followed(known, history, level, day)
            if row["kind"] == UNDERPERFORMANCE:
                low = row["before"] + verdict.depth if verdict.passing > diagnosis.MOSTLY else None
                row |= passing_part(row, history, low)
            row["is_sure"] = bool(known["is_sure"]) or _is_sure(row, level, open_at, **about_roof)
            if may_be_string(row, day):
                kind, number = part_of(history, row["first_day"], _parts(night, n, about_hours, history))
                row |= {"kind": kind, "input": number}
            rows.append(row)
        elif known is None and level > wanted:
            parts = _parts(night, n, about_hours, history)
            case = diagnosis.diagnose(verdict, history, parts, wanted, is_unknown=is_unknown)
            # What always was so may be the planes where nobody knows them, and modules beyond the register need proof.
            is_weak = case is not None and case.was_always and (is_unknown or verdict.rise > verdict.fall)
            if (
                case is not None
                and not may_be_unseen(case, noon_deg[n], of_unknown_planes(night, n) if is_unknown else None)
                and not may_be_turned(case, fleet, n, parts.days)
                and not (is_beyond(case) and is_within(case, levels_around(fleet, n, residuals)))
                and (level > open_at or not is_weak)
            ):
                row = _opened(site_id, case, history, level, day)
                rows.append(row | {"is_sure": _is_sure(row, level, open_at, **about_roof)})
    return pl.DataFrame(rows, schema=CASE)


def is_to_act_on(
    kind: str, level: float, open_at: float, *, is_unknown: bool, has_limit: bool, is_passing: bool = False
) -> bool:
    """Whether the log odds `level` of a case of this kind are enough to act on; `is_unknown`: nobody knows the planes.

    A level that never fitted unknown planes may as well be theirs. Beside a limit they are learned from the hours that
    it left free, and on days that leave other hours wrong planes look like a fall; so they do under other skies, as
    one that comes and goes.
    """
    may_be_planes = is_unknown and (kind == CAPACITY_MISMATCH or (has_limit and kind != NO_GENERATION))
    may_be_planes |= is_passing and (is_unknown or has_limit)
    return level > open_at and not may_be_planes


def _is_sure(row: Mapping[str, Any], level: float, open_at: float, **about_roof: bool) -> bool:
    is_passing = row["share_of_days"] is not None
    return is_to_act_on(row["kind"], level, open_at, is_passing=is_passing, **about_roof)


def may_be_string(case: Mapping[str, Any], day: date) -> bool:
    """Whether a case that was opened as a part of the power is young enough to be named again.

    A part that comes and goes tells no string by its size.
    """
    is_whole = case["kind"] == UNDERPERFORMANCE and case["share_of_days"] is None
    return bool(is_whole and (day - case["opened_on"]).days <= NAMED_WITHIN_DAYS)


def lasting(odds: pl.DataFrame, day: date) -> set[str]:
    """The sites whose log odds (ODDS) were above `LASTING_AT` on each of the last nights that told something.

    Days that tell nothing, as under snow, leave the odds as they are and prove nothing.
    """
    since = day - timedelta(days=LASTING_WITHIN_DAYS - 1)
    told = odds.filter(pl.col("day").is_between(since, day), pl.col("is_judged")).sort("site_id", "day")
    held = told.group_by("site_id").agg(
        lowest=pl.col("log_odds").tail(LASTING_DAYS).min(), nights=pl.len(), last=pl.col("day").last()
    )
    return set(
        held.filter(pl.col("lowest") > LASTING_AT, pl.col("nights") >= LASTING_DAYS, pl.col("last") == day)["site_id"]
    )


def still_open(past: pl.DataFrame, past_odds: pl.DataFrame) -> pl.DataFrame:
    """The cases that were open after the last tested night of their sites: one CASE row each of `past`."""
    tested = past_odds.group_by("site_id").agg(tested=pl.col("day").max())
    return last_rows(past).join(tested, on="site_id", how="left").filter(
        (pl.col("day") >= pl.col("tested")).fill_null(True)
    ).select(past.columns)  # fmt: skip


def _odds_of(row: Mapping[str, Any]) -> Odds:
    inputs = np.full(MAX_INPUTS, np.nan)
    log_odds = row["log_odds_input"] or []
    inputs[: len(log_odds)] = [np.nan if value is None else value for value in log_odds]
    return Odds(
        row["log_odds_fall"], row["log_odds_rise"], row["depth"], inputs, PRIOR_SIGMA, row["passing"], row["baseline"]
    )  # fmt: skip


def _parts(night: Night, n: int, half_hourly: pl.DataFrame, history: History) -> Parts:
    """The half hours of a site, and what its registered planes make of them."""
    fleet = night.fleet
    planes = fleet.planes.of(n)
    site = fleet.sites[n]
    rows = half_hourly.filter(pl.col("site_id") == site["site_id"][0], pl.col("day") >= history.first)
    days = half_hours.lay(rows, site)
    shares = np.array([share for share, _, _ in planes])
    if len(planes) < 2:
        return Parts(days, shares, np.zeros(0))
    return Parts(days, shares, each_plane_w(days, planes, float(fleet.roofs.kwp[n])))


def _opened(site_id: str, case: Case, history: History, log_odds: float, day: date) -> dict[str, Any]:
    case = diagnosis.from_its_onset(case, history)
    before = history.expected_kwh[: case.first][-USUAL_DAYS:]
    made = history.actual_kwh[: case.first][-USUAL_DAYS:]
    days = before if np.isfinite(before).any() else made
    usual = float(days[np.isfinite(days)].mean()) if np.isfinite(days).any() else None
    row: dict[str, Any] = {
        "site_id": site_id,
        "day": day,
        "kind": case.kind,
        "opened_on": day,
        "first_day": history.on(case.first),
        "earliest_day": history.on(case.earliest),
        "latest_day": history.on(case.latest),
        "before": case.before,
        "after": case.after,
        "input": case.number,
        "log_odds": log_odds,
        "usual_kwh": usual,
        "share_of_days": None,
    }
    return row | passing_part(row, history, case.after if case.is_passing else None) | _energies(history)


def _followed(known: Mapping[str, Any], history: History, log_odds: float, day: date) -> dict[str, Any]:
    row = dict(known) | {"day": day, "log_odds": log_odds}
    place = (known["first_day"] - history.first).days
    if known["kind"] != NO_GENERATION and is_dark(history):
        row["kind"] = NO_GENERATION
    if known["kind"] == CAPACITY_MISMATCH:
        place = max(place, int(np.append(np.flatnonzero(np.isfinite(history.x))[-RECENT_DAYS:], 0)[0]))
    if place >= 0 and known["kind"] != NO_GENERATION:
        row["after"] = level_since(history, place, known["after"])
    return row | _energies(history)


def _is_still_there(known: Mapping[str, Any], history: History) -> bool:
    """Whether the last days lie nearer to the level of the fault than to the one before it, whatever the odds say.

    A level that was learned again, or that walked after the fault, makes odds sink while the fault stays.
    """
    if known["kind"] in (NO_GENERATION, CAPACITY_MISMATCH) or known["share_of_days"] is not None:
        return False  # these are told by dark days, by the register, and by days of two kinds
    since = max((known["first_day"] - history.first).days, 0)
    days = since + np.flatnonzero(np.isfinite(history.x[since:]))[-STILL_DAYS:]
    weight = 1 / np.maximum(history.sigma[days], 0.03) ** 2
    if len(days) < STILL_DAYS:
        return False
    level = float(weighted_median(history.x[days][None], weight[None])[0])
    return abs(level - known["after"]) < abs(level - known["before"])


def _energies(history: History) -> dict[str, float | None]:
    return {
        "expected_kwh": float(history.expected_kwh[-1]) if np.isfinite(history.expected_kwh[-1]) else None,
        "actual_kwh": float(history.actual_kwh[-1]) if np.isfinite(history.actual_kwh[-1]) else None,
    }
