"""Prints how soon the yield detectors find faults of all sizes, what they cost in false alarms, and how they scale.

Run by hand: python -m tests.benches.yields [--seed N] [faults|alone|planes|scale ...]; some ten minutes in all.
Another seed makes fleets that no threshold was chosen on. A lone roof costs a whole fleet's overhead a day, so
`alone` takes fewer regions, three roofs of each, and three sizes of fault.
"""

import argparse
import resource
import time
from collections import Counter
from collections.abc import Iterator
from datetime import date, timedelta

import numpy as np
import polars as pl

from detectors import earlier_frame, kinds
from detectors.finding import Finding, Verdict
from detectors.yields import (
    capacity_mismatch,
    fleet_yields,
    hourly,
    no_generation,
    string_loss,
    underperformance,
    unexplained,
)
from detectors.yields.site_model import MODEL, filled, learn
from tests.support import build, simulate_hours
from tests.support.simulate_hours import HourFleet

REGIONS = (  # latitude, first day, snow
    (50.0, date(2025, 3, 1), False),
    (44.0, date(2025, 5, 1), False),
    (52.0, date(2025, 11, 15), True),
    (-33.0, date(2025, 8, 1), False),
    (47.0, date(2025, 9, 10), False),
)
DETECTORS = (no_generation, string_loss, capacity_mismatch, underperformance, unexplained)
EXPLAINED = ("underperformance", "no-generation", "string-loss", "capacity-mismatch")
STEP_AT = 30


def judge(
    days: pl.DataFrame,
    sites: pl.DataFrame,
    kept: pl.DataFrame,
    models: pl.DataFrame,
    day: date,
    *,
    planes: pl.DataFrame | None = None,
) -> tuple[fleet_yields.Yields, list[Verdict]]:
    """One day before the yield detectors in their order, as the runner does it."""
    earlier = build.earlier()
    days, kept = days.filter(pl.col("day") <= day), kept.filter(pl.col("day") <= day)
    seen = fleet_yields.look(kept, days, sites, build.planes() if planes is None else planes, models, earlier, day)
    frames = {"yields": seen, "days": days, "earlier": earlier, "day": day}
    verdicts: list[Verdict] = []
    for module in DETECTORS:
        names = module.detect.__code__.co_varnames[: module.detect.__code__.co_argcount]
        said = module.detect(**{name: frames[name] for name in names})
        verdicts += said
        found = earlier_frame((v for v in said if isinstance(v, Finding)), kinds())
        frames["earlier"] = pl.concat([frames["earlier"], found])
    return seen, verdicts


def lived(fleet: HourFleet, first: date, place: range) -> Iterator[tuple[int, list[Verdict]]]:
    """The verdicts of day after day, what was learned handed on."""
    models = MODEL.to_frame()
    for n in place:
        seen, verdicts = judge(fleet.days, fleet.sites, fleet.kept, models, first + timedelta(days=n))
        models = pl.concat([models, seen.learned])
        yield n, verdicts


def fleets(factor: float, seed: int) -> Iterator[tuple[HourFleet, date]]:
    """Regions of 14 roofs: two lose their share at a step, one never had it."""
    for place, (latitude, first, snow) in enumerate(REGIONS):
        factors, start = np.ones(14), np.zeros(14, dtype=np.intp)
        factors[[2, 6, 10]], start[[2, 6]] = factor, STEP_AT
        yield (
            simulate_hours.fleet(
                seed + place, latitude=latitude, first_day=first, factors=factors, from_place=start, snow=snow
            ),
            first,
        )


def alone(fleet: HourFleet) -> Iterator[HourFleet]:
    """A roof with a step, one that never had its share and a healthy one, each as if nobody stood near."""
    for n in (1, 2, 10):
        site = pl.col("site_id") == fleet.sites["site_id"][n]
        yield fleet._replace(
            kept=fleet.kept.filter(site), days=fleet.days.filter(site), sites=fleet.sites.filter(site),
            truth=fleet.truth.filter(site),
        )  # fmt: skip


def measure(factor: float, seed: int, *, single: bool) -> None:
    """Days until found and false alarms, apart for known and unknown planes; 15 days, 60 days, and a step between."""
    found: dict[tuple[str, bool], list[int | None]] = {}
    tally, kinds = Counter(), Counter()
    told_kwh, true_kwh = 0.0, 0.0
    for whole, first in fleets(factor, seed):
        for fleet in alone(whole) if single else (whole,):
            truth = {row["site_id"]: row for row in fleet.truth.iter_rows(named=True)}
            energy = {(s, d): kwh for s, d, kwh in fleet.days.select("site_id", "day", "pv_kwh").iter_rows()}
            first_found: dict[str, int] = {}
            for n, verdicts in lived(fleet, first, range(3, 60)):
                for verdict in verdicts:
                    if not isinstance(verdict, Finding):
                        continue
                    true = truth[verdict.site_id]
                    is_bad = true["factor"] < 1 and n >= true["from_place"]
                    if not is_bad:
                        tally["false"] += verdict.kind in EXPLAINED
                        tally["odd"] += verdict.kind not in EXPLAINED
                        kinds[f"{verdict.kind} at {fleet.sites['latitude'].mean():.0f}"] += 1
                    elif verdict.kind in EXPLAINED:
                        first_found.setdefault(verdict.site_id, n)
                        if verdict.loss_kwh > 0:
                            told_kwh += verdict.loss_kwh
                            true_kwh += energy[verdict.site_id, verdict.day] * (1 / true["factor"] - 1)
                tally["days"] += sum(t["factor"] == 1 or n < t["from_place"] for t in truth.values())
            for site_id, true in truth.items():
                if true["factor"] < 1:
                    key = "step" if true["from_place"] else "start"
                    delay = first_found.get(site_id)
                    late = None if delay is None else delay - true["from_place"] + 1
                    found.setdefault((key, true["is_known"]), []).append(late)
    where = "alone" if single else "cluster"
    for (key, is_known), delays in sorted(found.items()):
        hit = [d for d in delays if d is not None]
        soon = sum(d <= 15 for d in hit)
        typical = f"median {np.median(hit):.0f}, 90 % {np.percentile(hit, 90):.0f}" if hit else "-"
        print(
            f"{where} -{100 * (1 - factor):.0f} % {key}, planes {'known' if is_known else 'unknown'}: "
            f"{soon}/{len(delays)} within 15 days, {len(hit)}/{len(delays)} within the span; days {typical}"
        )
    print(
        f"{where} -{100 * (1 - factor):.0f} %: false {tally['false']} and odd {tally['odd']} in {tally['days']} sound "
        f"site-days ({1000 * tally['false'] / tally['days']:.2f} and {1000 * tally['odd'] / tally['days']:.2f} per "
        f"1,000) {dict(kinds)}; loss told/true {told_kwh / max(true_kwh, 1e-9):.2f}",
        flush=True,
    )


def measure_planes() -> None:
    """The error of learned planes and sizes, after 15 and 60 days, by region."""
    for latitude, first, _ in REGIONS:
        for count in (15, 60):
            fleet = simulate_hours.fleet(
                8900, latitude=latitude, first_day=first, count=40, day_count=count, known_share=0.0
            )
            rows = learn(fleet.kept, fleet.sites, fleet.planes, first + timedelta(days=count - 1))
            sure = filled(fleet.sites, rows).drop_nulls(["tilt_deg"])["site_id"]
            both = rows.filter(pl.col("site_id").is_in(sure.to_list())).join(fleet.truth, on="site_id", suffix="_true")
            if both.is_empty():
                print(f"planes at {latitude:g} from {first:%d %B}, {count} days: none sure of {fleet.sites.height}")
                continue
            tilt = (both["tilt_deg"] - both["tilt_deg_true"]).abs().to_numpy()
            turn = ((both["azimuth_deg"] - both["azimuth_deg_true"] + 180) % 360 - 180).abs().to_numpy()
            size = (both["capacity_kwp"] / both["kwp"]).to_numpy()
            print(
                f"planes at {latitude:g} from {first:%d %B}, {count} days: {both.height}/{fleet.sites.height} sure; "
                f"error median / 90 %: tilt {np.median(tilt):.1f} / {np.quantile(tilt, 0.9):.1f}, azimuth "
                f"{np.median(turn):.1f} / {np.quantile(turn, 0.9):.1f} deg; "
                f"size over true {np.median(size):.2f} +- {np.std(size):.2f}",
                flush=True,
            )


def measure_scale(count: int) -> None:
    """Seconds and memory of one judged day of a big fleet, all roofs learned at once and then a seventh of them."""
    base = simulate_hours.fleet(8990, latitude=48, first_day=date(2025, 4, 1), count=100, day_count=60)
    rng = np.random.default_rng(8990)
    copies = count // 100

    def many(frame: pl.DataFrame) -> pl.DataFrame:
        ids = pl.col("site_id")
        return pl.concat([frame.with_columns(ids + f"-{n}") for n in range(copies)])

    sites = many(base.sites).with_columns(latitude=pl.Series(rng.uniform(44, 52, count)))
    days, kept = many(base.days), many(base.kept)
    last = date(2025, 4, 1) + timedelta(days=58)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    models = MODEL.to_frame()
    for what in ("all learned", "a seventh learned"):
        began = time.process_time()
        seen, verdicts = judge(days, sites, kept, models, last)
        took = time.process_time() - began
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{count} sites, {what}: {took:.1f} s of processor, {peak - before:.0f} MB above {before:.0f}, "
            f"{len(verdicts)} verdicts",
            flush=True,
        )
        models, last = seen.learned, last + timedelta(days=1)
    readings = pl.concat(
        [
            build.readings({"pv_w": [float(k) for k in range(288)], "grid_w": [0.0] * 288}, site_id=f"s{n}")
            for n in range(20)
        ]
    )
    readings = pl.concat([readings.with_columns(pl.col("site_id") + f"-{n}") for n in range(50)])
    began = time.process_time()
    hourly.keep(readings, build.sites(*({"site_id": s} for s in readings["site_id"].unique())))
    print(f"keep: {time.process_time() - began:.2f} s per 1,000 site-days at 5 min", flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", default=["planes", "faults", "alone", "scale"])
    parser.add_argument("--seed", type=int, default=8000)
    asked = parser.parse_args()
    if "planes" in asked.parts:
        measure_planes()
    for name, is_single, shares in (
        ("faults", False, (0.9, 0.85, 0.8, 0.7, 0.5)),
        ("alone", True, (0.85, 0.7, 0.5)),
    ):
        if name in asked.parts:
            for share in shares:
                measure(share, asked.seed, single=is_single)
    if "scale" in asked.parts:
        measure_scale(10_000)
