"""From findings to exceptions: what stays open over days, and what a person decided about it.

An exception is a pure fold over the whole history (findings, judged days, decisions), so a day that is judged anew,
late data or a re-run give what living through it would have given.

The life of one exception, per site and group of kinds (`Kind.group`; most kinds are a group of their own):

- its kind is its present diagnosis, the one of the latest day with a finding: of several findings on a day the kind
  that comes first in the order of trust, of one kind the worst;
- opens on the day on which `Kind.open_after` of the last `Kind.within` judged days have a finding of the group, by the
  rule of that day's kind;
- a day is *clear* if the site was judged, the group has no finding and the present kind's detector did not say "not
  judged";
- closes by itself after `Kind.close_after` clear days in a row, by the rule of its present kind, never by missing data;
- opens again under the same id if the rule is met anew by findings that begin within `REOPEN_DAYS` of its closing;
- a person's close holds: findings raise nothing until a clear day was seen or `REOPEN_DAYS` have passed.

A decision counts after the detection of its `on_day`. Decisions about an exception that is not the site's latest of
that group, or not in a state that they fit, change nothing. Sites that are not watched, or not in the register, and
kinds that no detector claims raise nothing.
"""

from collections import defaultdict, deque
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, timedelta
from itertools import groupby
from operator import itemgetter
from typing import Any

import numpy as np
import polars as pl

from detectors.finding import Kind
from pipeline.exceptions import losses as day_losses
from pipeline.exceptions.causes import hide_effects
from pipeline.exceptions.changes import DETECTION, Folded, Opened
from pipeline.exceptions.revisits import SEVERITIES
from pipeline.frames import EVENTS, EXCEPTIONS

REOPEN_DAYS = 30  # ours: a fault that comes back within a month was not fixed, so it keeps its number and its history


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
    losses: pl.DataFrame | None = None,
    first_days: Mapping[str, date] | None = None,
) -> Folded:
    """EXCEPTIONS as they stood at the end of `day`, closed ones included, ordered by exception_id, and their EVENTS.

    `kinds` in their order of trust; `detectors` names the detector of each kind; `losses` are LOSSES (None: each
    finding tells of its own day alone); `first_days` tells of each site the first day that could be judged. Later rows
    and decisions are left out of account.
    """
    return fold_at(
        findings, judged, not_judged, decisions, sites, kinds, detectors,
        days=[day], losses=losses, first_days=first_days,
    )[0]  # fmt: skip


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
    losses: pl.DataFrame | None = None,
    first_days: Mapping[str, date] | None = None,
) -> list[Folded]:
    """As `fold`, for each of some days in rising order, in one pass."""
    day = days[-1]
    watched = sites.filter(pl.col("watched").fill_null(True))
    currency = dict(watched.select("site_id", "currency").iter_rows())
    rows = _sorted_findings(findings, currency, kinds, day)
    judged_days = _judged_days(judged, {row["site_id"] for row in rows}, day)
    skipped_days = _skipped_days(not_judged, judged_days.keys(), day)
    decided = _decisions_by_prefix(decisions, day)
    groups = {kind: about.group or kind for kind, about in kinds.items()}
    losses = day_losses.of_findings(findings) if losses is None else losses
    told_at = [day_losses.in_force(losses, groups, on=one) for one in days]
    first_days = first_days or {}

    tables: list[list[dict[str, Any]]] = [[] for _ in days]
    events: list[list[dict[str, Any]]] = [[] for _ in days]
    ordinals = [one.toordinal() for one in days]
    for (site_id, group), of_group in groupby(rows, itemgetter("site_id", "group")):
        prefix = f"{site_id}-{group}-"
        own = list(of_group)
        skipped = {row["kind"]: skipped_days.get((site_id, detectors.get(row["kind"], row["kind"]))) for row in own}
        walk = _Walk(prefix, kinds, own, decided.get(prefix, []), judged_days[site_id], skipped)
        for place, (on, stand) in enumerate(zip(days, walk.run(ordinals), strict=True)):
            not_before = first_days.get(site_id)
            for one in stand:
                row = _row(one, detectors, currency[site_id], on, not_before)
                lost = told_at[place].get((site_id, group), ())
                clear = walk.clear[row["kind"]]
                clear = clear[clear > row["found_from"].toordinal()]  # before it, the fault was there unfound
                row |= day_losses.sum_up(lost, clear, first=row["first_day"], last=row["last_day"])._asdict()
                tables[place].append(row)
                events[place] += one.events
                not_before = row["last_day"] + timedelta(days=1)  # what came before is the exception's before it
    for table in tables:
        hide_effects(table, kinds)
    return [
        Folded(
            pl.DataFrame([{name: row[name] for name in EXCEPTIONS} for row in table], schema=EXCEPTIONS).sort(
                "exception_id"
            ),
            pl.DataFrame(told, schema=EVENTS, orient="row").sort("exception_id", "event_no"),
        )
        for table, told in zip(tables, events, strict=True)
    ]


def _sorted_findings(
    findings: pl.DataFrame, sites: Iterable[str], kinds: Mapping[str, Kind], day: date
) -> list[dict[str, Any]]:
    """One row per site, group and day: of several kinds the most trusted, of one kind the worst."""
    rank = pl.col("severity").replace_strict({s: i for i, s in enumerate(SEVERITIES)}, default=9, return_dtype=pl.Int8)
    order = {kind: i for i, kind in enumerate(kinds)}
    groups = {kind: about.group or kind for kind, about in kinds.items()}
    by = ("site_id", "group", "day")
    return (
        findings.filter(
            pl.col("day") <= day, pl.col("site_id").is_in(list(sites)), pl.col("kind").is_in(list(kinds.keys()))
        )
        .with_columns(
            group=pl.col("kind").replace_strict(groups, return_dtype=pl.String),
            trust=pl.col("kind").replace_strict(order, return_dtype=pl.Int32),
        )
        .sort(*by, "trust", rank, -pl.col("value").abs(), "summary", "evidence", nulls_last=True)
        .unique(by, keep="first", maintain_order=True)
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


class _Walk:
    """One site's exceptions of one group, event by event: findings and decisions; clear days between are counted."""

    def __init__(
        self,
        prefix: str,
        kinds: Mapping[str, Kind],
        findings: list[dict[str, Any]],
        decisions: list[dict[str, Any]],
        judged: np.ndarray,
        skipped: Mapping[str, np.ndarray | None],
    ) -> None:
        """`skipped`: kind -> days on which its detector could not judge, None = never."""
        self.prefix, self.kinds, self.findings, self.decisions = prefix, kinds, findings, decisions
        found = np.array([row["day"].toordinal() for row in findings], dtype=np.int64)
        # A finding proves that its day was judged, whatever the other frames say of it.
        self.clear = {
            kind: np.setdiff1d(judged, found if days is None else np.union1d(found, days))
            for kind, days in skipped.items()
        }
        # Of each kind, the place of every finding among the days that the kind's detector judged.
        self.places = {kind: np.searchsorted(np.union1d(days, found), found) for kind, days in self.clear.items()}
        self.exceptions: list[Opened] = []
        self.pending: list[int] = []  # findings that may yet open an exception

    def run(self, days: Sequence[int]) -> Iterator[list[Opened]]:
        """The exceptions as they stand at the end of each of `days`, in rising order; the next step changes them."""
        passed = -1
        events = deque(self._events())
        for last in days:
            while events and events[0][0] <= last:
                on, number, decision = events.popleft()
                self._pass_clear(passed, on)
                passed = on
                if decision is None:
                    self._finding(number)
                else:
                    self._decision(decision, on)
            self._pass_clear(passed, last)
            passed = last
            yield self.exceptions

    def _events(self) -> Iterator[tuple[int, int, dict[str, Any] | None]]:
        """(day, number of the finding, None) and (day, 0, decision) in order; a day's finding comes first."""
        events: list[tuple[int, int, int, Any]] = [
            (row["day"].toordinal(), 0, number, None) for number, row in enumerate(self.findings)
        ]
        events += [(row["on_day"].toordinal(), 1, 0, row) for row in self.decisions]
        return ((on, number, row) for on, _, number, row in sorted(events, key=itemgetter(0, 1)))

    def _pass_clear(self, after: int, upto: int) -> None:
        """Counts the clear days after one day, up to and with another, by the present diagnosis."""
        if not self.exceptions:
            return
        one = self.exceptions[-1]
        kind = one.findings[-1]["kind"]
        days = self.clear[kind][slice(*np.searchsorted(self.clear[kind], (after, upto), side="right"))]
        if not len(days):
            return
        if one.closed_on is not None:
            # Days before its own closing were passed already, so any of these came after a person's close.
            one.is_held = False
            return
        missing = self.kinds[kind].close_after - one.clear
        one.clear += min(missing, len(days))
        if len(days) >= missing:
            one.close(int(days[missing - 1]), by=DETECTION, note=f"clear days in a row: {self.kinds[kind].close_after}")

    def _finding(self, number: int) -> None:
        row = self.findings[number]
        one = self.exceptions[-1] if self.exceptions else None
        on = row["day"].toordinal()
        if one is not None and one.closed_on is None:
            one.add(row)
            one.clear = 0
            return
        if one is not None and one.is_held and on - (one.closed_on or 0) <= REOPEN_DAYS:
            return
        rule, place = self.kinds[row["kind"]], self.places[row["kind"]]
        widest = max(self.kinds[kind].within for kind in self.clear)
        self.pending = [other for other in self.pending if place[other] > place[number] - widest] + [number]
        counted = [other for other in self.pending if place[other] > place[number] - rule.within]
        if len(counted) < rule.open_after:
            return
        self.pending = counted
        began = self.findings[counted[0]]["day"].toordinal()
        if one is not None and began - (one.closed_on or 0) <= REOPEN_DAYS:
            one.reopen(on, note=row["kind"])
        else:
            one = Opened(f"{self.prefix}{len(self.exceptions) + 1}", on)
            one.record(on, "opened", note=row["kind"])
            self.exceptions.append(one)
        self._adopt_pending(one)

    def _adopt_pending(self, one: Opened) -> None:
        one.findings += [self.findings[number] for number in self.pending]
        self.pending = []

    def _decision(self, row: dict[str, Any], on: int) -> None:
        one = self.exceptions[-1] if self.exceptions else None
        if one is None or one.exception_id != row["exception_id"]:
            return
        is_open = one.closed_on is None
        by, note = row["decided_by"] or "unknown", row["note"] or ""
        match row["action"]:
            case "acknowledge" if is_open:
                one.status, one.snoozed_until = "acknowledged", None
                one.record(on, "decided", by, _said("acknowledged", note))
            case "snooze" if is_open and row["until"] is not None:
                one.status, one.snoozed_until = "open", row["until"]
                one.record(on, "decided", by, _said(f"snoozed until {row['until']}", note))
            case "close" if is_open:
                one.close(on, by=by, note=note)
            case "reopen" if not is_open:
                one.reopen(on, by=by, note=note)
                self._adopt_pending(one)
            case "reopen":
                one.status, one.snoozed_until = "open", None
                one.record(on, "decided", by, _said("open again", note))
            case _:
                return
        one.note = note or one.note


def _said(what: str, note: str) -> str:
    return f"{what}: {note}" if note else what


def _row(
    one: Opened, detectors: Mapping[str, str], currency: str | None, day: date, not_before: date | None
) -> dict[str, Any]:
    """The row of EXCEPTIONS but for its losses, with `found_from`, the first day with a finding."""
    latest = one.findings[-1]
    is_snoozed = one.closed_on is None and one.snoozed_until is not None and day < one.snoozed_until
    return {
        "exception_id": one.exception_id,
        **{key: latest[key] for key in ("site_id", "kind", "severity", "summary", "evidence")},
        **{key: latest[key] for key in ("measured", "expected", "value", "unit", "threshold")},
        "status": "snoozed" if is_snoozed else one.status,
        "opened_on": date.fromordinal(one.opened_on),
        "first_day": day_losses.first_day(one.findings, not_before=not_before),
        "found_from": min(row["day"] for row in one.findings),
        "last_day": latest["day"],
        "days_open": (one.closed_on or day.toordinal()) - one.opened_on,
        "currency": currency,
        "closed_on": None if one.closed_on is None else date.fromordinal(one.closed_on),
        "reopened": one.reopened,
        "snoozed_until": one.snoozed_until if is_snoozed else None,
        "note": one.note,
        "hidden_by": None,
        "finding_days": len(one.findings),
        "clear_days": one.clear,
        "detector": detectors.get(latest["kind"], latest["kind"]),
    }
