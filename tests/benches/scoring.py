"""Holds what the pipeline said against what was put in."""

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from detectors.finding import DOES_NOT_APPLY
from tests.benches.living import Lived
from tests.simulation.faults import FORMS, NAN, RAMP, Fault
from tests.simulation.fleet import Fleet
from tests.simulation.site import Site

SAME = {"phase-compensation-off": "phase-imbalance"}  # an older name of the kind
SEVERITIES = ("urgent", "soon", "watch")
MONTH_DAYS = 30
LATE_DAYS = 20  # an exception may open so long after the end of its fault
# What is true as well while a fault lasts, so that saying it is not wrong.
ALSO_TRUE = {
    "meter-reversed": {"balance-broken", "unexpected-export", "phase-imbalance", "import-limit-exceeded"},
    "unexpected-export": {"phase-imbalance"},
    "battery-grid-charging": {"import-limit-exceeded"},
    "battery-reading-frozen": {"readings-frozen"},
    "readings-frozen": {"battery-reading-frozen", "balance-broken"},
    "readings-implausible": {"balance-broken"},
    "balance-broken": {"capacity-mismatch", "readings-implausible"},
}


@dataclass
class FaultRow:
    """A fault and what became of it."""

    site_id: str
    kind: str
    shape: str
    is_visible: bool
    limit_class: str
    is_alone: bool
    minutes: int
    days_left: int
    found: bool = False
    days: float = NAN  # from onset, or the first day on which it shows, to opened_on
    wrong: str = ""  # the kind said instead
    size_error_pct: float = NAN
    first_day_error: float = NAN
    loss_error_pct: float = NAN
    is_to_act_on: bool = False  # found, and not to watch alone
    significance: float = NAN  # of a fault of yield


@dataclass
class FalseRow:
    """An exception that nothing explains."""

    exception_id: str
    site_id: str
    kind: str
    severity: str
    place: str  # clean | look-alike | beside a fault
    role: str
    opened_on: str


@dataclass
class Score:
    """All rows of one fleet, or of several together."""

    seeds: list[str] = field(default_factory=list)
    faults: list[FaultRow] = field(default_factory=list)
    false: list[FalseRow] = field(default_factory=list)
    site_days: dict[str, int] = field(default_factory=dict)  # by place, and by look-alike
    verdicts: dict[str, list[int]] = field(default_factory=dict)  # "detector|class" -> [judged, all]
    seconds: dict[str, float] = field(default_factory=dict)

    def save(self, path: Path) -> None:
        path.write_text(json.dumps(asdict(self)), encoding="utf-8")

    def add(self, other: "Score") -> None:
        """Takes another fleet's rows in."""
        self.seeds += other.seeds
        self.faults += other.faults
        self.false += other.false
        for mine, theirs in ((self.site_days, other.site_days), (self.seconds, other.seconds)):
            for name, amount in theirs.items():
                mine[name] = mine.get(name, 0) + amount  # type: ignore[assignment]
        for name, (judged, all_) in other.verdicts.items():
            before = self.verdicts.get(name, [0, 0])
            self.verdicts[name] = [before[0] + judged, before[1] + all_]


def load(path: Path) -> Score:
    """A score that was saved."""
    data = json.loads(path.read_text(encoding="utf-8"))
    data["faults"] = [FaultRow(**row) for row in data["faults"]]
    data["false"] = [FalseRow(**row) for row in data["false"]]
    return Score(**data)


@dataclass
class Run:
    """An exception from one night on which it opened to the last on which it was open."""

    exception_id: str
    site_id: str
    kinds: set[str]
    begin: date
    end: date
    severity: str
    is_shown: bool
    last: dict[str, Any]  # the row of the last night


def runs_of(nights: pl.DataFrame) -> list[Run]:
    """Spans of consecutive nights by exception."""
    out: list[Run] = []
    for row in nights.sort("exception_id", "night").iter_rows(named=True):
        kind = SAME.get(row["kind"], row["kind"])
        last = out[-1] if out else None
        if last and last.exception_id == row["exception_id"] and (row["night"] - last.end).days == 1:
            last.end, last.last = row["night"], row
            last.kinds.add(kind)
            last.severity = min(last.severity, row["severity"], key=SEVERITIES.index)
            last.is_shown |= row.get("hidden_by") is None
        else:
            shown = row.get("hidden_by") is None
            out.append(
                Run(
                    row["exception_id"], row["site_id"], {kind}, row["night"], row["night"], row["severity"], shown, row
                )
            )
    return out


def score(fleet: Fleet, lived: Lived) -> Score:
    """The rows of a fleet."""
    runs = runs_of(lived.exceptions)
    sites = {site.site_id: site for site in fleet.sites}
    result = Score([f"{fleet.seed} from {fleet.first}"])
    explained: set[int] = set()  # by the run's identity: an exception may be right once and wrong before
    for fault in fleet.faults:
        mine = [run for run in runs if run.site_id == fault.site_id]
        result.faults.append(_judge(fault, sites[fault.site_id], mine, lived, fleet, explained))
    counted: set[str] = set()
    for run in runs:
        site = sites[run.site_id]
        is_explained = (
            id(run) in explained or _is_also_true(run, fleet.faults_of(site.site_id)) or _is_true_slide(run, site)
        )
        if is_explained or not run.is_shown or run.exception_id in counted:
            continue
        counted.add(run.exception_id)
        place = {"clean": "clean", "fault": "beside a fault"}.get(site.role, "look-alike")
        kind = SAME.get(run.last["kind"], run.last["kind"])
        result.false.append(
            FalseRow(run.exception_id, site.site_id, kind, run.severity, place, site.role, run.begin.isoformat())
        )
    _count_days(fleet, result)
    _count_verdicts(fleet, lived, result)
    result.seconds = dict(lived.seconds)
    return result


def _right_kinds(fault: Fault, fleet: Fleet) -> set[str]:
    """The kinds that are right by their definitions: a wrong zone that begins one day is a step by whole quarters.

    A battery's power that is missing, as zeros from one day on, repeats itself.
    """
    in_the_span = (fault.first_day - fleet.first).days > 0
    if fault.kind == "time-zone-wrong" and in_the_span:
        return {fault.kind, "clock-step"}
    if fault.kind == "clock-step" and abs(fault.size % 15) < 0.1:
        return {fault.kind, "time-zone-wrong"}
    if fault.kind == "balance-broken" and fault.detail.get("way") == "battery missing":
        return {fault.kind, "readings-frozen"}
    return {fault.kind}


def _overlaps(run: Run, fault: Fault) -> bool:
    return fault.first_day <= run.begin and (run.begin - fault.last_day).days <= LATE_DAYS


def _judge(fault: Fault, site: Site, runs: list[Run], lived: Lived, fleet: Fleet, explained: set[int]) -> FaultRow:
    row = FaultRow(
        fault.site_id, fault.kind, fault.shape, fault.is_visible, site.limit_class, site.is_alone, site.logger.minutes,
        fleet.days - (fault.first_day - fleet.first).days, significance=fault.significance,
    )  # fmt: skip
    names = _right_kinds(fault, fleet)
    right = [run for run in runs if names & run.kinds and _overlaps(run, fault)]
    if right:
        run = min(right, key=lambda one: one.begin)
        explained.update(id(one) for one in right)
        row.found, row.days = True, float(max((run.begin - _onset(fault)).days, 0))
        row.is_to_act_on = any(one.severity != SEVERITIES[-1] for one in right)
        row.first_day_error = float(abs((run.last["first_day"] - fault.first_day).days))
        steady = NAN if fault.shape == "ramp" else fault.size
        truth = fault.value_of_day.get(run.last["last_day"], steady)
        if truth == truth and truth and SAME.get(run.last["kind"], run.last["kind"]) in names:
            row.size_error_pct = 100 * abs(run.last["value"] - truth) / abs(truth)
        final = lived.final.filter(pl.col("exception_id") == run.exception_id)
        if fault.loss_kwh == fault.loss_kwh and fault.loss_kwh > 1 and final.height:
            row.loss_error_pct = 100 * (final["loss_kwh"][0] - fault.loss_kwh) / fault.loss_kwh
        return row
    beside = [
        (run, kind)
        for run in runs
        for kind in run.kinds
        if run.is_shown and _overlaps(run, fault) and kind in FORMS
        and (FORMS[kind].family == fault.family or "unexplained" in (kind, fault.kind))
    ]  # fmt: skip
    if beside:
        row.wrong = beside[0][1]
        explained.update(id(run) for run, _ in beside)
    return row


def _onset(fault: Fault) -> date:
    """What grows counts from its begin; a battery that should charge counts from the first day with a surplus."""
    if fault.shape == RAMP or fault.kind == "clock-drift" or fault.shows_from is None:
        return fault.first_day
    return max(fault.first_day, fault.shows_from)


def _is_also_true(run: Run, faults: Iterable[Fault]) -> bool:
    return any(run.kinds & ALSO_TRUE.get(fault.kind, set()) and _overlaps(run, fault) for fault in faults)


def _is_true_slide(run: Run, site: Site) -> bool:
    """Whether it tells of soiling, to watch, at a roof that does soil by half as much a month or more."""
    slide_pct = json.loads(run.last.get("evidence") or "{}").get("slide_pct")
    return slide_pct is not None and site.roof.soiling_per_day * MONTH_DAYS * 100 >= slide_pct / 2


def _count_days(fleet: Fleet, result: Score) -> None:
    for site in fleet.sites:
        place = {"clean": "clean", "fault": "beside a fault"}.get(site.role, "look-alike")
        days = fleet.days - (fleet.event_day[site.site_id] if site.role == "commissioned in the span" else 0)
        names = ["all", place, *([site.role] if place == "look-alike" else [])]
        for name in names:
            result.site_days[name] = result.site_days.get(name, 0) + days


def _concerns(detector: str, site: Site) -> bool:
    """Whether the detector has anything to judge at such a site."""
    if detector.startswith("battery"):
        return site.battery is not None
    return {
        "unexpected-export": site.feed_in_limit_kw is not None,
        "import-limit-exceeded": site.import_limit_kw is not None,
        "phase-imbalance": site.three_phase and site.logger.has_phases,
        "phase-compensation-off": site.three_phase and site.logger.has_phases,
        "voltage-out-of-band": site.logger.has_voltage,
    }.get(detector, True)


def _count_verdicts(fleet: Fleet, lived: Lived, result: Score) -> None:
    last = fleet.first + timedelta(days=fleet.days - 1)
    inside = pl.col("day").is_between(fleet.first, last)  # a wrong clock can put readings outside the span
    # A rule that has nothing to ask of a site is no verdict that is missing.
    applies = ~pl.col("code").is_in(DOES_NOT_APPLY).fill_null(False)
    silent = lived.not_judged.filter(inside, applies).select("site_id", "day", "detector").unique()
    counts = {(s, d): n for s, d, n in silent.group_by("site_id", "detector").len().iter_rows()}
    for detector in sorted(set(lived.kinds.values())):
        for site in fleet.sites:
            if not _concerns(detector, site):
                continue
            days = fleet.days - (fleet.event_day[site.site_id] if site.role == "commissioned in the span" else 0)
            judged = days - counts.get((site.site_id, detector), 0)
            for name in (site.limit_class, "alone" if site.is_alone else "neighbours", "all"):
                before = result.verdicts.get(f"{detector}|{name}", [0, 0])
                result.verdicts[f"{detector}|{name}"] = [before[0] + judged, before[1] + days]
