"""Everything of the history that is neither a reading nor a feature: site-days, verdicts, exceptions."""

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta

import polars as pl

from detectors.features import Feature
from detectors.frames import DAYS, SITES
from pipeline.store import features, reading_flags
from pipeline.store.connection import Store
from pipeline.store.reader import mark_due

FINDING_COLUMNS = (
    "site_id", "day", "kind", "severity", "value", "unit", "threshold", "loss_kwh", "evidence",
    "summary", "measured", "expected", "since", "cost",
)  # fmt: skip


def write_days(
    store: Store, days: pl.DataFrame, flags: pl.DataFrame, made: Mapping[Feature, pl.DataFrame], done: pl.DataFrame
) -> None:
    """Replaces site-days, flags and features of `done` [site_id, day]: neither dirty any more, nor judged.

    The judged days that look back on them are due from then on.
    """
    with store.transaction(), store.offered(done=done):
        store.con.execute(
            """
            INSERT INTO due_day SELECT DISTINCT day FROM judged ANTI JOIN due_day USING (day)
            WHERE day >= (SELECT min(day) FROM done)
            """
        )
        for table in ("site_day", "dirty_day", "judged"):
            store.con.execute(
                f"DELETE FROM {table} USING done WHERE {table}.site_id = done.site_id AND {table}.day = done.day"
            )
        store.insert("site_day", days)
        reading_flags.write_days(store, flags, done)
        features.write_days(store, made, done)
        mark_due(store, "site_day", done["day"])


def dirty_days(store: Store) -> pl.DataFrame:
    """[site_id, day] whose readings changed."""
    return store.frame("SELECT DISTINCT site_id, day FROM dirty_day ORDER BY day, site_id")


def site_days(store: Store, first: date, last: date) -> pl.DataFrame:
    """DAYS between two days, both included."""
    frame = store.frame("SELECT * FROM site_day WHERE day BETWEEN ? AND ? ORDER BY site_id, day", [first, last])
    return frame.select(DAYS.names()).cast(DAYS)


def note_due(store: Store, days: Sequence[date]) -> None:
    """Remembers days as due until their verdicts are written."""
    with store.transaction(), store.offered(due=pl.DataFrame({"day": list(days)}, schema={"day": pl.Date})):
        store.con.execute("INSERT INTO due_day SELECT DISTINCT day FROM due ANTI JOIN due_day USING (day)")


def has_unfinished_days(store: Store) -> bool:
    """Whether a run ended before all that it had changed was summed up and judged again."""
    return bool(
        store.value(
            "SELECT (SELECT count(*) FROM dirty_day) + (SELECT count(*) FROM due_day) + (SELECT count(*) FROM flag_due)"
        )
    )


def unjudged_days(store: Store) -> list[date]:
    """Days that are due, and those of which a site that has a site-day was not judged, oldest first."""
    return [day for (day,) in store.con.execute(
        """
        SELECT DISTINCT d.day FROM site_day AS d
        JOIN site AS s ON s.site_id = d.site_id AND s.watched
            AND (s.commissioned_on IS NULL OR d.day >= s.commissioned_on)
        ANTI JOIN judged AS j ON j.site_id = d.site_id AND j.day = d.day
        UNION SELECT day FROM due_day
        ORDER BY day
        """
    ).fetchall()]  # fmt: skip


def days_with_readings(store: Store) -> list[date]:
    """Days of which a watched site has a site-day, oldest first."""
    rows = store.con.execute(
        "SELECT DISTINCT d.day FROM site_day AS d JOIN site AS s ON s.site_id = d.site_id AND s.watched ORDER BY d.day"
    ).fetchall()
    return [day for (day,) in rows]


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
                UPDATE site_day SET expected_kwh = told.expected_kwh, performance_pct = told.performance_pct
                FROM told WHERE site_day.site_id = told.site_id AND site_day.day = told.day
                """
            )
        for relation in ("finding", "not_judged", "judged", "site_day"):
            mark_due(store, relation, pl.Series([day]))


def verdicts(store: Store, last: date) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """(findings, judged, not judged) up to `last` of the sites that ever had a finding: what the fold needs."""
    mine = "site_id IN (SELECT DISTINCT site_id FROM finding)"
    findings = store.frame(f"SELECT {', '.join(FINDING_COLUMNS)} FROM finding WHERE day <= ? ORDER BY ALL", [last])
    judged = store.frame(f"SELECT site_id, day FROM judged WHERE day <= ? AND {mine} ORDER BY ALL", [last])
    silent = store.frame(f"SELECT * FROM not_judged WHERE day <= ? AND {mine} ORDER BY ALL", [last])
    return findings, judged, silent


def not_judged_on(store: Store, day: date) -> pl.DataFrame:
    """[site_id, day, detector, reason] of one day."""
    return store.frame("SELECT * FROM not_judged WHERE day = ? ORDER BY ALL", [day])


def decisions(store: Store) -> pl.DataFrame:
    return store.frame("SELECT * FROM decision ORDER BY decided_at")


def mended(store: Store) -> pl.DataFrame:
    """EXCEPTIONS that corrections of clocks closed, with shift_id and mended_on."""
    return store.frame("SELECT * FROM mended_exception ORDER BY exception_id")


def note_mended(store: Store, site_id: str, kinds: Sequence[str], shift_id: int, on: date) -> None:
    """Remembers the site's open exceptions of these kinds as closed by a correction."""
    with store.offered(wanted=pl.DataFrame({"kind": list(kinds)}, schema={"kind": pl.String})):
        store.con.execute(
            """
            INSERT INTO mended_exception BY NAME
            SELECT CAST(? AS BIGINT) AS shift_id, CAST(? AS DATE) AS mended_on, e.*
            FROM exception AS e SEMI JOIN wanted USING (kind)
            WHERE e.site_id = ? AND e.status <> 'closed'
              AND e.exception_id NOT IN (SELECT exception_id FROM mended_exception)
            """,
            [shift_id, on, site_id],
        )


def forget_mended(store: Store, shift_id: int) -> None:
    store.con.execute("DELETE FROM mended_exception WHERE shift_id = ?", [shift_id])


def last_judged_day(store: Store) -> date | None:
    day = store.value("SELECT max(day) FROM judged")
    return day if isinstance(day, date) else None


def last_settled_day(store: Store) -> date | None:
    """The last day that was judged at any time, be it due again."""
    day = store.value("SELECT max(day) FROM (SELECT day FROM judged UNION ALL SELECT day FROM due_day)")
    return day if isinstance(day, date) else None


def write_exceptions(store: Store, exceptions: pl.DataFrame, revisits: pl.DataFrame, events: pl.DataFrame) -> None:
    """Replaces the exceptions, their events and the revisits with those of the last judged day."""
    with store.transaction():
        store.replace("exception", exceptions)
        store.replace("exception_event", events)
        store.replace("revisit", revisits)


# The register's copy ----------------------------------------------------------------------------------------------

SHAPES_NOTHING = (  # of the register: neither site-days nor features of readings hang on these
    "site_id", "name", "export_timezone", "import_price", "feed_in_price", "currency", "installer_id",
    "commissioned_on", "profile", "external_id", "watched",
)  # fmt: skip
SHAPES_DAYS = tuple(name for name in SITES if name not in SHAPES_NOTHING)


def write_register(
    store: Store, sites: pl.DataFrame, planes: pl.DataFrame, devices: pl.DataFrame, installers: pl.DataFrame
) -> list[str]:
    """Sites whose site-days must be summed up anew, because something of the register that shapes them changed."""
    before = store.sites()
    parts_before = {table: store.frame(f"SELECT * FROM {table} ORDER BY ALL") for table in ("device", "plane")}
    with store.transaction():
        for table, frame in (("site", sites), ("plane", planes), ("device", devices), ("installer", installers)):
            store.replace(table, frame)
        differs = pl.any_horizontal(pl.col(name).ne_missing(pl.col(f"{name}_before")) for name in SHAPES_DAYS)
        joined = sites.join(before.select("site_id", *SHAPES_DAYS), on="site_id", suffix="_before")
        changed = set(joined.filter(differs)["site_id"])
        for table, held in parts_before.items():
            both = pl.concat([store.frame(f"SELECT * FROM {table} ORDER BY ALL"), held])
            differing = both.filter(~pl.struct(pl.all()).is_duplicated())
            changed |= set(differing["site_id"]) & set(before["site_id"])
        for site in sorted(changed):
            mark_site_dirty(store, site)
    return sorted(changed)


def mark_site_dirty(store: Store, site_id: str, first: date = date.min, last: date = date.max) -> None:
    """Notes all days of the site between two (stamped) days, and two on either side, as changed.

    A correction of a clock, of at most 26 hours, can move a reading so far.
    """
    days = store.frame(
        """
        SELECT DISTINCT CAST(day + unnest(range(-2, 3)) * INTERVAL 1 DAY AS DATE) AS day
        FROM (SELECT DISTINCT CAST(ts_utc AS DATE) AS day FROM reading_raw WHERE site_id = ?)
        """,
        [site_id],
    ).filter(pl.col("day").is_between(_shifted(first, -3), _shifted(last, 3)))
    store.insert("dirty_day", days.select(site_id=pl.lit(site_id), day="day"))
    for relation in ("reading", "device_reading"):
        mark_due(store, relation, days["day"])


def _shifted(day: date, by: int) -> date:
    return day if day in (date.min, date.max) else day + timedelta(days=by)


# For the digest ---------------------------------------------------------------------------------------------------


def is_judged(store: Store, day: date) -> bool:
    return bool(store.value("SELECT count(*) FROM judged WHERE day = ?", [day]))


def last_digest_at(store: Store) -> datetime:
    """When the last run that ends in a digest started; the beginning of time if there was none."""
    found = store.value(
        "SELECT max(started_at) FROM run WHERE job IN ('cycle', 'digest') AND outcome IN ('done', 'needs a person')"
    )
    return found if isinstance(found, datetime) else datetime(1970, 1, 1, tzinfo=UTC)


def mark_everything_due(store: Store) -> None:
    """Every part of the reader is written anew at the next publishing."""
    for relation in ("reading", "device_reading"):
        days = store.frame("SELECT DISTINCT CAST(ts_utc AS DATE) AS day FROM reading_raw")["day"].to_list()
        around = {day + timedelta(days=by) for day in days for by in (-2, -1, 0, 1, 2)}
        mark_due(store, relation, around)
    for relation in ("site_day", "reading_flag", "finding", "not_judged", "judged"):
        mark_due(store, relation, store.frame(f"SELECT DISTINCT day FROM {relation}")["day"].to_list())
    months = store.frame("SELECT DISTINCT CAST(taken_in_at AS DATE) AS day FROM export_file")["day"].to_list()
    for relation in ("export_file", "rejected_row", "rejected_cell"):
        mark_due(store, relation, months)
