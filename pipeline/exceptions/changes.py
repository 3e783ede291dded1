"""One exception while it is folded, with every change of it, and those that a correction closed."""

from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple

import polars as pl

from pipeline.frames import EVENTS, EXCEPTIONS

DETECTION = "detection"  # who changed it, where nobody decided
CORRECTED_NOTE = "closed by a correction of the site's clock (relation clock_shift)"
REGISTER = 0  # in place of a clock shift's number: what the register's correction closed
REGISTER_NOTE = "closed by a correction of the register, by which its days were judged anew"


class Folded(NamedTuple):
    """What the fold gives: the exceptions, and every change of them."""

    exceptions: pl.DataFrame  # EXCEPTIONS
    events: pl.DataFrame  # EVENTS


class Found(NamedTuple):
    """What the walk needs of a finding; days are proleptic ordinals."""

    number: int  # by which the rest of it is found
    day: int
    kind: str
    severity: str
    since: int | None


@dataclass
class Opened:
    """One exception during the walk; days are proleptic ordinals."""

    exception_id: str
    opened_on: int
    status: str = "open"
    findings: list[Found] = field(default_factory=list)
    events: list[dict[str, date | int | str]] = field(default_factory=list)
    clear: int = 0
    closed_on: int | None = None
    is_held: bool = False  # closed by a person, no clear day seen since
    snoozed_until: date | None = None
    reopened: int = 0
    note: str = ""

    def record(self, on: int, event: str, by: str = DETECTION, note: str = "") -> None:
        """Notes an event on an ordinal day."""
        self.events.append(
            {
                "exception_id": self.exception_id, "event_no": len(self.events) + 1, "at": date.fromordinal(on),
                "event": event, "by": by, "note": note,
            }
        )  # fmt: skip

    def close(self, on: int, *, by: str, note: str) -> None:
        """Closes it on an ordinal day, by detection or by a person."""
        is_held = by != DETECTION
        self.status, self.closed_on, self.is_held, self.snoozed_until = "closed", on, is_held, None
        self.record(on, "closed", by, note)

    def reopen(self, on: int, *, by: str = DETECTION, note: str = "") -> None:
        """Opens it again on an ordinal day."""
        self.status, self.closed_on, self.is_held, self.clear = "open", None, False, 0
        self.reopened += 1
        self.record(on, "reopened", by, note)

    def add(self, found: Found) -> None:
        """The finding of a further day; a change of diagnosis or severity is recorded."""
        before = self.findings[-1]
        if before.kind != found.kind:
            self.record(found.day, "diagnosis changed", note=f"{before.kind} -> {found.kind}")
        if before.severity != found.severity:
            self.record(found.day, "severity changed", note=f"{before.severity} -> {found.severity}")
        self.findings.append(found)


def with_corrected(folded: Folded, corrected: pl.DataFrame, *, day: date) -> Folded:
    """`folded` and the exceptions that a correction of the clock or the register took out of the findings.

    `corrected`: EXCEPTIONS as they stood when the correction was made, its `shift_id`, and `mended_on`, the day from
    which they count as closed: the correction's, or their own where they had closed before it. An exception that the
    fold still knows is the fold's.
    """
    gone = corrected.filter(pl.col("opened_on") <= day).join(folded.exceptions, on="exception_id", how="anti")
    is_over, was_closed = pl.col("mended_on") <= day, pl.col("status") == "closed"
    rows = gone.with_columns(
        status=pl.when(is_over).then(pl.lit("closed")).when(was_closed).then(pl.lit("open")).otherwise("status"),
        closed_on=pl.when(is_over).then("mended_on").when(~was_closed).then("closed_on"),
        note=pl.when(is_over & ~was_closed).then(_note()).otherwise("note"),
    )
    events = []
    for row in gone.iter_rows(named=True):
        opened = Opened(row["exception_id"], row["opened_on"].toordinal())
        opened.record(opened.opened_on, "opened", note=row["kind"])
        if row["mended_on"] <= day:
            by_whom = REGISTER_NOTE if row["shift_id"] == REGISTER else CORRECTED_NOTE
            note = row["note"] if row["status"] == "closed" else by_whom
            opened.record(row["mended_on"].toordinal(), "closed", note=note)
        events += opened.events
    return Folded(
        pl.concat([folded.exceptions, rows.select(EXCEPTIONS.names()).cast(EXCEPTIONS)]).sort("exception_id"),
        pl.concat([folded.events, pl.DataFrame(events, schema=EVENTS, orient="row")]).sort("exception_id", "event_no"),
    )


def _note() -> pl.Expr:
    return pl.when(pl.col("shift_id") == REGISTER).then(pl.lit(REGISTER_NOTE)).otherwise(pl.lit(CORRECTED_NOTE))
