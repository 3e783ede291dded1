"""Readings older than `[keep] readings_days`: a Parquet file a month beside the history, and still a part of it.

A month lies either in the table reading_raw or in its file. What reads asks `source` for both; what writes first
brings the months back that it touches (`bring_back`), and the next `move_out` moves them again. A file never changes:
a month that is moved again gets a new one, and the one before stays until the history's copy no longer names it.
"""

from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl

from pipeline.counted import counted
from pipeline.errors import StorageError
from pipeline.store.connection import Store, quoted
from pipeline.workspace.files import move_file

FOLDER = "readings"
AROUND = timedelta(days=5)  # counters are differenced against neighbours of up to four days
ORDER = "CAST(ts_utc AS DATE), site_id, device_id, ts_utc"  # so that a day is a few row groups of its month


def move_out(store: Store, keep_days: int) -> list[str]:
    """The months that were moved to files of their own: whole ones that ended `keep_days` before the newest day.

    The newest day is that of the last readings, not of this machine's clock; stamps in the future do not count.
    """
    newest = store.value("SELECT max(day) FROM site_day WHERE readings > 0 AND day <= ?", [datetime.now(UTC).date()])
    if not isinstance(newest, date):
        return []
    before = datetime.combine((newest - timedelta(days=keep_days)).replace(day=1), datetime.min.time(), UTC)
    months = [month for (month,) in store.con.execute(
        "SELECT DISTINCT strftime(ts_utc, '%Y-%m') AS month FROM reading_raw WHERE ts_utc < ? ORDER BY month", [before]
    ).fetchall()]  # fmt: skip
    for month in months:
        _move(store, month)
    return months


def _move(store: Store, month: str) -> None:
    folder = _folder(store)
    folder.mkdir(exist_ok=True)
    lo, hi = _span(month)
    file = f"{month}.{datetime.now(UTC):%Y%m%dT%H%M%S%f}.parquet"
    unfinished = folder / f".{file}.unfinished"
    within = f"ts_utc >= TIMESTAMPTZ '{lo.isoformat()}' AND ts_utc < TIMESTAMPTZ '{hi.isoformat()}'"
    rows = f"FROM reading_raw WHERE {within}"
    with store.transaction():
        _bring_back(store, [month])
        count = store.value(f"SELECT count(*) {rows}")
        store.con.execute(
            f"COPY (SELECT * {rows} ORDER BY {ORDER}) TO '{quoted(unfinished)}' (FORMAT parquet, COMPRESSION zstd)"
        )
        move_file(unfinished, folder / file)  # whole and on disk before the history lets go of the rows
        store.con.execute("INSERT INTO reading_month VALUES (?, ?, ?)", [month, file, count])
        store.con.execute(f"DELETE {rows}")


def bring_back(store: Store, instants: pl.Series) -> None:
    """Moves the months around these instants (UTC) back into reading_raw. To be called in the writing transaction."""
    held = {month for (month,) in store.con.execute("SELECT month FROM reading_month").fetchall()}
    if not held or instants.is_empty():
        return
    around = [instants.dt.offset_by(by) for by in (f"-{AROUND.days}d", "0d", f"{AROUND.days}d")]
    _bring_back(store, sorted(held & set(pl.concat(around).dt.strftime("%Y-%m").unique())))


def _bring_back(store: Store, months: Iterable[str]) -> None:
    for month in months:
        for (file,) in store.con.execute("SELECT file FROM reading_month WHERE month = ?", [month]).fetchall():
            store.con.execute(
                f"INSERT INTO reading_raw BY NAME SELECT * FROM read_parquet('{quoted(_folder(store) / file)}')"
            )
        store.con.execute("DELETE FROM reading_month WHERE month = ?", [month])


def source(store: Store, lo: datetime | None = None, hi: datetime | None = None) -> str:
    """SQL of all readings as stamped between two instants (None: from the first, to the last), to stand after FROM."""
    files = [
        f"'{quoted(_folder(store) / file)}'"
        for month, file in store.con.execute("SELECT month, file FROM reading_month ORDER BY month").fetchall()
        if (lo is None or _span(month)[1] > lo) and (hi is None or _span(month)[0] < hi)
    ]
    if not files:
        return "reading_raw"
    return (
        f"(SELECT * FROM reading_raw UNION ALL BY NAME "
        f"SELECT * FROM read_parquet([{', '.join(files)}], union_by_name = true))"
    )


def files(store: Store) -> set[str]:
    """The names of the files that the history counts on."""
    return {file for (file,) in store.con.execute("SELECT file FROM reading_month").fetchall()}


def check(store: Store) -> None:
    """Raises StorageError if a file that the history counts on is not there."""
    if missing := sorted(file for file in files(store) if not (_folder(store) / file).is_file()):
        raise StorageError(
            f"older readings are missing ({counted(len(missing), 'month')})", f"{FOLDER}/{missing[0]}",
            "put them back from a backup, or run `noonmark ingest --rebuild`, which makes the history from archive/",
        )  # fmt: skip


def sweep(folder: Path, in_force: set[str]) -> None:
    """Removes files that neither the history nor its copy, just renewed, counts on."""
    for path in folder.glob("*.parquet"):
        if path.name not in in_force:
            path.unlink(missing_ok=True)
    for path in folder.glob(".*.unfinished"):
        path.unlink(missing_ok=True)


def _folder(store: Store) -> Path:
    return store.database.parent / FOLDER


def _span(month: str) -> tuple[datetime, datetime]:
    start = datetime.strptime(month, "%Y-%m").replace(tzinfo=UTC)
    return start, (start + timedelta(days=32)).replace(day=1)
