"""From findings to exceptions: what stays open over days, and what a person decided about it.

An exception is a pure fold over the whole history (findings, judged days, decisions), so a day that is judged anew,
late data or a re-run give what living through it would have given.

The life of one matter, per site and kind:

- opens on the day on which `Kind.open_after` of the last `Kind.within` judged days have a finding;
- a day is *clear* if the site was judged, the kind has no finding and its detector did not say "not judged";
- closes by itself after `Kind.close_after` clear days in a row, never by missing data;
- opens again under the same id if the rule is met anew by findings that begin within `REOPEN_DAYS` of its closing;
- a person's close holds: findings raise nothing until a clear day was seen or `REOPEN_DAYS` have passed.

A decision counts after the detection of its `on_day`. Decisions about a matter that is not the site's latest of that
kind, or not in a state that they fit, change nothing. Sites that are not watched, or not in the register, and kinds
that no detector claims raise nothing.
"""

from collections import defaultdict, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import groupby
from operator import itemgetter
from typing import Any

import numpy as np
import polars as pl

from detectors.finding import Kind
from pipeline.exceptions.causes import hide_effects
from pipeline.exceptions.revisits import SEVERITIES
from pipeline.frames import EXCEPTIONS

REOPEN_DAYS = 30  # ours: a fault that comes back within a month was not mended, so it keeps its number and its history

MENDED_NOTE = "closed by a correction of the site's clock (relation clock_shift)"


@dataclass
class _Matter:
    exception_id: str
    opened_on: int  # days are proleptic ordinals throughout the walk
    status: str = "open"
    findings: list[dict[str, Any]] = field(default_factory=list)
    clear: int = 0
    closed_on: int | None = None
    is_held: bool = False  # closed by a person, no clear day seen since
    snoozed_until: date | None = None
    reopened: int = 0
    note: str = ""

    def close(self, on: int, *, by_person: bool) -> None:
        self.status, self.closed_on, self.is_held, self.snoozed_until = "closed", on, by_person, None

    def reopen(self) -> None:
        self.status, self.closed_on, self.is_held, self.clear = "open", None, False, 0
        self.reopened += 1


def fold(
    findings: pl.DataFrame,
    judged: pl.DataFrame,
    not_judged: pl.DataFrame,
    decisions: pl.DataFrame,
    sites: pl.DataFrame,
    kinds: Mapping[str, Kind],
    detectors: Mapping[str, str],
    *,
    day: date,
) -> pl.DataFrame:
    """EXCEPTIONS as they stood at the end of `day`, closed ones included, ordered by exception_id.

    `detectors` names the detector of each kind. Later rows and decisions are left out of account.
    """
    return fold_at(findings, judged, not_judged, decisions, sites, kinds, detectors, days=[day])[0]


def fold_at(
    findings: pl.DataFrame,
    judged: pl.DataFrame,
    not_judged: pl.DataFrame,
    decisions: pl.DataFrame,
    sites: pl.DataFrame,
    kinds: Mapping[str, Kind],
    detectors: Mapping[str, str],
    *,
    days: Sequence[date],
) -> list[pl.DataFrame]:
    """As `fold`, for each of some days in rising order, in one pass."""
    day = days[-1]
    watched = sites.filter(pl.col("watched").fill_null(True))
    currency = dict(watched.select("site_id", "currency").iter_rows())
    rows = _sorted_findings(findings, currency, kinds, day)
    judged_days = _judged_days(judged, {row["site_id"] for row in rows}, day)
    skipped_days = _skipped_days(not_judged, judged_days.keys(), day)
    decided = _decisions_by_prefix(decisions, day)

    tables: list[list[dict[str, Any]]] = [[] for _ in days]
    ordinals = [one.toordinal() for one in days]
    for (site_id, kind), group in groupby(rows, itemgetter("site_id", "kind")):
        detector = detectors.get(kind, kind)
        walk = _Walk(f"{site_id}-{kind}-", kinds[kind], list(group), decided.get(f"{site_id}-{kind}-", []))
        stands = walk.run(judged_days[site_id], skipped_days.get((site_id, detector)), ordinals)
        for on, table, matters in zip(days, tables, stands, strict=True):
            table += [_row(matter, detector, currency[site_id], on) for matter in matters]
    for table in tables:
        hide_effects(table)
    return [pl.DataFrame(table, schema=EXCEPTIONS, orient="row").sort("exception_id") for table in tables]


def _sorted_findings(
    findings: pl.DataFrame, sites: Iterable[str], kinds: Mapping[str, Kind], day: date
) -> list[dict[str, Any]]:
    """One row per site, kind and day; of several the worst (severity, then the largest figure)."""
    rank = pl.col("severity").replace_strict({s: i for i, s in enumerate(SEVERITIES)}, default=9, return_dtype=pl.Int8)
    return (
        findings.filter(
            pl.col("day") <= day, pl.col("site_id").is_in(list(sites)), pl.col("kind").is_in(list(kinds.keys()))
        )
        .with_columns(pl.col("loss_kwh", "cost").fill_nan(0.0).fill_null(0.0))
        .sort("site_id", "kind", "day", rank, -pl.col("value").abs(), "summary", "evidence", nulls_last=True)
        .unique(["site_id", "kind", "day"], keep="first", maintain_order=True)
        .to_dicts()
    )


def _ordinals(days: pl.Series) -> np.ndarray:
    return days.cast(pl.Int32).to_numpy() + date(1970, 1, 1).toordinal()


def _judged_days(judged: pl.DataFrame, sites: set[str], day: date) -> dict[str, np.ndarray]:
    wanted = judged.filter(pl.col("day") <= day, pl.col("site_id").is_in(list(sites))).select("site_id", "day")
    days: dict[str, np.ndarray] = dict.fromkeys(sites, np.empty(0, dtype=np.int32))
    for (site_id,), part in wanted.unique().sort("site_id", "day").group_by("site_id", maintain_order=True):
        days[str(site_id)] = _ordinals(part["day"])
    return days


def _skipped_days(not_judged: pl.DataFrame, sites: Iterable[str], day: date) -> dict[tuple[str, str], np.ndarray]:
    wanted = not_judged.filter(pl.col("day") <= day, pl.col("site_id").is_in(list(sites)))
    groups = wanted.select("site_id", "detector", "day").unique().sort("day").group_by("site_id", "detector")
    return {(str(site), str(detector)): _ordinals(part["day"].sort()) for (site, detector), part in groups}


def _decisions_by_prefix(decisions: pl.DataFrame, day: date) -> dict[str, list[dict[str, Any]]]:
    by_prefix = defaultdict(list)
    in_order = decisions.filter(pl.col("on_day") <= day).sort(
        "on_day", "decided_at", "exception_id", "action", "until", "note", nulls_last=True
    )
    for row in in_order.iter_rows(named=True):
        prefix, dash, _ = row["exception_id"].rpartition("-")
        by_prefix[prefix + dash].append(row)
    return by_prefix


@dataclass
class _Walk:
    """One site's matters of one kind, event by event: findings and decisions; clear days between are only counted."""

    prefix: str
    kind: Kind
    findings: list[dict[str, Any]]
    decisions: list[dict[str, Any]]
    matters: list[_Matter] = field(default_factory=list)
    pending: list[tuple[int, dict[str, Any]]] = field(default_factory=list)  # findings that may yet open a matter

    def run(self, judged: np.ndarray, skipped: np.ndarray | None, days: Sequence[int]) -> Iterator[list[_Matter]]:
        """The matters as they stand at the end of each of `days`, in rising order; the next step changes them."""
        found = np.array([row["day"].toordinal() for row in self.findings], dtype=np.int64)
        # A finding proves that its day was judged, whatever the other frames say of it.
        clear = np.setdiff1d(judged, found if skipped is None else np.union1d(found, skipped))
        position = np.searchsorted(np.union1d(clear, found), found)
        events = deque(self._events(position))
        passed = 0
        for last in days:
            while events and events[0][0] <= last:
                on, row = events.popleft()
                passed = self._pass_until(clear, passed, on)
                if isinstance(row, tuple):
                    self._finding(*row)
                else:
                    self._decision(row, on)
            passed = self._pass_until(clear, passed, last)
            yield self.matters

    def _pass_until(self, clear: np.ndarray, passed: int, day: int) -> int:
        """How many of the clear days are passed once those up to `day` are."""
        upto = int(np.searchsorted(clear, day, side="right"))
        self._pass_clear(clear[passed:upto])
        return upto

    def _events(self, position: np.ndarray) -> Iterator[tuple[int, Any]]:
        events: list[tuple[int, int, Any]] = [
            (row["day"].toordinal(), 0, (int(place), row)) for place, row in zip(position, self.findings, strict=True)
        ]
        events += [(row["on_day"].toordinal(), 1, row) for row in self.decisions]
        return ((on, row) for on, _, row in sorted(events, key=itemgetter(0, 1)))

    def _pass_clear(self, days: np.ndarray) -> None:
        if not self.matters or not len(days):
            return
        matter = self.matters[-1]
        if matter.closed_on is not None:
            # Days before its own closing were passed already, so any of these came after a person's close.
            matter.is_held = False
            return
        missing = self.kind.close_after - matter.clear
        matter.clear += min(missing, len(days))
        if len(days) >= missing:
            matter.close(int(days[missing - 1]), by_person=False)

    def _finding(self, place: int, row: dict[str, Any]) -> None:
        matter = self.matters[-1] if self.matters else None
        on = row["day"].toordinal()
        if matter is not None and matter.closed_on is None:
            matter.findings.append(row)
            matter.clear = 0
            return
        if matter is not None and matter.is_held and on - (matter.closed_on or 0) <= REOPEN_DAYS:
            return
        self.pending = [(p, r) for p, r in self.pending if p > place - self.kind.within] + [(place, row)]
        if len(self.pending) < self.kind.open_after:
            return
        began = self.pending[0][1]["day"].toordinal()
        if matter is not None and began - (matter.closed_on or 0) <= REOPEN_DAYS:
            matter.reopen()
        else:
            matter = _Matter(f"{self.prefix}{len(self.matters) + 1}", on)
            self.matters.append(matter)
        self._adopt_pending(matter)

    def _adopt_pending(self, matter: _Matter) -> None:
        matter.findings += [row for _, row in self.pending]
        self.pending = []

    def _decision(self, row: dict[str, Any], on: int) -> None:
        matter = self.matters[-1] if self.matters else None
        if matter is None or matter.exception_id != row["exception_id"]:
            return
        is_open = matter.closed_on is None
        match row["action"]:
            case "acknowledge" if is_open:
                matter.status, matter.snoozed_until = "acknowledged", None
            case "snooze" if is_open and row["until"] is not None:
                matter.status, matter.snoozed_until = "open", row["until"]
            case "close" if is_open:
                matter.close(on, by_person=True)
            case "reopen" if not is_open:
                matter.reopen()
                self._adopt_pending(matter)
            case "reopen":
                matter.status, matter.snoozed_until = "open", None
            case _:
                return
        matter.note = row["note"] or matter.note


def _row(matter: _Matter, detector: str, currency: str | None, day: date) -> dict[str, Any]:
    latest = matter.findings[-1]
    is_snoozed = matter.closed_on is None and matter.snoozed_until is not None and day < matter.snoozed_until
    return {
        "exception_id": matter.exception_id,
        **{key: latest[key] for key in ("site_id", "kind", "severity", "summary", "evidence")},
        **{key: latest[key] for key in ("measured", "expected", "value", "unit", "threshold")},
        "status": "snoozed" if is_snoozed else matter.status,
        "opened_on": date.fromordinal(matter.opened_on),
        "first_day": min(min(row["since"] or row["day"], row["day"]) for row in matter.findings),
        "last_day": latest["day"],
        "days_open": (matter.closed_on or day.toordinal()) - matter.opened_on,
        "loss_kwh": sum(row["loss_kwh"] for row in matter.findings),
        "cost": sum(row["cost"] for row in matter.findings),
        "currency": currency,
        "closed_on": None if matter.closed_on is None else date.fromordinal(matter.closed_on),
        "reopened": matter.reopened,
        "snoozed_until": matter.snoozed_until if is_snoozed else None,
        "note": matter.note,
        "hidden_by": None,
        "finding_days": len(matter.findings),
        "clear_days": matter.clear,
        "detector": detector,
    }


def with_mended(folded: pl.DataFrame, mended: pl.DataFrame, *, day: date) -> pl.DataFrame:
    """`folded` and the matters that a correction of the clock took out of the findings, closed from that day on.

    `mended`: EXCEPTIONS as they stood when the correction was made, and `mended_on`. A matter that the fold still
    knows is the fold's.
    """
    gone = mended.filter(pl.col("opened_on") <= day).join(folded, on="exception_id", how="anti")
    is_over = pl.col("mended_on") <= day
    rows = gone.with_columns(
        status=pl.when(is_over).then(pl.lit("closed")).otherwise("status"),
        closed_on=pl.when(is_over).then("mended_on").otherwise("closed_on"),
        note=pl.when(is_over).then(pl.lit(MENDED_NOTE)).otherwise("note"),
    )
    return pl.concat([folded, rows.select(EXCEPTIONS.names()).cast(EXCEPTIONS)]).sort("exception_id")
