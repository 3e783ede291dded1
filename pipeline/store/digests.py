"""What the history keeps of digests: which exports each one tells, and what was mailed."""

from datetime import UTC, date, datetime
from typing import NamedTuple

from pipeline.store.connection import Store

SENT, FAILED = "sent", "failed"  # outcomes of a mail; others are neither, and not tried again


class Span(NamedTuple):
    """Exports whose arrival one digest tells, by their numbers in the ledger."""

    after_export_id: int  # not included
    until_export_id: int  # included


def span(store: Store, day: date) -> Span:
    """The exports that the digest of `day` tells; fixed by the first call, and the same ever after.

    It begins behind what digests of earlier days tell, and ends before what those of later days do: each export is
    told once, whatever the order in which digests are made.
    """
    with store.transaction():
        known = store.con.execute(
            "SELECT after_export_id, until_export_id FROM digest_span WHERE day = ?", [day]
        ).fetchall()
        if known:
            return Span(*known[0])
        after = store.value("SELECT coalesce(max(until_export_id), 0) FROM digest_span WHERE day < ?", [day])
        until = store.value(
            """
            SELECT coalesce((SELECT min(after_export_id) FROM digest_span WHERE day > ?),
                            (SELECT max(export_id) FROM export_file), 0)
            """,
            [day],
        )
        found = Span(after, max(after, until))
        store.con.execute("INSERT INTO digest_span VALUES (?, ?, ?, ?)", [day, *found, datetime.now(UTC)])
    return found


def taken_in(store: Store, span: Span) -> dict[str, object]:
    """Files, rows, rejected rows and their reasons of the exports of a span."""
    totals = store.con.execute(
        """
        SELECT count(*), coalesce(sum(rows_read), 0), coalesce(sum(rows_rejected), 0)
        FROM export_file WHERE export_id > ? AND export_id <= ?
        """,
        span,
    ).fetchall()
    files, rows, rejected = totals[0]
    reasons = store.con.execute(
        """
        SELECT reason, count(*) FROM rejected_row WHERE export_id > ? AND export_id <= ?
        GROUP BY reason ORDER BY 2 DESC, 1
        """,
        span,
    ).fetchall()
    return {
        "files": int(files), "rows": int(rows), "rejected_rows": int(rejected),
        "rejected": [{"reason": reason, "rows": count} for reason, count in reasons],
    }  # fmt: skip


def made_since(store: Store, instant: datetime) -> date | None:
    """The latest day whose digest was first made since an instant, or None."""
    day = store.value("SELECT max(day) FROM digest_span WHERE made_at >= ?", [instant])
    return day if isinstance(day, date) else None


class Addressed(NamedTuple):
    """Whose mail of a day it is."""

    recipients: tuple[str, ...]
    installer_id: str = ""  # empty = the desk's


def mailed(store: Store, day: date, installer_id: str = "") -> tuple[str, datetime] | None:
    """(outcome, when) of the desk's or an installer's mail of a day that is not to be sent again, or None."""
    rows = store.con.execute(
        """
        SELECT outcome, attempted_at FROM mail WHERE day = ? AND installer_id = ? AND outcome <> ?
        ORDER BY attempted_at DESC LIMIT 1
        """,
        [day, installer_id, FAILED],
    ).fetchall()
    return rows[0] if rows else None


def is_mail_wanted(store: Store, day: date) -> bool:
    """Whether the desk's mail of a day was not sent, or the last attempt at an installer's failed."""
    failed = store.value(
        """
        SELECT count(*) FROM (SELECT arg_max(outcome, attempted_at) AS outcome FROM mail WHERE day = ?
                              GROUP BY installer_id) WHERE outcome = ?
        """,
        [day, FAILED],
    )
    return mailed(store, day) is None or bool(failed)


def note_mail(store: Store, day: date, outcome: str, addressed: Addressed, detail: str = "") -> None:
    """Keeps one attempt to mail the digest of a day, and a row of the run ledger."""
    run_id = store.start_run("mail")
    with store.transaction():
        store.con.execute(
            "INSERT INTO mail BY NAME SELECT ? AS day, ? AS attempted_at, ? AS outcome, ? AS recipients, ? AS detail, "
            "? AS installer_id",
            [day, datetime.now(UTC), outcome, ", ".join(addressed.recipients), detail, addressed.installer_id],
        )
        ran = {SENT: "done", FAILED: "failed"}.get(outcome, "needs a person")
        to_whom = f"digest of {day}" + (f" for {addressed.installer_id}" if addressed.installer_id else "")
        store.end_run(run_id, ran, "; ".join(part for part in (to_whom, outcome, detail) if part))
