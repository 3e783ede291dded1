"""Prints how often the grid's detectors find, miss and cry wolf on invented homes with look-alikes among them.

Run by hand, some two minutes: python -m tests.benches.grid [5 15 60]
"""

import sys
from collections import Counter
from datetime import timedelta
from types import ModuleType

import numpy as np
import polars as pl

from detectors.finding import Finding
from detectors.grid import (
    import_limit_exceeded,
    meter_reversed,
    phase_imbalance,
    unexpected_export,
    voltage_out_of_band,
)
from detectors.grid.feed_in_transients import as_evidence, buffer_advice
from tests.support import build
from tests.support.features import call, made_for, until
from tests.support.grid_homes import FAULT_DAY, FIRST, MEANT, Fleet, fleet

DETECTORS = (
    meter_reversed, import_limit_exceeded, phase_imbalance, unexpected_export, voltage_out_of_band
)  # fmt: skip
DAYS = 21
WORTH = {  # the true value from which a day counts as faulty; below it the fault hardly shows
    "meter-reversed": 0.3, "phase-imbalance": 1.5, "voltage-out-of-band": 5.0, "unexpected-export": 0.5,
}  # fmt: skip
TURNS = ("meter-reversed", "unexpected-export")  # sound until the fault's day


def measure(seed: int, out_min: int, *, each: int = 6) -> None:
    homes = fleet(seed, each=each, day_count=DAYS, out_min=out_min)
    made = made_for(DETECTORS, {"readings": homes.readings, "sites": homes.sites})
    said: dict[str, dict[str, dict[int, str]]] = {m.KIND: {} for m in DETECTORS}
    for d in range(DAYS):
        day = FIRST + timedelta(days=d)
        today = homes.readings.filter(pl.col("ts_local").dt.date() == day)
        found: list[Finding] = []
        for module in DETECTORS:
            earlier = build.earlier(*((f.site_id, f.kind) for f in found if module.RANK > meter_reversed.RANK))
            frames = {"readings": today, "sites": homes.sites, "earlier": earlier, "day": day, **until(made, day)}
            for verdict in call(module.detect, frames):
                is_found = isinstance(verdict, Finding)
                said[module.KIND].setdefault(verdict.site_id, {})[d] = "found" if is_found else "unjudged"
                if isinstance(verdict, Finding):
                    found.append(verdict)
    for module in DETECTORS:
        _print(module, homes, said[module.KIND], out_min)
    advice = buffer_advice(made["feed_in_transients"], homes.sites)
    for name in ("may not feed in", "may not feed in, battery"):
        own = advice.filter(pl.col("site_id").replace_strict(homes.roles) == name)
        middle = own.select(pl.exclude("site_id").median()).row(0, named=True)
        if middle["advised_buffer_w"] is not None:
            print(f"    {name}, median of {own.height}: {as_evidence({**middle, 'buffer_w': 20.0})['transients_text']}")


def _print(module: ModuleType, homes: Fleet, said: dict[str, dict[int, str]], out_min: int) -> None:
    kind, about = module.KIND, module.KINDS[module.KIND]
    tally: Counter[str] = Counter()
    false_roles: Counter[str] = Counter()
    firsts, opened, faulty_sites, found_sites = [], [], 0, 0
    limits = {row["site_id"]: row["import_limit_kw"] for row in homes.sites.iter_rows(named=True)}
    for n, (site_id, role) in enumerate(homes.roles.items()):
        meant = not np.isnan(homes.truth[kind][n]).all()
        hits: list[int] = []
        least = WORTH.get(kind, (limits[site_id] or 0.0) * 1010 + 30)
        most_sound = (limits[site_id] or 0.0) * 1000 if kind == import_limit_exceeded.KIND else 0.0
        for d in range(DAYS):
            told = said.get(site_id, {}).get(d, "clean")
            value = homes.truth[kind][n, d]
            if meant and value >= least:
                tally["bad " + told] += 1
            elif not meant or (kind in TURNS and d < FAULT_DAY) or (limits[site_id] and value <= most_sound):
                tally["good " + told] += 1
                false_roles[role] += told == "found"
            if meant and told == "found":
                hits.append(d)
        bad_days = [d for d in range(DAYS) if meant and homes.truth[kind][n, d] >= least]
        if bad_days:
            faulty_sites += 1
            found_sites += bool(hits)
            if hits:
                firsts.append(hits[0] - bad_days[0] + 1)
            need = about.open_after
            late = [d for i, d in enumerate(hits) if i + 1 >= need and d - hits[i + 1 - need] < about.within]
            if late:
                opened.append(late[0] - bad_days[0] + 1)
    good = tally["good clean"] + tally["good found"]
    print(
        f"{out_min:3d} min {kind:23s} sites {found_sites}/{faulty_sites}; faulty days found {tally['bad found']}, "
        f"missed {tally['bad clean']}, not judged {tally['bad unjudged']}; false {tally['good found']} of {good} "
        f"({1000 * tally['good found'] / max(good, 1):.2f} per 1,000), sound not judged {tally['good unjudged']}; "
        f"days to find median {_of(firsts, 50)} 90 % {_of(firsts, 90)}; to open {_of(opened, 50)} / {_of(opened, 90)}"
        + (f"; false at {dict((+false_roles).most_common(4))}" if +false_roles else "")
    )


def _of(days: list[int], percent: int) -> str:
    return f"{np.percentile(days, percent):.0f}" if days else "-"


if __name__ == "__main__":
    print(f"fault from day {FAULT_DAY} of {DAYS}; roles: {', '.join(role for role, _ in MEANT)}")
    for minutes in [int(word) for word in sys.argv[1:]] or [5, 15, 60]:
        for seed in (4200, 4201):
            measure(seed, minutes)
