"""Lives through a fleet with the yield engine alone: exports are taken in at once, then each night's yield features.

The rest of the detectors, the site-days and the store between the nights are left out, which takes a fifth of the time.
What other detectors would say of clocks and readings is not known here, so use fleets whose faults are of yield alone.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path
from types import ModuleType
from typing import Any

import polars as pl

import detectors
from detectors import detector_names, features, kinds, wanted_frames
from detectors.finding import Finding, NotJudged
from detectors.frames import DAYS, EARLIER, READINGS
from pipeline.detection.run_detectors import findings_frame, losses_frame, not_judged_frame, of_sites
from pipeline.exceptions.fold import fold_at
from pipeline.frames import DECISIONS
from pipeline.ingest import arrivals
from pipeline.ingest.ingest import Ingest
from pipeline.runs.session import opened
from pipeline.store import device_sums, readings
from pipeline.workspace.places import Workspace
from tests.benches.living import Lived, clocked
from tests.simulation.fleet import Fleet
from tests.simulation.lookalikes import LOOK_ALIKES
from tests.simulation.workspace import write_workspace
from tests.support.yield_fleet import Lived as Nights
from tests.support.yield_fleet import Roofs, live_night

OF_READINGS = {"readings", "sites"}


@dataclass
class Through:
    """What a fleet's nights gave: for the score, and what the engine remembers of every night."""

    lived: Lived
    nights: Nights


def read_in(fleet: Fleet, root: Path) -> Roofs:
    """The fleet's readings as the pipeline reads its exports, by local day, and its register."""
    exports = write_workspace(fleet, root)
    for number in range(fleet.days + 7):
        exports.deliver(number, Workspace(root).inbox)
    return replace(take_in(root, fleet.first, fleet.days), faults=fleet.faults)


def take_in(root: Path, first: date, days: int) -> Roofs:
    """The readings of what waits in a workspace's inbox, by local day, and its register."""
    workspace = Workspace(root)
    with opened(workspace, is_quiet=True) as run:
        waiting = arrivals.let_settle(arrivals.find(workspace, ()), 0.0)
        Ingest(run.store, workspace, run.settings, run.register, run.profiles).run(waiting.arrivals, lambda _: None)
        rows = readings.read_days(run.store, first, first + timedelta(days=days - 1))
        rows = device_sums.to_sites(rows, device_sums.shares(run.store)).select(READINGS.names()).cast(READINGS)
        sites, planes = run.store.sites(), run.store.planes()
    dated = rows.with_columns(day=pl.col("ts_local").dt.date()).partition_by("day", as_dict=True, include_key=False)
    by_day = {key[0]: one for key, one in dated.items()}
    return Roofs(sites, planes, by_day, [], first, days)


def live_through(fleet: Fleet, roofs: Roofs) -> Through:
    """Lives through the fleet's nights, with its register as it stands on each."""
    return live_nights(roofs, lambda number: _register_on(fleet, roofs.sites, number))


def live_nights(roofs: Roofs, register_on: Callable[[int], pl.DataFrame]) -> Through:
    """Lives through the nights; `register_on` gives the sites that are judged in each, counted from 0."""
    seconds: dict[str, float] = defaultdict(float)
    found = features.load()
    modules = [one for one in detectors.load() if _is_engine(one)]
    names = _wanted(modules, found)
    nights = Nights({name: schema.to_frame() for name in names if (schema := found[name].schema) is not None})
    told: list[pl.DataFrame] = []
    losses: list[pl.DataFrame] = []
    silent: list[pl.DataFrame] = []
    judged = []
    for number in range(roofs.days):
        day = roofs.day(number)
        sites = register_on(number)
        mine = replace(roofs, sites=sites, readings={day: of_sites(_on(roofs, day), sites)})
        with clocked(seconds, "(features of yield)"):
            live_night(mine, day, names, nights)
        said = []
        for module in modules:
            with clocked(seconds, module.DETECTOR):
                given = {name: _given(name, nights, found, mine, day) for name in wanted_frames(module.detect)}
                said += module.detect(**given)
        rows = [one for one in said if isinstance(one, Finding)]
        told.append(findings_frame(rows))
        losses.append(losses_frame(rows))
        silent.append(not_judged_frame([one for one in said if isinstance(one, NotJudged)]))
        judged.append(sites.select("site_id", day=pl.lit(day)))
    days = [roofs.day(number) for number in range(roofs.days)]
    not_judged = pl.concat(silent)
    folded = fold_at(
        pl.concat(told), pl.concat(judged), not_judged, DECISIONS.to_frame(), roofs.sites, kinds(), detector_names(),
        days=days, losses=pl.concat(losses),
    )  # fmt: skip
    open_on = [
        one.exceptions.filter(pl.col("closed_on").is_null()).with_columns(night=pl.lit(day))
        for one, day in zip(folded, days, strict=True)
    ]
    names_of = {kind: name for kind, name in detector_names().items() if name in {one.DETECTOR for one in modules}}
    lived = Lived(
        pl.concat(open_on), folded[-1].exceptions, not_judged.select("site_id", "day", "detector", "reason", "code"),
        dict(seconds), sum(one.height for one in roofs.readings.values()), kinds=names_of,
    )  # fmt: skip
    return Through(lived, nights)


def _is_engine(module: ModuleType) -> bool:
    """Whether a detector tells of the yield engine's cases or models, or of what it knows to be due and voltage cut."""
    return bool({"yield_case", "roof_model", "expected_hour"} & set(wanted_frames(module.detect)))


def _wanted(modules: list[ModuleType], found: dict[str, Any]) -> list[str]:
    """The nightly features behind the detectors, and those of readings that they want, each after what it names."""
    wanted: list[str] = []

    def want(name: str, *, is_of_night: bool = False) -> None:
        is_due = name in found and (found[name].is_nightly or (is_of_night and set(found[name].wants) <= OF_READINGS))
        if is_due and name not in wanted:
            for other in found[name].wants:
                want(other, is_of_night=True)
            wanted.append(name)

    for module in modules:
        for name in wanted_frames(module.detect):
            want(name)
    looked_back_on = [other.removeprefix(features.PAST_OF) for name in wanted for other in found[name].wants]
    for name in (*looked_back_on, "expected"):
        want(name)
    return wanted


def _on(roofs: Roofs, day: date) -> pl.DataFrame:
    return roofs.readings.get(day, READINGS.to_frame())


def _register_on(fleet: Fleet, sites: pl.DataFrame, number: int) -> pl.DataFrame:
    """The commissioned sites, with limits that were lifted."""
    day = fleet.first + timedelta(days=number)
    lifted = [
        site_id
        for site_id, event in fleet.event_day.items()
        if event <= number and LOOK_ALIKES[fleet.sites[int(site_id[1:]) - 1].role].delivery == "limit lifted"
    ]
    is_lifted = pl.col("site_id").is_in(lifted)
    return sites.filter((pl.col("commissioned_on") <= day).fill_null(True)).with_columns(
        pl.when(~is_lifted).then(name).alias(name) for name in ("feed_in_limit_kw", "feed_in_buffer_w")
    )  # fmt: skip


def _given(name: str, nights: Nights, found: dict[str, Any], mine: Roofs, day: date) -> Any:
    if name in nights.objects:
        return nights.objects[name]
    if name in nights.rows:
        since = day - timedelta(days=found[name].window_days)
        return of_sites(nights.rows[name].filter(pl.col("day").is_between(since, day)), mine.sites)
    if name in found:
        schema = found[name].schema
        assert schema is not None
        return schema.to_frame()  # a feature of readings, which serves pictures and figures beside
    return {"day": day, "days": DAYS.to_frame(), "sites": mine.sites, "planes": mine.planes,
            "earlier": EARLIER.to_frame(), "readings": mine.readings[day]}[name]  # fmt: skip
