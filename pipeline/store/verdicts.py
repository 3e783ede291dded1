"""What was judged: findings, days not judged, the exceptions folded from them, and what people decided of these."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any

import polars as pl

from detectors.finding import DOES_NOT_APPLY
from pipeline.store.connection import Store
from pipeline.store.reader import mark_due

FINDING_COLUMNS = (
    "site_id", "day", "kind", "severity", "value", "unit", "threshold", "loss_kwh", "evidence",
    "summary", "measured", "expected", "since", "cost",
)  # fmt: skip

SILENT_AGAIN_DAYS = 2  # a day has ended everywhere within 26 hours of its end in the first zone (UTC+14 to UTC-12)


def write_verdicts(
    store: Store,
    day: date,
    findings: pl.DataFrame,
    not_judged: pl.DataFrame,
    sites: Sequence[str],
    expected: pl.DataFrame,
) -> None:
    """Replaces what was judged of `day`: findings, not_judged, the expectation in site_day. It is due no more."""
    judged = pl.DataFrame({"site_id": list(sites)}, schema={"site_id": pl.String}).with_columns(
        day=pl.lit(day), judged_at=pl.lit(datetime.now(UTC)).cast(pl.Datetime("us", "UTC"))
    )
    with store.transaction():
        for table in ("finding", "not_judged", "judged", "due_day"):
            store.con.execute(f"DELETE FROM {table} WHERE day = ?", [day])
        store.insert("finding", findings.select(FINDING_COLUMNS))
        store.insert("not_judged", not_judged)
        store.insert("judged", judged)
        with store.offered(told=expected):
            store.con.execute(
                """
                UPDATE site_day SET
                    expected_kwh = told.expected_kwh, judged_kwh = told.judged_kwh,
                    performance_pct = 100 * told.judged_kwh / nullif(told.expected_kwh, 0)
                FROM told WHERE site_day.site_id = told.site_id AND site_day.day = told.day
                """
            )
        mark_due(store, ("finding", "not_judged", "judged", "site_day", "clock_day", "voltage_curtailment"), [day])
        mark_due(store, ["site_hour"], [day + timedelta(days=by) for by in (-1, 0, 1)])


def up_to(store: Store, last: date, detectors: Mapping[str, str]) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """(findings, judged, not judged) up to `last` of the sites that ever had a finding, in no order: what a fold needs.

    Of findings, what they are told by is left out for `telling_of`: a year of them is read each night. Of what was not
    judged, [site_id, day, detector] of detectors (`detectors`: by kind) that ever had a finding at the site. A day on
    which a rule has nothing to ask of a site is none that could not be judged: what it raised before, closes.
    """
    findings = store.frame(
        "SELECT rowid AS number, site_id, day, kind, severity, value, since, summary FROM finding WHERE day <= ?",
        [last],
    )
    detector = pl.col("kind").replace(dict(detectors))
    owners = findings.select("site_id", detector=detector).unique()
    with store.offered(owners=owners):
        judged = store.frame(
            "SELECT j.site_id, j.day FROM judged AS j SEMI JOIN owners USING (site_id) WHERE j.day <= ?", [last]
        )
        # Their codes are looked at below, of the few that are left: in SQL they would be compared before the join.
        silent = store.frame(
            """
            SELECT n.site_id, n.day, n.detector, n.code FROM not_judged AS n SEMI JOIN owners USING (site_id, detector)
            WHERE n.day <= ?
            """,
            [last],
        )
    applies = ~pl.col("code").is_in(DOES_NOT_APPLY).fill_null(False)
    return findings, judged, silent.filter(applies).drop("code")


def telling_of(store: Store, numbers: Iterable[int]) -> pl.DataFrame:
    """[number, severity, summary, evidence, measured, expected, value, unit, threshold] of findings that `up_to` gave.

    To be called in the same run.
    """
    wanted = pl.DataFrame({"number": sorted(numbers)}, schema={"number": pl.Int64})
    with store.offered(wanted=wanted):
        return store.frame(
            """
            SELECT w.number, severity, summary, CAST(evidence AS VARCHAR) AS evidence, measured, expected,
                value, unit, threshold
            FROM finding AS f JOIN wanted AS w ON w.number = f.rowid
            """
        )


def not_judged_on(store: Store, day: date) -> pl.DataFrame:
    """[site_id, day, detector, reason] of one day, rules that have nothing to ask of a site aside."""
    not_judged = store.frame("SELECT * FROM not_judged WHERE day = ? ORDER BY ALL", [day])
    return not_judged.filter(~pl.col("code").is_in(DOES_NOT_APPLY).fill_null(False))


def is_judged(store: Store, day: date) -> bool:
    """Whether detectors have judged the day."""
    return bool(store.value("SELECT count(*) FROM judged WHERE day = ?", [day]))


def unjudged_days(store: Store) -> list[tuple[date, str | None]]:
    """Days that are due (with None), and those of which sites with a site-day were not judged, with the sites' zones.

    Of the last days that were judged, sites without a site-day count too: their silence was not judged.
    """
    return store.con.execute(
        """
        WITH asked AS (
            SELECT site_id, day FROM site_day ANTI JOIN judged USING (site_id, day)
            UNION ALL SELECT s.site_id, j.day FROM site AS s, (SELECT DISTINCT day FROM judged) AS j
            WHERE j.day > (SELECT max(day) FROM judged) - $again
        )
        SELECT DISTINCT d.day, s.timezone FROM asked AS d
        JOIN site AS s ON s.site_id = d.site_id AND s.watched
            AND (s.commissioned_on IS NULL OR d.day >= s.commissioned_on)
        ANTI JOIN judged AS j ON j.site_id = d.site_id AND j.day = d.day
        UNION SELECT day, NULL FROM due_day
        ORDER BY ALL
        """,
        {"again": SILENT_AGAIN_DAYS},
    ).fetchall()


def last_judged_day(store: Store) -> date | None:
    """The last day that has verdicts; None if no day has."""
    day = store.value("SELECT max(day) FROM judged")
    return day if isinstance(day, date) else None


def last_settled_day(store: Store) -> date | None:
    """The last day that was judged at any time, be it due again."""
    day = store.value("SELECT max(day) FROM (SELECT day FROM judged UNION ALL SELECT day FROM due_day)")
    return day if isinstance(day, date) else None


def decisions(store: Store) -> pl.DataFrame:
    """DECISIONS, oldest first."""
    return store.frame("SELECT * FROM decision ORDER BY decided_at")


def corrected(store: Store) -> pl.DataFrame:
    """EXCEPTIONS whose days a correction of the clock or the register had judged anew, with shift_id and mended_on."""
    return store.frame("SELECT * FROM mended_exception ORDER BY exception_id")


def note_corrected(store: Store, site_id: str, shift_id: int, first: date, on: date) -> None:
    """Remembers the site's exceptions that a correction of its days from `first` on may take out of the findings.

    Those that were open count as closed by it, on the day `on`; those that had closed stay as they were.
    """
    store.con.execute(
        """
        INSERT INTO mended_exception BY NAME
        SELECT CAST(? AS BIGINT) AS shift_id,
            CASE WHEN e.status = 'closed' THEN e.closed_on ELSE CAST(? AS DATE) END AS mended_on, e.*
        FROM exception AS e
        WHERE e.site_id = ? AND e.last_day >= ?
          AND e.exception_id NOT IN (SELECT exception_id FROM mended_exception)
        """,
        [shift_id, on, site_id, first],
    )


def open_of(store: Store, site_id: str, detector: str) -> pl.DataFrame:
    """[exception_id, kind, status] of the site's exceptions by one detector that are not closed."""
    return store.frame(
        """
        SELECT exception_id, kind, status FROM exception
        WHERE site_id = ? AND detector = ? AND status <> 'closed' ORDER BY exception_id
        """,
        [site_id, detector],
    )


def closed_by(store: Store, shift_id: int) -> pl.DataFrame:
    """[exception_id, kind, status] of the exceptions that were open when a correction was made, and are closed now."""
    return store.frame(
        """
        SELECT e.exception_id, e.kind, e.status FROM exception AS e
        JOIN mended_exception AS m USING (exception_id)
        WHERE m.shift_id = ? AND m.status <> 'closed' AND e.status = 'closed' ORDER BY e.exception_id
        """,
        [shift_id],
    )


def forget_corrected(store: Store, shift_id: int) -> None:
    """Takes back `note_corrected`, as the correction is undone."""
    store.con.execute("DELETE FROM mended_exception WHERE shift_id = ?", [shift_id])


def forget_held(store: Store, site_id: str, shift_id: int) -> None:
    """Forgets what was noted of the site's exceptions that are there now: they are noted again as they stand."""
    store.con.execute(
        "DELETE FROM mended_exception WHERE site_id = ? AND shift_id = ? "
        "AND exception_id IN (SELECT exception_id FROM exception)",
        [site_id, shift_id],
    )


def write_exceptions(store: Store, exceptions: pl.DataFrame, revisits: pl.DataFrame, events: pl.DataFrame) -> None:
    """Replaces the exceptions, their events and the revisits with those of the last judged day."""
    with store.transaction():
        store.replace("exception", exceptions)
        store.replace("exception_event", events)
        store.replace("revisit", revisits)


def drop_pictures(store: Store, before: date) -> int:
    """How many findings of days before `before` lost the series that pictures are drawn from; figures stay.

    Those keep them that lie within an exception which was not closed before that day.
    """
    found = store.con.execute(
        """
        UPDATE finding SET evidence = json_merge_patch(evidence, '{"series": null}')
        WHERE day < $before AND contains(CAST(evidence AS VARCHAR), '"series":') AND NOT EXISTS (
            SELECT 1 FROM exception AS e
            WHERE e.site_id = finding.site_id AND finding.day BETWEEN e.first_day AND e.last_day
              AND (e.status <> 'closed' OR e.closed_on IS NULL OR e.closed_on >= $before))
        RETURNING day
        """,
        {"before": before},
    ).fetchall()
    mark_due(store, ["finding"], {day for (day,) in found})
    return len(found)


def exception(store: Store, exception_id: str) -> dict[str, Any] | None:
    """The exception as it stands, column by column, or None."""
    found = store.frame("SELECT * FROM exception WHERE exception_id = ?", [exception_id])
    return None if found.is_empty() else found.row(0, named=True)


def write_decision(
    store: Store,
    exception_id: str,
    action: str,
    *,
    on_day: date,
    until: date | None,
    note: str,
    by: str,
    person: str | None,
) -> None:
    """Keeps what `by` decided of an exception, as things stood at the end of `on_day`; `person` is to see to it."""
    store.con.execute(
        """
        INSERT INTO decision (decided_at, on_day, exception_id, action, until, note, decided_by, decided_for)
        VALUES (?, ?, ?, ?, ?, ?, ?, ?)
        """,
        [datetime.now(UTC), on_day, exception_id, action, until, note, by, person],
    )
