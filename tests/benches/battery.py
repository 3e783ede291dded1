"""Prints how often the battery detectors find, miss and cry wolf on invented homes.

Run by hand, some minutes: python -m tests.benches.battery [days [homes of each sort]]
"""

import sys
from collections import Counter, defaultdict
from datetime import date, timedelta

import numpy as np
import polars as pl

from detectors.battery import (
    battery_at_floor,
    battery_below_reserve,
    battery_grid_charging,
    battery_not_discharging,
    battery_reading_frozen,
)
from detectors.finding import Finding
from pipeline.energy.site_days import to_site_days
from tests.support import battery_homes, build
from tests.support.features import call, made_for, until

MODULES = (
    battery_not_discharging, battery_below_reserve, battery_grid_charging, battery_reading_frozen, battery_at_floor,
)  # fmt: skip
COUNTED = ("pv", "load", "import", "feed_in", "charge", "discharge")


def verdicts(homes: battery_homes.Homes, day_count: int) -> dict[tuple[str, str, date], object]:
    """(detector, site, day) -> what it said; absent = sound."""
    counted = {f"{name}_counted_kwh": pl.lit(None, pl.Float64) for name in COUNTED}
    days = to_site_days(homes.readings.with_columns(**counted, counted_s=pl.lit(None, pl.Float64)), homes.sites)
    made = made_for(MODULES, {"readings": homes.readings, "sites": homes.sites})
    dated = homes.readings.with_columns(day=pl.col("ts_local").dt.date())
    by_day = dated.partition_by("day", as_dict=True, include_key=False)
    said: dict[tuple[str, str, date], object] = {}
    for place in range(day_count):
        day = battery_homes.FIRST + timedelta(days=place)
        frames = {
            "readings": by_day.get((day,), homes.readings.clear()),
            "days": days.filter(pl.col("day") <= day),
            "sites": homes.sites,
            "earlier": build.earlier(),
            "day": day,
            **until(made, day),
        }
        for module in MODULES:
            for verdict in call(module.detect, frames):
                said[module.DETECTOR, verdict.site_id, day] = verdict
    return said


def measure(seeds: range, *, interval_min: int, day_count: int, each: int) -> None:
    """A line per kind, and what sort of home each false finding came from."""
    tally: dict[str, Counter] = defaultdict(Counter)
    late: dict[str, list[int]] = defaultdict(list)
    false: Counter = Counter()
    for place, seed in enumerate(seeds):
        what = [*battery_homes.FAULTS, *battery_homes.LIKE] * each
        sun = (1.0, 0.55, 0.8)[place % 3]
        homes = battery_homes.homes(seed, what, day_count=day_count, interval_min=interval_min, sun=sun)
        said = verdicts(homes, day_count)
        for true in homes.truth.iter_rows(named=True):
            for module in MODULES:
                found = _count(tally[module.KIND], false, said, true, module.KIND, day_count)
                if found is not None:
                    late[module.KIND].append(found)
    for module in MODULES:
        _print(module.KIND, tally[module.KIND], late[module.KIND], interval_min)
    print("   false by sort:", ", ".join(f"{kind} at {what}: {n}" for (kind, what), n in false.most_common(12)))


def _count(tally: Counter, false: Counter, said: dict, true: dict, kind: str, day_count: int) -> int | None:
    """Days until the fault was found; None where there was none, or it was not."""
    found = None
    for place in range(day_count):
        day = battery_homes.FIRST + timedelta(days=place)
        verdict = said.get((kind, true["site_id"], day))
        is_bad = true["kind"] == kind and day >= true["from_day"]
        state = "found" if isinstance(verdict, Finding) else "silent" if verdict is not None else "clean"
        tally[f"{'bad' if is_bad else 'good'} {state}"] += 1
        if is_bad and state == "found" and found is None:
            found = (day - true["from_day"]).days + 1
        if not is_bad and state == "found":
            false[kind, true["what"]] += 1
    if true["kind"] == kind:
        tally["sites"] += 1
        tally["sites found"] += found is not None
    return found


def _print(kind: str, tally: Counter, late: list[int], interval_min: int) -> None:
    good = sum(n for name, n in tally.items() if name.startswith("good"))
    bad = sum(n for name, n in tally.items() if name.startswith("bad"))
    days = f"{np.median(late):.0f}, 90 % {np.percentile(late, 90):.0f}" if late else "-"
    print(
        f"{kind:24} {interval_min:2} min: sites {tally['sites found']}/{tally['sites']}, days to find median {days}; "
        f"faulty days found {tally['bad found']}, missed {tally['bad clean']}, not judged {tally['bad silent']} "
        f"of {bad}; "
        f"false {tally['good found']} = {1000 * tally['good found'] / max(good, 1):.2f} per 1,000, "
        f"not judged {100 * tally['good silent'] / max(good, 1):.0f} % of sound days"
    )


if __name__ == "__main__":
    days_given, each_given = (int(one) for one in (*sys.argv[1:], *("28", "2")[len(sys.argv) - 1 :]))
    for minutes in (5, 15, 60):
        measure(range(9100, 9103), interval_min=minutes, day_count=days_given, each=each_given)
