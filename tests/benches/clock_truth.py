"""What the clock's detector says of simulated sites whose true error is known: the clock's features, no pipeline.

python -m tests.benches.clock_truth [--sites N --days D --seed S --start DATE ...] [--minutes M ...]
                                    [--cases NAME ...] [--explain]

Sites, weather, look-alikes (clipping, curtailed, shaded, snow, east and west) are the general simulator's
(tests/simulation); what its loggers would have stamped with a wrong clock is tests/support/clock_roofs'. Every site is
put through one case, drawn from the seed; every evening is judged. The seed is new each time unless given. An error at
a roof that makes next to nothing, as an idle house behind a limit lets it, is not counted.
"""

import argparse
import secrets
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
import polars as pl

from detectors.clock import clock
from detectors.clock.light import light_onsets
from detectors.clock.zones import changes, daily_offsets, plausible_zones
from detectors.finding import Finding, NotJudged, Verdict
from detectors.frames import DEVICE_READINGS, SITES
from tests.simulation.consequences import LIT_KWH, VISIBLE_DAYS
from tests.simulation.fleet import make_fleet
from tests.simulation.live import Truth
from tests.simulation.site import Site
from tests.support.clock_roofs import (
    Error,
    constant,
    drift,
    drift_with_resets,
    fixed_zone,
    other_zone,
    right,
    step,
)

START = date(2026, 2, 10)
MINUTES = (5, 15, 15, 30, 60)
CLOSE_AFTER = 5  # days without a finding end an exception: the longest of the clock's kinds
DAY_MIN = 1440.0
FAR_MIN = 540.0  # zones that somebody would enter: near half a day, light straddles midnight


@dataclass(frozen=True)
class Put:
    """An error put into a site, and the kinds that say it."""

    error: Error
    onset: int  # number of the first wrong day
    kinds: frozenset[str]
    note: str = ""


@dataclass
class Told:
    """What became of one site's case."""

    case: str
    site: Site
    put: Put
    minutes: int
    is_visible: bool = True  # the roof makes something on three days or more since its clock is wrong
    verdicts: list[Verdict | None] = field(default_factory=list)  # by day


def _kinds(*names: str) -> frozenset[str]:
    return frozenset(names)


Rng = np.random.Generator
Case = Callable[[Site, date, int, Rng], Put | None]  # site, first day, days


def _right(_site: Site, _first: date, days: int, _rng: Rng) -> Put:
    return Put(right, days, frozenset())


def _zone(site: Site, first: date, days: int, rng: Rng) -> Put | None:
    """The zone of another place, entered from the first day on; it differs in both seasons."""
    names, _ = _others(site.zone, (site.latitude, site.longitude), first, days)
    if not names:
        return None
    zone = str(rng.choice(names))
    return Put(other_zone(site.zone, zone), 0, _kinds("time-zone-wrong"), zone)


def _offset(_site: Site, _first: date, _days: int, rng: Rng) -> Put:
    minutes = float(rng.choice([-60, 60, 60, -120, 120, -30, 30, -480, 330, 720, -180]))
    return Put(constant(minutes), 0, _kinds("time-zone-wrong"), f"{minutes:+.0f} min")


def _saving_left_out(site: Site, first: date, days: int, _rng: Rng) -> Put | None:
    """The stamps stay at the offset of the first day."""
    found = [day for day, _ in changes(site.zone, first, days) if 7 <= day < days - 7]
    if not found:
        return None
    offset = float(daily_offsets(site.zone, first, 1)[0])
    return Put(fixed_zone(site.zone, offset), found[0], _kinds("daylight-saving-wrong"))


def _others_saving(site: Site, first: date, days: int, rng: Rng) -> Put | None:
    """A zone of the same standard time entered whose changes of clocks are others: right until one of them changes."""
    _, names = _others(site.zone, (site.latitude, site.longitude), first, days)
    if not names:
        return None
    zone = str(rng.choice(names))
    gap = daily_offsets(zone, first, days) - daily_offsets(site.zone, first, days)
    return Put(other_zone(site.zone, zone), int(np.flatnonzero(gap)[0]), _kinds("daylight-saving-wrong"), zone)


def _step(_site: Site, first: date, days: int, rng: Rng) -> Put:
    minutes = float(rng.choice([-1, 1]) * rng.choice([rng.uniform(25, 55), rng.uniform(65, 240)]))
    at = int(rng.integers(15, days - 14))
    return Put(step(first + timedelta(days=at), round(minutes)), at, _kinds("clock-step"), f"{minutes:+.0f} min")


def _drift(slow: float, fast: float) -> Case:
    def drawn(_site: Site, first: date, days: int, rng: Rng) -> Put:
        speed = float(rng.choice([-1, 1]) * rng.uniform(slow, fast))
        at = int(rng.choice([0, rng.integers(5, max(days - 40, 6))]))
        return Put(drift(first + timedelta(days=at), speed), at, _kinds("clock-drift"), f"{speed:+.0f} s/day from {at}")

    return drawn


def _resets(_site: Site, first: date, _days: int, rng: Rng) -> Put:
    speed = float(rng.choice([-1, 1]) * rng.uniform(70, 120))
    every = int(rng.integers(18, 32))
    error = drift_with_resets(first, speed, every)
    return Put(error, 0, _kinds("clock-drift"), f"{speed:+.0f} s/day, reset every {every} days")


CASES: dict[str, Case] = {
    "right": _right,
    "zone entered": _zone,
    "constant offset": _offset,
    "saving left out": _saving_left_out,
    "another's saving": _others_saving,
    "step": _step,
    "drift 15-25": _drift(15, 25),
    "drift 40-60": _drift(40, 60),
    "drift 80-120": _drift(80, 120),
    "drift with resets": _resets,
}
RIGHT_SHARE = 0.4


@lru_cache(maxsize=512)
def _others(home: str, at: tuple[float, float], first: date, days: int) -> tuple[list[str], list[str]]:
    """Zones that might be entered there: off all the time; and right on the first ten days, wrong after a change."""
    mine = daily_offsets(home, first, days)
    off, later = [], []
    for zone in plausible_zones((), home, *at)[0]:
        gap = daily_offsets(zone, first, days) - mine
        if np.abs(gap).max() <= FAR_MIN and (gap != 0).all():
            off.append(zone)
        if (gap[:10] == 0).all() and (gap[:-7] != 0).any():
            later.append(zone)
    return off, later


def readings(site: Site, truth: Truth, first: date, days: int, minutes: int, error: Error) -> pl.DataFrame:
    """DEVICE_READINGS of the site's generation as its logger would have stamped it."""
    epoch = (first - date(1970, 1, 1)).days * DAY_MIN
    stamps = epoch + np.arange(-DAY_MIN / 2, days * DAY_MIN + DAY_MIN / 2, minutes)
    edges = truth.axis.edges_s / 60
    energy = np.concatenate([[0.0], np.cumsum(truth.pv_w) * truth.axis.step_s / 60])
    late = error(stamps)
    power = (np.interp(stamps + minutes - late, edges, energy) - np.interp(stamps - late, edges, energy)) / minutes
    logger = site.logger
    power = np.where(power > 1, power * logger.pv_gain, -logger.night_w)
    power = np.round(power / logger.power_step_w) * logger.power_step_w
    keep = np.random.default_rng(len(site.site_id)).random(len(power)) >= logger.gap_chance
    if logger.sleeps_at_night:
        keep &= power > 0
    frame = pl.DataFrame({"ts_utc": (stamps[keep] * 60e6).astype(np.int64), "pv_w": power[keep]}).with_columns(
        pl.col("ts_utc").cast(pl.Datetime("us", "UTC")),
        site_id=pl.lit(site.site_id), device_id=pl.lit(""),
        interval_s=pl.lit(minutes * 60, dtype=pl.Int32), is_instant=pl.lit(False),
    )  # fmt: skip
    local = pl.col("ts_utc").dt.convert_time_zone(site.zone).dt.replace_time_zone(None)
    frame = frame.with_columns(ts_local=local).filter(
        pl.col("ts_local").dt.date().is_between(first, first + timedelta(days=days - 1))
    )
    missing = [
        pl.lit(None, dtype=kind).alias(name) for name, kind in DEVICE_READINGS.items() if name not in frame.columns
    ]
    return frame.with_columns(missing).select(DEVICE_READINGS.names())


def register(sites: Iterable[Site]) -> pl.DataFrame:
    """SITES rows."""
    rows = [
        {
            "site_id": site.site_id, "name": site.site_id, "latitude": site.latitude, "longitude": site.longitude,
            "timezone": site.zone, "export_timezone": site.zone, "installed_kwp": site.roof.kwp,
            "external_id": site.site_id, "watched": True,
        }
        for site in sites
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=SITES)


def draw(
    seed: int, sites: int, days: int, first: date, minutes: int, names: Sequence[str]
) -> tuple[list[Told], pl.DataFrame]:
    """One fleet, every site with its case; and its LIGHT rows."""
    fleet = make_fleet(seed, sites=sites, days=days, first=first, minutes=max(minutes, 5), kinds=("clock-step",))
    rng = np.random.default_rng([seed, 9])
    told, light = [], []
    wrong = [name for name in names if name != "right"]
    for number, site in enumerate(fleet.sites):
        is_right = not wrong or ("right" in names and rng.random() < RIGHT_SHARE)
        name = "right" if is_right else wrong[number % len(wrong)]
        put = CASES[name](site, first, days, rng)
        while put is None:  # a case that this place does not allow
            name = str(rng.choice(list(CASES)))
            put = CASES[name](site, first, days, rng)
        truth = fleet.truth[site.site_id]
        told.append(Told(name, site, put, minutes, _lit_days(site, truth, put.onset) >= VISIBLE_DAYS))
        rows = readings(site, truth, first, days, minutes, put.error)
        light.append(light_onsets(rows, register([site])))
    return told, pl.concat(light)


def _lit_days(site: Site, truth: Truth, onset: int) -> int:
    day = truth.axis.local_day(site.zone)
    is_wrong = (day >= onset) & (day < truth.axis.days)
    made_kwh = np.bincount(day[is_wrong], weights=truth.pv_w[is_wrong]) * truth.axis.step_s / 3.6e6
    return int((made_kwh > LIT_KWH * site.roof.kwp).sum())


def judge(told: Sequence[Told], light: pl.DataFrame, first: date, days: int) -> None:
    """Every evening's verdict of every site."""
    table = register(one.site for one in told)
    for day in range(days):
        said = {v.site_id: v for v in clock.detect(light, table, first + timedelta(days=day))}
        for one in told:
            one.verdicts.append(said.get(one.site.site_id))


def runs(one: Told) -> list[list[tuple[int, Finding]]]:
    """The findings of a site, in exceptions: set apart by CLOSE_AFTER days without one."""
    found: list[list[tuple[int, Finding]]] = []
    for day, verdict in enumerate(one.verdicts):
        if isinstance(verdict, Finding):
            if found and day - found[-1][-1][0] <= CLOSE_AFTER:
                found[-1].append((day, verdict))
            else:
                found.append([(day, verdict)])
    return found


def case_table(told: Sequence[Told]) -> str:
    """One line per case: found with the right kind, in how many days, what was said instead."""
    lines = [
        "| case | sites | told right | within 21 d | days, median / 90 % | kind at the end right | said last instead |"
        " wrong kind on finding-days (%) |",
        "| --- |" + " --- |" * 7,
    ]
    for name in dict.fromkeys(one.case for one in told):
        mine = [one for one in told if one.case == name and one.put.kinds and one.is_visible]
        if not mine:
            continue
        days = [_days_to_find(one) for one in mine]
        known = np.array([d for d in days if d is not None])
        last = [_last_kind(one) for one in mine]
        right_now = sum(kind in one.put.kinds for kind, one in zip(last, mine, strict=True))
        instead: dict[str, int] = {}
        for kind, one in zip(last, mine, strict=True):
            if kind not in one.put.kinds:
                instead[kind] = instead.get(kind, 0) + 1
        found = [f for one in mine for run in runs(one) for d, f in run if d >= one.put.onset]
        bad = sum(
            f.kind not in one.put.kinds for one in mine for run in runs(one) for d, f in run if d >= one.put.onset
        )
        with_missed = np.array([d if d is not None else np.inf for d in days])
        ninety = np.sort(with_missed)[min(int(np.ceil(0.9 * len(days))) - 1, len(days) - 1)]
        lines.append(
            f"| {name} | {len(mine)} | {len(known)} | {int((known <= 21).sum())} |"
            f" {np.median(known) if len(known) else float('nan'):.0f} / {ninety:.0f} | {right_now} |"
            f" {', '.join(f'{kind} {n}' for kind, n in sorted(instead.items()))} |"
            f" {100 * bad / max(len(found), 1):.1f} |"
        )
    return "\n".join(lines)


def _days_to_find(one: Told) -> int | None:
    right_days = [d for run in runs(one) for d, f in run if f.kind in one.put.kinds and d >= one.put.onset]
    return right_days[0] - one.put.onset if right_days else None


def _last_kind(one: Told) -> str:
    last = [f.kind for run in runs(one) for _, f in run]
    return last[-1] if last else "nothing"


def kind_table(told: Sequence[Told]) -> str:
    """Recall and precision by kind: exceptions that are right at their end, of those told; and false ones."""
    lines = ["| kind | put in | recall | told | precision | at sites without an error |", "| --- |" + " --- |" * 5]
    for kind in ("time-zone-wrong", "daylight-saving-wrong", "clock-drift", "clock-step"):
        mine = [one for one in told if kind in one.put.kinds and one.is_visible]
        exceptions = [(one, run) for one in told for run in runs(one) if run[-1][1].kind == kind]
        good = [one for one, run in exceptions if kind in one.put.kinds and run[-1][0] >= one.put.onset]
        found = sum(_days_to_find(one) is not None for one in mine)
        false = sum(one.case == "right" for one, _ in exceptions)
        lines.append(
            f"| {kind} | {len(mine)} | {found / max(len(mine), 1):.2f} | {len(exceptions)} |"
            f" {len(good) / max(len(exceptions), 1):.2f} | {false} |"
        )
    clean = [one for one in told if one.case == "right"]
    days = sum(len(one.verdicts) for one in clean)
    unseen = sum(bool(one.put.kinds) and not one.is_visible for one in told)
    lines.append(f"\n{unseen} errors more that nobody can see: their roofs make next to nothing")
    lines.append(f"{days} site-days without an error, {sum(len(runs(one)) for one in clean)} false exceptions there")
    return "\n".join(lines)


def explained(told: Sequence[Told]) -> str:
    """Every site whose story is not simply right."""
    lines = []
    for one in told:
        stories = runs(one)
        kinds = [f.kind for run in stories for _, f in run]
        if one.put.kinds and _last_kind(one) in one.put.kinds and all(kind in one.put.kinds for kind in kinds):
            continue
        if not one.put.kinds and not kinds:
            continue
        lines.append(f"{one.site.site_id} {one.case} ({one.put.note}, day {one.put.onset}) {one.site.zone} "
                     f"{one.minutes} min, {one.site.role}")  # fmt: skip
        before = ""
        for day, verdict in enumerate(one.verdicts):
            now = f"{verdict.kind}" if isinstance(verdict, Finding) else ""
            if now != before and (now or before):
                text = (
                    f"{verdict.kind} {verdict.summary}"
                    if isinstance(verdict, Finding)
                    else f"nothing: {verdict.reason if verdict else 'clear'}"
                )
                lines.append(f"    day {day}: {text}")
            before = now
        if not kinds:
            last = one.verdicts[-1]
            lines.append(f"    nothing all along; last: {last.reason if isinstance(last, NotJudged) else 'clear'}")
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> None:
    """Prints the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.benches.clock_truth", description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=60)
    parser.add_argument("--days", type=int, default=100)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--start", type=date.fromisoformat, nargs="+", default=[START])
    parser.add_argument("--minutes", type=int, nargs="+", choices=sorted(set(MINUTES)), default=[15])
    parser.add_argument("--cases", nargs="+", choices=CASES, default=list(CASES), metavar="NAME")
    parser.add_argument("--explain", action="store_true")
    args = parser.parse_args(arguments)
    seed = args.seed if args.seed is not None else secrets.randbelow(10**6)
    begin = time.process_time()
    told: list[Told] = []
    for place, (start, minutes) in enumerate((s, m) for s in args.start for m in args.minutes):
        fleet, light = draw(seed + place, args.sites, args.days, start, minutes, args.cases)
        judge(fleet, light, start, args.days)
        told += fleet
    starts = ", ".join(map(str, args.start))
    seconds = time.process_time() - begin
    print(f"seed {seed}: {len(told)} sites x {args.days} days from {starts}, {args.minutes} min; {seconds:.0f} s")
    print(f"\n{case_table(told)}\n\n{kind_table(told)}")
    if args.explain:
        print(f"\n{explained(told)}")


if __name__ == "__main__":
    main()
