"""Prints how often the detectors of data quality find, miss and cry wolf on invented fleets full of look-alikes.

Run by hand, some minutes: python -m tests.benches.data_quality [5 15 60] [speed]
"""

import sys
import time
from collections import Counter
from collections.abc import Callable
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl

from detectors.data_quality import balance_broken, readings_frozen, readings_implausible, site_silent
from detectors.finding import Finding, NotJudged
from tests.support import build, data_homes
from tests.support.data_homes import FIRST, Array, Site
from tests.support.features import call, made_for, until

DAYS = 30
JUDGED_FROM = 10
MODULES = (site_silent, readings_frozen, readings_implausible, balance_broken)
Change = Callable[[dict[str, Array]], None]


class Planted(NamedTuple):
    """A fault of a site: its kind, its first day, and what it does to the course (None: to the delivery)."""

    kind: str
    first: int
    name: str
    days: int = DAYS


HELD_TOGETHER = ("pv_w", "load_w", "grid_w", "battery_w", "voltage_l1_v", "frequency_hz", "soc_pct")


def _hold(channel: str, first: int, hours: float, at_h: float, step_min: int) -> Change:
    def change(course: dict[str, Array]) -> None:
        if channel in course:
            begin = int((first * 24 + at_h) * 60 / step_min)
            end = begin + max(1, int(hours * 60 / step_min))
            course[channel][begin:end] = course[channel][begin]

    return change


def _times(channel: str, factor: float, first: int, step_min: int) -> Change:
    def change(course: dict[str, Array]) -> None:
        if channel in course:
            course[channel][first * 1440 // step_min :] *= factor

    return change


def _stray(rng: np.random.Generator, channel: str, value: float, first: int, step_min: int) -> Change:
    def change(course: dict[str, Array]) -> None:
        if channel in course:
            per_day = 1440 // step_min
            for day in range(first, DAYS):
                course[channel][day * per_day + rng.integers(per_day // 4, 3 * per_day // 4, 3)] = value

    return change


def _missing_load(first: int, step_min: int) -> Change:
    def change(course: dict[str, Array]) -> None:
        course["load_w"][first * 1440 // step_min :] *= 0.7

    return change


FAULTS = {
    "site-silent": ("all", "device"),
    "readings-frozen": ("load 8 h", "load days", "pv 5 h by day", "grid days", "battery days", "voltage 8 h",
                        "all days"),
    "readings-implausible": ("pv x 1000", "grid x 1000", "stray soc 255", "stray pv -1e6",
                             "stray load 655350", "voltage x 1.73"),
    "balance-broken": ("grid turned", "battery turned", "grid one of three", "load 30 % short", "pv in kW"),
}  # fmt: skip


def _change(rng: np.random.Generator, planted: Planted, step_min: int) -> Change | None:
    first = planted.first
    held = {"load days": "load_w", "grid days": "grid_w", "battery days": "battery_w"}
    if planted.name in held:
        return _hold(held[planted.name], first, planted.days * 24, float(rng.uniform(8, 16)), step_min)
    if planted.name == "all days":
        holds = [_hold(channel, first, planted.days * 24, 10.0, step_min) for channel in HELD_TOGETHER]

        def change(course: dict[str, Array]) -> None:
            for one in holds:
                one(course)

        return change
    return {
        "load 8 h": lambda: _hold("load_w", first, 8, float(rng.uniform(0, 15)), step_min),
        "pv 5 h by day": lambda: _hold("pv_w", first, 5, float(rng.uniform(7.5, 10)), step_min),
        "voltage 8 h": lambda: _hold("voltage_l1_v", first, 8, float(rng.uniform(0, 15)), step_min),
        "pv x 1000": lambda: _times("pv_w", 1000, first, step_min),
        "grid x 1000": lambda: _times("grid_w", 1000, first, step_min),
        "voltage x 1.73": lambda: _times("voltage_l1_v", 1.732, first, step_min),
        "stray soc 255": lambda: _stray(rng, "soc_pct", 255.0, first, step_min),
        "stray pv -1e6": lambda: _stray(rng, "pv_w", -1e6, first, step_min),
        "stray load 655350": lambda: _stray(rng, "load_w", 655350.0, first, step_min),
        "grid turned": lambda: _times("grid_w", -1, first, step_min),
        "battery turned": lambda: _times("battery_w", -1, first, step_min),
        "grid one of three": lambda: _times("grid_w", 1 / 3, first, step_min),
        "load 30 % short": lambda: _missing_load(first, step_min),
        "pv in kW": lambda: _times("pv_w", 0.001, first, step_min),
    }.get(planted.name, lambda: None)()


def _fleet(
    seed: int, count: int, step_min: int
) -> tuple[pl.DataFrame, pl.DataFrame, dict[str, tuple[Site, Planted | None]]]:
    rng = np.random.default_rng(seed)
    kinds = [(kind, name) for kind, names in FAULTS.items() for name in names]
    frames, rows, truth = [], [], {}
    for n in range(count):
        quirk = data_homes.QUIRKS[n % len(data_homes.QUIRKS)]
        site = data_homes.make_site(rng, f"s{n:03d}", DAYS, quirk=quirk)
        planted = None
        if n % 3 == 0:
            kind, name = kinds[n // 3 % len(kinds)]
            long = name.endswith("days")
            planted = Planted(kind, int(rng.integers(12, 24)), name, int(rng.integers(2, 7)) if long else 1)
            if name.startswith("battery") and "battery_w" not in site.course:
                planted = planted._replace(name="grid turned" if kind == "balance-broken" else "load days", days=3)
            if name == "stray soc 255" and "soc_pct" not in site.course:
                planted = planted._replace(name="stray pv -1e6")
        truth[site.row["site_id"]] = (site, planted)
        rows.append(site.row)
        frames += _frames(rng, site, planted, step_min)
    return pl.concat(frames), build.sites(*rows), truth


def _frames(rng: np.random.Generator, site: Site, planted: Planted | None, step_min: int) -> list[pl.DataFrame]:
    if planted is None or planted.kind != "site-silent":
        return [data_homes.frame(site, step_min, change=planted and _change(rng, planted, step_min))]
    stop = FIRST + timedelta(days=planted.first)
    gone = pl.col("ts_local").dt.date() >= stop
    if planted.name == "all":
        return [data_homes.frame(site, step_min).filter(~gone)]
    return [data_homes.frame(site, step_min, "A"), data_homes.frame(site, step_min, "B").filter(~gone)]


def _is_faulty(site: Site, planted: Planted | None, kind: str, n: int) -> bool | None:
    """Whether the site-day is faulty in this kind; None = it proves nothing of this detector."""
    if planted is None:
        return False
    if n < planted.first:
        return False
    if planted.kind != kind or (kind == "readings-frozen" and n >= planted.first + planted.days):
        return None
    shown = site.delivered[n * data_homes.PER_DAY : (n + 1) * data_homes.PER_DAY].mean() > 0.4
    return True if shown or kind == "site-silent" else None


def measure(step_min: int, count: int = 204) -> None:
    """Lives through the fleet's days and prints a line per kind and per fault."""
    readings, sites, truth = _fleet(8100 + step_min, count, step_min)
    whole = data_homes.site_readings(readings)
    days = data_homes.site_days(whole)
    made = _made(MODULES, readings, whole, sites)
    tallies = {m.KIND: Counter() for m in MODULES}
    found_on: dict[str, int] = {}
    shown: set[str] = set()  # sites whose fault had a day to be seen on
    wolves: Counter = Counter()
    for n in range(JUDGED_FROM, DAYS):
        day = FIRST + timedelta(days=n)
        for module in MODULES:
            by_site = {v.site_id: v for v in _judge(module, readings, whole, days, made, sites, day)}
            for site_id, (site, planted) in truth.items():
                is_bad = _is_faulty(site, planted, module.KIND, n)
                verdict = by_site.get(site_id)
                if is_bad is None:
                    continue
                tally = tallies[module.KIND]
                shown |= {site_id} if is_bad else set()
                if isinstance(verdict, Finding):
                    tally["found" if is_bad else "false"] += 1
                    if is_bad:
                        found_on.setdefault(site_id, n)
                    else:
                        wolves[(module.KIND, site.quirks, verdict.summary[:70])] += 1
                elif isinstance(verdict, NotJudged):
                    tally["bad_unjudged" if is_bad else "unjudged"] += 1
                else:
                    tally["missed" if is_bad else "clean"] += 1
    _print(step_min, tallies, {s: t for s, t in truth.items() if s in shown}, found_on, wolves)


def _print(step_min: int, tallies: dict, truth: dict, found_on: dict[str, int], wolves: Counter) -> None:
    print(f"-- {step_min} min")
    for kind, tally in tallies.items():
        good = tally["false"] + tally["clean"]
        faulty = [(s, p) for s, (_, p) in truth.items() if p is not None and p.kind == kind]
        late = [found_on[s] - p.first + 1 for s, p in faulty if s in found_on]
        days = f", days to find median {np.median(late):.0f}, worst {max(late)}" if late else ""
        print(
            f"{kind}: sites found {len(late)}/{len(faulty)}{days}; faulty site-days found {tally['found']}, missed "
            f"{tally['missed']}, not judged {tally['bad_unjudged']}; false {tally['false']} in {good} "
            f"({1000 * tally['false'] / max(good, 1):.2f} per 1,000), not judged {tally['unjudged']}"
        )
        lost = [f"{p.name} ({'/'.join(truth[s][0].quirks) or 'plain'})" for s, p in faulty if s not in found_on]
        if lost:
            print(f"   never found: {', '.join(lost)}")
    for what, times in wolves.most_common(12):
        print(f"   false x {times}: {what}")


def _made(modules, readings: pl.DataFrame, whole: pl.DataFrame, sites: pl.DataFrame) -> dict[str, pl.DataFrame]:
    return made_for(modules, {"device_readings": readings, "readings": whole, "sites": sites})


def _judge(module, readings, whole, days, made, sites, day: date) -> list:
    today = pl.col("ts_local").dt.date() == day
    given = {
        "device_readings": readings.filter(today), "readings": whole.filter(today), "sites": sites, "day": day,
        "days": days.filter(pl.col("day") <= day), "earlier": build.earlier(), **until(made, day),
    }  # fmt: skip
    return call(module.detect, given)


def measure_speed(count: int = 10_000) -> None:
    """Seconds of processor time for one night of a large fleet at 5 min."""
    rng = np.random.default_rng(8000)
    some = [data_homes.make_site(rng, f"s{n:03d}", 30, quirk=data_homes.QUIRKS[n % 17]) for n in range(50)]
    made = [data_homes.frame(site, 5) for site in some]
    one = pl.concat(
        [made[0].clear(), *(f.filter(pl.col("ts_local").dt.date() == FIRST + timedelta(days=29)) for f in made)]
    )
    past = pl.concat(made)
    sites = build.sites(*(site.row for site in some))
    copies = count // 50

    def many(frame: pl.DataFrame) -> pl.DataFrame:
        return pl.concat([frame.with_columns(pl.col("site_id") + f"-{n}") for n in range(copies)])

    fleet, register, days = many(one), many(sites), many(data_homes.site_days(past))
    whole, day = data_homes.site_readings(fleet), FIRST + timedelta(days=29)
    for module in MODULES:
        made = {name: many(rows) for name, rows in _made([module], past, data_homes.site_readings(past), sites).items()}
        began = time.process_time()
        verdicts = _judge(module, fleet, whole, days, made, register, day)
        took = time.process_time() - began
        began = time.process_time()
        _made([module], fleet, whole, register)
        print(f"{module.KIND}: {register.height} sites x a day at 5 min: detect {took:.1f} s, "
              f"features {time.process_time() - began:.1f} s; {len(verdicts)} verdicts")  # fmt: skip


if __name__ == "__main__":
    wanted = sys.argv[1:] or ["5", "15", "60", "speed"]
    for minutes in (5, 15, 60):
        if str(minutes) in wanted:
            measure(minutes)
    if "speed" in wanted:
        measure_speed()
