"""The course of one site's exceptions of one group: findings and decisions in order, clear days between them.

The life of one exception, per site and group of kinds (`Kind.group`; most kinds are a group of their own):

- its kind is its present diagnosis, the one of the latest day with a finding: of several findings on a day the kind
  that comes first in the order of trust, of one kind the worst;
- opens on the day on which `Kind.open_after` of the last `Kind.within` judged days have a finding of the group, by the
  rule of that day's kind;
- a day is *clear* if the site was judged, the group has no finding and the present kind's detector did not say "not
  judged";
- closes by itself after `Kind.close_after` clear days in a row, by the rule of its present kind, never by missing data;
- opens again under the same id if the rule is met anew by findings that begin within `REOPEN_DAYS` of its closing,
  unless they are of another kind that says it began after that: another fault gets a number and a first day of its own;
- a person's close holds: findings raise nothing until a clear day was seen or `REOPEN_DAYS` have passed.

A decision counts after the detection of its `on_day`. Decisions about an exception that is not the site's latest of
that group, or not in a state that they fit, change nothing.
"""

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from operator import itemgetter
from typing import Any

import numpy as np

from detectors.finding import Kind
from pipeline.exceptions.changes import DETECTION, Found, Opened

REOPEN_DAYS = 30  # ours: a fault that comes back within a month was not fixed, so it keeps its number and its history


class Course:
    """One site's exceptions of one group, event by event: findings and decisions; clear days between are counted."""

    def __init__(
        self,
        prefix: str,
        kinds: Mapping[str, Kind],
        findings: Sequence[Found],
        decisions: list[dict[str, Any]],
        judged: np.ndarray,
        skipped: Mapping[str, np.ndarray | None],
    ) -> None:
        """`skipped`: kind -> days on which its detector could not judge, None = never."""
        self.prefix, self.kinds, self.findings, self.decisions = prefix, kinds, findings, decisions
        found = np.array([one.day for one in findings], dtype=np.int64)
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
                if on - passed > 1 or decision is not None:  # a day with a finding is not clear
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
            (one.day, 0, number, None) for number, one in enumerate(self.findings)
        ]
        events += [(row["on_day"].toordinal(), 1, 0, row) for row in self.decisions]
        return ((on, number, row) for on, _, number, row in sorted(events, key=itemgetter(0, 1)))

    def _pass_clear(self, after: int, upto: int) -> None:
        """Counts the clear days after one day, up to and with another, by the present diagnosis."""
        if not self.exceptions:
            return
        one = self.exceptions[-1]
        kind = one.findings[-1].kind
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
        found = self.findings[number]
        one = self.exceptions[-1] if self.exceptions else None
        on = found.day
        if one is not None and one.closed_on is None:
            one.add(found)
            one.clear = 0
            return
        if one is not None and one.is_held and on - (one.closed_on or 0) <= REOPEN_DAYS:
            return
        rule, place = self.kinds[found.kind], self.places[found.kind]
        widest = max(self.kinds[kind].within for kind in self.clear)
        self.pending = [other for other in self.pending if place[other] > place[number] - widest] + [number]
        counted = [other for other in self.pending if place[other] > place[number] - rule.within]
        if len(counted) < rule.open_after:
            return
        self.pending = counted
        began = self.findings[counted[0]].day
        if one is not None and began - (one.closed_on or 0) <= REOPEN_DAYS and not _is_another(found, one):
            one.reopen(on, note=found.kind)
        else:
            one = Opened(f"{self.prefix}{len(self.exceptions) + 1}", on)
            one.record(on, "opened", note=found.kind)
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


def _is_another(found: Found, one: Opened) -> bool:
    """Whether a finding says of itself that it is not what was closed: another kind, begun after the closing."""
    if one.closed_on is None or found.kind == one.findings[-1].kind:
        return False
    return found.since is not None and found.since > one.closed_on


def _said(what: str, note: str) -> str:
    return f"{what}: {note}" if note else what
