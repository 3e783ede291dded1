"""Everything of the history that is neither a reading nor a feature: site-days, verdicts, exceptions."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta

import polars as pl

from detectors.features import Feature
from detectors.frames import DAYS
from pipeline.store import features, older, reading_flags
from pipeline.store.connection import ASKED, Store
from pipeline.store.parts import OF_READINGS
from pipeline.store.reader import mark_due


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
        mark_due(store, ["site_day"], done["day"])
        # A local day begins and ends within the UTC days around it.
        mark_due(store, ["site_hour"], [day for by in ("-1d", "0d", "1d") for day in done["day"].dt.offset_by(by)])


def write_silent_days(store: Store, day: date, sites: Sequence[str]) -> None:
    """Each of these sites, if watched, has a site-day of `day`, with 0 readings where none came, since commissioned.

    Where the register does not tell since when, it is since its first reading.
    """
    store.con.execute(
        f"""
        INSERT INTO site_day BY NAME
        SELECT s.site_id, $day AS day, 0 AS readings, 0.0 AS coverage_pct, 0.0 AS pv_coverage_pct FROM site AS s
        SEMI JOIN {ASKED} AS a ON a.site_id = s.site_id
        ANTI JOIN (SELECT site_id FROM site_day WHERE day = $day) AS d ON d.site_id = s.site_id
        WHERE s.watched
        AND (s.commissioned_on <= $day OR s.commissioned_on IS NULL AND s.site_id IN
            (SELECT site_id FROM site_day WHERE readings > 0 AND day < $day))
        """,
        {"day": day, "asked": list(sites)},
    )


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


def note_disk(store: Store, day: date, workspace_bytes: int, free_bytes: int, total_bytes: int) -> None:
    """Keeps what the workspace and its disk hold, once a day: what a later run of it finds counts."""
    with store.transaction():
        store.con.execute("DELETE FROM disk_day WHERE day = ?", [day])
        store.con.execute("INSERT INTO disk_day VALUES (?, ?, ?, ?)", [day, workspace_bytes, free_bytes, total_bytes])


def has_unfinished_days(store: Store) -> bool:
    """Whether a run ended before all that it had changed was summed up and judged again."""
    waiting = ("dirty_day", "due_day", "flag_due", "shared_due")
    return any(bool(store.value(f"SELECT count(*) FROM {table}")) for table in waiting)


def days_with_readings(store: Store) -> list[date]:
    """Days of which a watched site has a site-day, oldest first."""
    rows = store.con.execute(
        "SELECT DISTINCT d.day FROM site_day AS d JOIN site AS s ON s.site_id = d.site_id AND s.watched "
        "WHERE d.readings > 0 ORDER BY d.day"
    ).fetchall()
    return [day for (day,) in rows]


def mark_sites_dirty(store: Store, sites: Iterable[str], first: date = date.min, last: date = date.max) -> None:
    """Notes all days of the sites between two (stamped) days, and two on either side, as changed.

    A correction of a clock, of at most 26 hours, can move a reading so far. The readings are gone through once for all.
    """
    ids = sorted(sites)
    if not ids:
        return
    days = store.frame(
        f"""
        SELECT DISTINCT site_id, CAST(day + unnest(range(-2, 3)) * INTERVAL 1 DAY AS DATE) AS day
        FROM (SELECT DISTINCT r.site_id, CAST(r.ts_utc AS DATE) AS day FROM {older.source(store)} AS r
              SEMI JOIN {ASKED} AS a ON a.site_id = r.site_id)
        ORDER BY ALL
        """,
        {"asked": ids},
    ).filter(pl.col("day").is_between(_shifted(first, -3), _shifted(last, 3)))
    store.insert("dirty_day", days)
    mark_due(store, OF_READINGS, days["day"].unique())


def _shifted(day: date, by: int) -> date:
    return day if day in (date.min, date.max) else day + timedelta(days=by)


def last_digest_at(store: Store, *, until: datetime) -> datetime:
    """When the last run that ends in a digest started; the beginning of time if there was none.

    Runs later than `until` are of a clock that has been set back since: what they say of mornings does not count.
    """
    found = store.value(
        "SELECT max(started_at) FROM run WHERE job IN ('cycle', 'digest') AND outcome IN ('done', 'needs a person')"
        " AND started_at <= ?",
        [until],
    )
    return found if isinstance(found, datetime) else datetime(1970, 1, 1, tzinfo=UTC)


def mark_everything_due(store: Store) -> None:
    """Every part of the reader is written anew at the next publishing."""
    held = f"SELECT DISTINCT CAST(ts_utc AS DATE) AS day FROM {older.source(store)}"
    days = store.frame(held)["day"].to_list()
    mark_due(store, OF_READINGS, [day + timedelta(days=by) for day in days for by in range(-2, 3)])
    for relation in ("site_day", "reading_flag", "finding", "not_judged", "judged"):
        mark_due(store, [relation], store.frame(f"SELECT DISTINCT day FROM {relation}")["day"].to_list())
    for relation in ("site_hour", "clock_day", "voltage_curtailment"):
        query = f"SELECT DISTINCT CAST(day + unnest([-1, 0, 1]) AS DATE) AS day FROM feature_{relation}"
        mark_due(store, [relation], store.frame(query)["day"].to_list())
    months = store.frame("SELECT DISTINCT CAST(taken_in_at AS DATE) AS day FROM export_file")["day"].to_list()
    mark_due(store, ("export_file", "rejected_row", "rejected_cell"), months)
