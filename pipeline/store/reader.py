"""What analysts open: Parquet parts and a small database of views, both replaced by atomic rename.

Nobody but the pipeline opens the history itself, since a DuckDB file has one writer or many readers. Parts are never
changed once written: a new part gets a new name, and the old one stays until sessions that knew it have ended.
"""

import logging
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl

from detectors.data_quality.flags import good_values
from pipeline.store import answers, device_sums, older, readings
from pipeline.store.answers import DATABASE, Parameters
from pipeline.store.connection import STORAGE_VERSION, Store, in_utc
from pipeline.timezones.local_time import utc_midnight
from pipeline.workspace import resources
from pipeline.workspace.files import move_file

LOG = logging.getLogger("noonmark")
EMPTY = "empty.parquet"  # stands in for a relation without rows
SITE_DAYS_PER_PART = 2000  # ours: a day of 2,000 sites at 5 min takes some 200 MB while it is written
DAYS_APART = 35  # ours: days this far behind the newest no longer change, so a month of them becomes one part
# Instants are plain timestamps in UTC (the session's zone), so that every client prints them alike.
DAILY_COLUMNS = "* REPLACE (CAST(ts_utc AS TIMESTAMP) AS ts_utc)"
MONTHLY = {  # relation -> what gives its rows of one month
    "reading_flag": """SELECT * REPLACE (CAST(from_utc AS TIMESTAMP) AS from_utc, CAST(to_utc AS TIMESTAMP) AS to_utc,
        CAST(value_utc AS TIMESTAMP) AS value_utc) FROM reading_flag
        WHERE day >= $lo AND day < $hi ORDER BY site_id, device_id, from_utc, channel""",
    "site_day": "SELECT * FROM site_day WHERE day >= $lo AND day < $hi ORDER BY site_id, day",
    "site_hour": resources.query("site_hour"),
    "clock_day": "SELECT * FROM feature_clock_day WHERE day >= $lo AND day < $hi ORDER BY ALL",
    "finding": "SELECT * FROM finding WHERE day >= $lo AND day < $hi ORDER BY site_id, day",
    "not_judged": "SELECT * FROM not_judged WHERE day >= $lo AND day < $hi ORDER BY site_id, day",
    "judged": """SELECT * REPLACE (CAST(judged_at AS TIMESTAMP) AS judged_at) FROM judged
        WHERE day >= $lo AND day < $hi ORDER BY site_id, day""",
    "export_file": """SELECT * REPLACE (CAST(f.taken_in_at AS TIMESTAMP) AS taken_in_at) FROM export_file AS f
        WHERE f.taken_in_at >= $lo AND f.taken_in_at < $hi ORDER BY export_id""",
    "rejected_row": """SELECT r.* FROM rejected_row AS r JOIN export_file AS f USING (export_id)
        WHERE f.taken_in_at >= $lo AND f.taken_in_at < $hi ORDER BY ALL""",
    "rejected_cell": """SELECT r.* FROM rejected_cell AS r JOIN export_file AS f USING (export_id)
        WHERE f.taken_in_at >= $lo AND f.taken_in_at < $hi ORDER BY ALL""",
}
DAILY = ("reading", "device_reading", "reading_raw")  # periods are UTC days, months once they are old


def mark_due(store: Store, relation: str, days: Iterable[date]) -> None:
    """Notes that what the reader holds of these days is out of date."""
    if relation in DAILY:
        periods = {day.isoformat() for day in days}
    else:
        periods = {day.isoformat()[:7] for day in days}
    due = pl.DataFrame({"period": sorted(periods)}, schema={"period": pl.String})
    for name in (relation, "reading_raw") if relation == "reading" else (relation,):
        store.insert("reader_due", due.select(relation=pl.lit(name), period="period"))


def publish(store: Store, folder: Path, *, keep_h: float) -> int:
    """How many parts were written anew; the reader then shows the history as it stands."""
    folder.mkdir(parents=True, exist_ok=True)
    _mark_damaged_due(store, folder)
    written = _write_due(store, folder)
    try:
        _join_old_months(store, folder)
        _write_database(store, folder)
    except (duckdb.BinderException, duckdb.IOException):
        # Parts in force lack a column of this release, or somebody removed them: the history can give them all again.
        store.con.execute(
            "INSERT INTO reader_due SELECT DISTINCT relation, period FROM reader_part WHERE superseded_at IS NULL"
        )
        written += _write_due(store, folder)
        _write_database(store, folder)
    _remove_superseded(store, folder, keep_h)
    return written


def _mark_damaged_due(store: Store, folder: Path) -> None:
    """Parts in force that are gone, or changed since they were written, are out of date; it is told how many."""
    rows = store.con.execute(
        "SELECT relation, period, file, bytes, mtime_ns FROM reader_part WHERE superseded_at IS NULL"
    ).fetchall()
    wrong = {(relation, period) for relation, period, file, *was in rows if _is_changed(folder / file, *was)}
    if not wrong:
        return
    LOG.warning(
        "noonmark: %d parts were missing or changed, %s, they are written anew from the history",
        len(wrong),
        folder.name,
    )
    with store.transaction():
        for relation, period in sorted(wrong):
            store.con.execute("INSERT INTO reader_due VALUES (?, ?)", [relation, period])


def _is_changed(path: Path, size: int | None, mtime_ns: int | None) -> bool:
    try:
        found = path.stat()
    except FileNotFoundError:
        return True
    return size is not None and (found.st_size, found.st_mtime_ns) != (size, mtime_ns)


def _write_due(store: Store, folder: Path) -> int:
    """How many parts were written. Days of a month that is one part already are written with that month."""
    joined = set(store.con.execute(
        "SELECT DISTINCT relation, period FROM reader_part WHERE length(period) = 7 AND superseded_at IS NULL"
    ).fetchall())  # fmt: skip
    wanted: dict[tuple[str, str], list[str]] = {}
    for relation, period in store.con.execute(
        "SELECT DISTINCT relation, period FROM reader_due ORDER BY ALL"
    ).fetchall():
        month = period[:7]
        wanted.setdefault((relation, month if (relation, month) in joined else period), []).append(period)
    for (relation, period), done in wanted.items():
        write = _write_readings if relation in DAILY else _write_month
        _put_in_force(store, folder, relation, period, list(write(store, folder, relation, period)), done=done)
    return len(wanted)


def _put_in_force(
    store: Store, folder: Path, relation: str, period: str, files: list[str], *, done: Iterable[str] = ()
) -> None:
    now = datetime.now(UTC)
    with store.transaction():
        store.con.execute(
            """
            UPDATE reader_part SET superseded_at = ?
            WHERE relation = ? AND superseded_at IS NULL AND (period = ? OR (length(?) = 7 AND starts_with(period, ?)))
            """,
            [now, relation, period, period, period],
        )
        for file in files:
            state = (folder / file).stat()
            store.con.execute(
                "INSERT INTO reader_part VALUES (?, ?, ?, ?, NULL, ?, ?)",
                [relation, period, file, now, state.st_size, state.st_mtime_ns],
            )
        for one in done:
            store.con.execute("DELETE FROM reader_due WHERE relation = ? AND period = ?", [relation, one])


def _span(period: str) -> tuple[datetime, datetime]:
    if len(period) == 10:
        start = utc_midnight(date.fromisoformat(period))
        return start, start + timedelta(days=1)
    start = utc_midnight(date.fromisoformat(f"{period}-01"))
    return start, (start + timedelta(days=32)).replace(day=1)


def _write_readings(store: Store, folder: Path, relation: str, period: str) -> Iterator[str]:
    lo, hi = _span(period)
    if relation == "reading_raw":
        yield from _write_reported(store, folder, period)
        return
    flags = readings.read_flags(store, lo.date() - timedelta(days=1), hi.date() + timedelta(days=1))
    sites = [site for (site,) in store.con.execute("SELECT site_id FROM site ORDER BY site_id").fetchall()]
    shares = device_sums.shares(store)
    if relation == "device_reading":
        sites = [site for site in sites if site in shares.devices]
    at_once = max(SITE_DAYS_PER_PART // (hi - lo).days, 1)
    for number, first in enumerate(range(0, len(sites), at_once)):
        devices = good_values(readings.read(store, lo, hi, sites[first : first + at_once]), flags).drop("is_spoiled")
        if relation == "device_reading":
            frame = devices.filter(pl.col("device_id") != "")
        else:
            frame = device_sums.to_sites(devices, shares)
        if not frame.is_empty():
            with store.offered(part=frame):
                yield _write_part(
                    store,
                    folder,
                    relation,
                    f"{period}-{number}",
                    f"SELECT {DAILY_COLUMNS} FROM part ORDER BY site_id, ts_utc",
                )


def _write_reported(store: Store, folder: Path, period: str) -> Iterator[str]:
    """Readings as stamped and as reported, of UTC days as stamped."""
    rows = _reported(store, period)
    if store.value(f"SELECT count(*) FROM ({rows})"):
        yield _write_part(store, folder, "reading_raw", f"{period}-0", rows)


def _reported(store: Store, period: str) -> str:
    lo, hi = _span(period)
    return f"""SELECT r.{DAILY_COLUMNS} FROM {older.source(store, lo, hi)} AS r SEMI JOIN site USING (site_id)
        WHERE r.ts_utc >= TIMESTAMPTZ '{lo.isoformat()}' AND r.ts_utc < TIMESTAMPTZ '{hi.isoformat()}'
        ORDER BY site_id, device_id, ts_utc"""


def _write_month(store: Store, folder: Path, relation: str, period: str) -> Iterator[str]:
    lo, hi = _span(period)
    sql = (
        MONTHLY[relation]
        .replace("$lo", f"TIMESTAMPTZ '{lo.isoformat()}'")
        .replace("$hi", f"TIMESTAMPTZ '{hi.isoformat()}'")
    )
    yield _write_part(store, folder, relation, period, sql)


def _write_part(store: Store, folder: Path, relation: str, name: str, sql: str) -> str:
    """The part's path below `folder`; complete before it has its name."""
    file = f"{relation}/{name}.{datetime.now(UTC):%Y%m%dT%H%M%S%f}.parquet"
    target = folder / file
    target.parent.mkdir(exist_ok=True)
    unfinished = target.with_suffix(".unfinished")
    store.con.execute(f"COPY ({sql}) TO '{_quoted(unfinished)}' (FORMAT parquet, COMPRESSION zstd)")
    move_file(unfinished, target)
    return file


def _join_old_months(store: Store, folder: Path) -> None:
    """One part instead of many for every month whose days have settled.

    A clock that runs years ahead does not settle anything: what counts is the newest day that is not in the future.
    """
    for relation in DAILY:
        months = store.con.execute(
            """
            SELECT period[:7] AS month, list(file ORDER BY file) FROM reader_part
            WHERE relation = $relation AND superseded_at IS NULL AND length(period) = 10
              AND last_day(CAST(period AS DATE)) < (SELECT CAST(max(period) AS DATE) FROM reader_part
                   WHERE relation = $relation AND length(period) = 10 AND period <= $today) - to_days($apart)
            GROUP BY month
            """,
            {"relation": relation, "apart": DAYS_APART, "today": datetime.now(UTC).date().isoformat()},
        ).fetchall()
        for month, files in months:
            listed = ", ".join(f"'{_quoted(folder / file)}'" for file in files)
            sql = f"SELECT {DAILY_COLUMNS} FROM read_parquet([{listed}], union_by_name = true) ORDER BY site_id, ts_utc"
            _put_in_force(store, folder, relation, month, [_write_part(store, folder, relation, f"{month}-0", sql)])


def _write_database(store: Store, folder: Path) -> None:
    """The small database, whole before it takes the place of the one before."""
    unfinished = folder / f"{DATABASE}.unfinished"
    unfinished.unlink(missing_ok=True)
    parts: dict[str, list[str]] = {}
    for relation, file in store.con.execute(
        "SELECT relation, file FROM reader_part WHERE superseded_at IS NULL ORDER BY ALL"
    ).fetchall():
        parts.setdefault(relation, []).append(file)
    texts = []
    for file in sorted(resources.folder("sql").glob("1*.sql")):
        relation, text = file.stem.partition("_")[2], file.read_text(encoding="utf-8")
        if "$parts" in text:
            given = parts.get(relation) or [_empty_part(store, folder, relation)]
            text = text.replace("$parts", _paths(folder, given))
        texts.append(text)
    store.con.execute(f"ATTACH '{_quoted(unfinished)}' AS reader (STORAGE_VERSION '{STORAGE_VERSION}')")
    try:
        store.con.execute("USE reader")
        with store.transaction():
            for text in texts:
                store.con.execute(text)
    finally:
        store.con.execute("USE history")
        store.con.execute("DETACH reader")
    unfinished.chmod(unfinished.stat().st_mode & 0o444)  # a client that opens it for writing would lock all others out
    move_file(unfinished, folder / DATABASE)
    (folder / f"{DATABASE}.wal").unlink(missing_ok=True)  # what somebody wrote into the one before is not of this one


def _paths(folder: Path, files: Iterable[str]) -> str:
    """SQL of the files' paths, which follow the database when its folder is copied or moved."""
    listed = ", ".join(f"'{_quoted(Path(file))}'" for file in files)
    expression = resources.query("part_paths").replace("$home", f"'{_quoted(folder.resolve())}'")
    return expression.replace("$files", f"[{listed}]")


def _empty_part(store: Store, folder: Path, relation: str) -> str:
    """A part of no rows, so that the relation is there from the first day."""
    file = f"{relation}/{EMPTY}"
    (folder / relation).mkdir(exist_ok=True)
    if relation == "reading_raw":
        store.con.execute(f"COPY ({_reported(store, '1900-01-01')}) TO '{_quoted(folder / file)}' (FORMAT parquet)")
    elif relation in DAILY:
        nothing = readings.read(store, utc_midnight(date(1900, 1, 1)), utc_midnight(date(1900, 1, 2)))
        with store.offered(part=nothing):
            store.con.execute(f"COPY (SELECT {DAILY_COLUMNS} FROM part) TO '{_quoted(folder / file)}' (FORMAT parquet)")
    else:
        sql = MONTHLY[relation].replace("$lo", "TIMESTAMPTZ '1900-01-01'").replace("$hi", "TIMESTAMPTZ '1900-01-01'")
        store.con.execute(f"COPY ({sql}) TO '{_quoted(folder / file)}' (FORMAT parquet)")
    return file


def _remove_superseded(store: Store, folder: Path, keep_h: float) -> None:
    """Takes away parts that no session can need any more, and what killed runs left behind."""
    before = datetime.now(UTC) - timedelta(hours=keep_h)
    store.con.execute("DELETE FROM reader_part WHERE superseded_at < ?", [before])
    known = {file for (file,) in store.con.execute("SELECT file FROM reader_part").fetchall()}
    for file in folder.glob("*/*"):
        is_part = file.suffix == ".parquet" and file.name != EMPTY
        is_gone = is_part and file.relative_to(folder).as_posix() not in known
        # An unknown part is no younger than the run that left it; its time of writing stands for that of its end.
        if file.suffix == ".unfinished" or (is_gone and file.stat().st_mtime < before.timestamp()):
            file.unlink(missing_ok=True)


def forget(store: Store) -> None:
    """Every part is out of date: what is published next is written anew."""
    with store.transaction():
        store.con.execute("UPDATE reader_part SET superseded_at = ? WHERE superseded_at IS NULL", [datetime.now(UTC)])
        store.con.execute("DELETE FROM reader_due")


def ask(folder: Path, sql: str, parameters: Parameters = ()) -> pl.DataFrame:
    """The result of one query as a frame; what a frame does not hold (intervals, unions) is text.

    Raises QueryError as `answers.answered` does.
    """
    with answers.answered(folder, sql, parameters) as relation:
        return pl.DataFrame() if relation is None else in_utc(answers.for_frames(relation).pl())


def _quoted(path: Path) -> str:
    return str(path).replace("'", "''")
