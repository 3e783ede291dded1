"""Prints how often the first detectors find, miss and cry wolf on invented fleets.

Run by hand, some two minutes: python -m tests.benches.fleet_figures [yield|export|battery ...]
"""

import sys
from collections import Counter
from datetime import date, timedelta

import numpy as np
import polars as pl

from detectors.battery import battery_at_floor
from detectors.features import battery_day, load_following
from detectors.finding import Finding
from detectors.frames import DAYS
from detectors.grid import unexpected_export
from detectors.yields import underperformance
from tests.support import build, simulate, simulate_homes
from tests.support.looked import looked

REGIONS = (  # latitude, first day, snow
    (50.0, date(2025, 3, 1), False),
    (44.0, date(2025, 5, 1), False),
    (52.0, date(2025, 11, 15), True),
    (-33.0, date(2025, 8, 1), False),
    (47.0, date(2025, 9, 10), False),
)
FIRST_JUDGED = 14


def _line(what: str, tally: Counter, delays: list[int]) -> None:
    bad, good = tally["found"] + tally["missed"], tally["false"] + tally["clean"]
    late = f", days to find median {np.median(delays):.0f}, 90 % {np.percentile(delays, 90):.0f}" if delays else ""
    print(
        f"{what}: sites found {tally['sites_found']}/{tally['sites']}; faulty site-days found {tally['found']}/{bad}, "
        f"not judged {tally['unjudged']}; false {tally['false']} in {good} sound site-days "
        f"({1000 * tally['false'] / max(good, 1):.2f} per 1,000){late}"
    )


def measure_yield(factor: float, seeds: range) -> None:
    """Faults that leave `factor` of the yield, apart for roofs with planes in the register and without."""
    tallies = {True: Counter(), False: Counter()}
    delays: dict[bool, list[int]] = {True: [], False: []}
    for place, seed in enumerate(seeds):
        latitude, first, snow = REGIONS[place % len(REGIONS)]
        fleet = simulate.cluster(seed, latitude=latitude, first_day=first, snow=snow, factor=factor)
        truth = {row["site_id"]: row for row in fleet.truth.iter_rows(named=True)}
        found_on: dict[str, int] = {}
        for n in range(FIRST_JUDGED, 75):
            day = first + timedelta(days=n)
            days = fleet.days.filter(pl.col("day") <= day)
            seen = looked(days, fleet.sites, planes=fleet.planes, day=day)
            verdicts = underperformance.detect(seen, days, build.earlier(), day)
            by_site = {verdict.site_id: verdict for verdict in verdicts}
            for site_id, true in truth.items():
                is_bad = true["factor"] < 1 and n >= true["from_place"]
                _count(tallies[true["is_known"]], by_site.get(site_id), is_bad)
                if is_bad and isinstance(by_site.get(site_id), Finding):
                    found_on.setdefault(site_id, n)
        for site_id, true in truth.items():
            if true["factor"] < 1:
                tallies[true["is_known"]]["sites"] += 1
                tallies[true["is_known"]]["sites_found"] += site_id in found_on
                if site_id in found_on and true["from_place"] > FIRST_JUDGED:
                    delays[true["is_known"]].append(found_on[site_id] - true["from_place"] + 1)
    for is_known in (True, False):
        _line(f"yield x {factor:g}, planes {'known' if is_known else 'unknown'}", tallies[is_known], delays[is_known])


def _count(tally: Counter, verdict: object, is_bad: bool) -> None:
    if isinstance(verdict, Finding):
        tally["found" if is_bad else "false"] += 1
    elif verdict is not None:
        tally["unjudged" if is_bad else "sound_unjudged"] += 1
    else:
        tally["missed" if is_bad else "clean"] += 1


def measure_export(step_min: int, sites: int) -> None:
    """One day per home: half keep their limit with regulating slips, half keep another one or none."""
    rng = np.random.default_rng(7100 + step_min)
    tally: Counter = Counter()
    for n in range(sites):
        kwp = rng.uniform(4, 15)
        limit_kw = float(rng.choice([0.0, 0.0, 0.5 * kwp]))
        applied = limit_kw + float(rng.choice([0.3, 1.0, 50.0])) if n % 2 else None
        course = simulate_homes.home(
            rng, day_count=1, step_min=5, kwp=kwp, limit_kw=limit_kw, applied_kw=applied,
            battery_kwh=float(rng.choice([0.0, 10.0])),
        )  # fmt: skip
        grid = course.grid_w.reshape(-1, step_min // 5).mean(axis=1)
        pv = course.pv_w.reshape(-1, step_min // 5).mean(axis=1)
        # Only homes that did go beyond by more than 0.1 kWh are faulty on this day: dark days and full loads hide it.
        beyond = np.maximum(-grid - limit_kw * 1000 - 10 * kwp, 0).sum() * step_min / 60000
        if applied is not None and beyond < 0.1:
            continue
        site = {"feed_in_limit_kw": limit_kw, "installed_kwp": kwp, "inverter_kw": kwp}
        readings = build.readings({"pv_w": pv.tolist(), "grid_w": grid.tolist()}, interval_s=step_min * 60)
        verdicts = unexpected_export.detect(readings, build.sites(site), build.earlier(), build.DAY)
        tally["sites"] += applied is not None
        tally["sites_found"] += applied is not None and isinstance(verdicts[0] if verdicts else None, Finding)
        _count(tally, verdicts[0] if verdicts else None, applied is not None)
    _line(f"export at {step_min} min", tally, [])


def measure_battery(sites: int) -> None:
    """Forty days per home: a third stop charging on some day; gloomy spells are among all of them."""
    rng = np.random.default_rng(7300)
    tally: Counter = Counter()
    delays = []
    for n in range(sites):
        battery_kwh, reserve_pct = float(rng.choice([5.0, 10.0, 15.0])), float(rng.choice([10.0, 20.0, 35.0]))
        start = int(rng.integers(10, 30)) if n % 3 == 0 else 99
        course = simulate_homes.home(
            rng, day_count=40, step_min=15, kwp=rng.uniform(3, 12), limit_kw=99.0, battery_kwh=battery_kwh,
            reserve_pct=reserve_pct, charging=(np.arange(40) < start).astype(float), gloom=float(rng.uniform(0.1, 0.8)),
        )  # fmt: skip
        days = simulate_homes.day_rows(course, site_id="roof-1", step_min=15, reserve_pct=reserve_pct)
        known = build.sites({"battery_kwh": battery_kwh, "battery_reserve_pct": reserve_pct})
        # It first runs down to its floor; from then on it is stuck.
        stuck_from = next((d for d in range(start, 40) if days["soc_max_pct"][d] <= reserve_pct + 2), 99)
        first = None
        for d in range(40):
            day = days["day"][d]
            told = days.filter(pl.col("day") <= day)
            verdicts = battery_at_floor.detect(
                told.select(DAYS.names()), told.select(battery_day.SCHEMA.names()), load_following.SCHEMA.to_frame(),
                known, build.earlier(), day,
            )  # fmt: skip
            verdict = verdicts[0] if verdicts else None
            _count(tally, verdict, d >= stuck_from)
            if first is None and d >= stuck_from and isinstance(verdict, Finding):
                first = d
                delays.append(d - stuck_from + 1)
        tally["sites"] += stuck_from < 99
        tally["sites_found"] += first is not None
    _line("battery", tally, delays)


if __name__ == "__main__":
    wanted = sys.argv[1:] or ["yield", "export", "battery"]
    if "yield" in wanted:
        for share in (0.5, 0.6, 0.7, 0.8, 0.85):
            measure_yield(share, range(9000, 9025))
    if "export" in wanted:
        for minutes in (5, 15, 60):
            measure_export(minutes, 600)
    if "battery" in wanted:
        measure_battery(120)
