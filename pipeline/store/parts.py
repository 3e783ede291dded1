"""The reader's Parquet parts: written from the history period by period, put in force, joined by month, taken away."""

import logging
import zlib
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import NamedTuple

import polars as pl

from detectors.data_quality.flags import good_values
from detectors.frames import READINGS
from detectors.stats.rows import ordered
from pipeline.counted import counted
from pipeline.store import device_sums, readings
from pipeline.store.connection import Store, quoted
from pipeline.timezones.local_time import utc_midnight
from pipeline.workspace import resources
from pipeline.workspace.files import move_file, unfinished_beside

LOG = logging.getLogger("noonmark")
EMPTY = "empty-"  # begins the names of parts that stand in for a relation without rows
ROW_GROUP = 122_880  # DuckDB's own: what a question skips at once
SITE_DAYS_PER_PART = 2000  # ours: a day of 2,000 sites at 5 min takes some 200 MB while it is written
DAYS_APART = 35  # ours: days this far behind the newest no longer change, so a month of them becomes one part
# Instants are plain timestamps in UTC (the session's zone), so that every client prints them alike.
DAILY_COLUMNS = "* REPLACE (CAST(ts_utc AS TIMESTAMP) AS ts_utc)"
OF_SPANS = {  # relation -> what gives its rows of a span of days, a month or, of those in DAILY, a day
    "reading_flag": """SELECT * REPLACE (CAST(from_utc AS TIMESTAMP) AS from_utc, CAST(to_utc AS TIMESTAMP) AS to_utc,
        CAST(value_utc AS TIMESTAMP) AS value_utc) FROM reading_flag
        WHERE day >= $first AND day < $after ORDER BY site_id, device_id, from_utc, channel""",
    "site_day": "SELECT * FROM site_day WHERE day >= $first AND day < $after ORDER BY site_id, day",
    "site_hour": resources.query("site_hour"),
    "clock_day": "SELECT * FROM feature_clock_day WHERE day >= $first AND day < $after ORDER BY ALL",
    "voltage_curtailment": """SELECT * FROM feature_voltage_curtailment
        WHERE day >= $first AND day < $after ORDER BY site_id, day""",
    "finding": "SELECT * FROM finding WHERE day >= $first AND day < $after ORDER BY site_id, day",
    "not_judged": "SELECT * FROM not_judged WHERE day >= $first AND day < $after ORDER BY site_id, day",
    "judged": """SELECT * REPLACE (CAST(judged_at AS TIMESTAMP) AS judged_at) FROM judged
        WHERE day >= $first AND day < $after ORDER BY site_id, day""",
    "export_file": """SELECT * REPLACE (CAST(f.taken_in_at AS TIMESTAMP) AS taken_in_at) FROM export_file AS f
        WHERE f.taken_in_at >= $lo AND f.taken_in_at < $hi ORDER BY export_id""",
    "rejected_row": """SELECT r.* FROM rejected_row AS r JOIN export_file AS f USING (export_id)
        WHERE f.taken_in_at >= $lo AND f.taken_in_at < $hi ORDER BY ALL""",
    "rejected_cell": """SELECT r.* FROM rejected_cell AS r JOIN export_file AS f USING (export_id)
        WHERE f.taken_in_at >= $lo AND f.taken_in_at < $hi ORDER BY ALL""",
}
AS_REPORTED = (*readings.KEY, "interval_s", "marks", "ts_export", "export_id", *readings.QUANTITIES)
CUT_HOURS = """SELECT count(*) - count(DISTINCT (site_id, ts_utc)) FROM feature_site_hour
    WHERE ts_utc >= ? AND ts_utc < ?"""
PERIODS_AT_ONCE = 50  # ours: put in force together; a run that ends before writes them once more
OF_READINGS = ("reading", "device_reading", "reading_raw")
ONCE_READ = ("reading", "reading_raw")  # written of the same rows, where no clock is corrected
# Periods are UTC days, months once they are old: a night writes its own day, not its month. The hours of a month are
# some 50 times as many rows as those of any relation by site and day.
DAILY = (*OF_READINGS, "site_hour")


class _Written(NamedTuple):
    """The parts of a period, and the periods that are no longer due with it."""

    relation: str
    period: str
    files: list[str]
    done: list[str]


def mark_damaged_due(store: Store, folder: Path) -> None:
    """Parts in force that are gone, or changed since they were written, are out of date; it is told how many."""
    rows = store.con.execute(
        "SELECT relation, period, file, bytes, mtime_ns FROM reader_part WHERE superseded_at IS NULL"
    ).fetchall()
    wrong = {(relation, period) for relation, period, file, *was in rows if _is_changed(folder / file, *was)}
    if not wrong:
        return
    LOG.warning(
        "noonmark: %s missing or changed, %s, written anew from the history",
        counted(len(wrong), "part was", "parts were"),
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


def write_due(store: Store, folder: Path) -> int:
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
    written: list[_Written] = []
    for relation, period, files in _write_wanted(store, folder, wanted):
        written.append(_Written(relation, period, files, wanted[relation, period]))
        if len(written) == PERIODS_AT_ONCE:
            _put_in_force(store, folder, written)
            written = []
    _put_in_force(store, folder, written)
    return len(wanted)


def _write_wanted(
    store: Store, folder: Path, wanted: Iterable[tuple[str, str]]
) -> Iterator[tuple[str, str, list[str]]]:
    """(relation, period, files) of the parts that are wanted, as they are written."""
    together: dict[str, list[str]] = {}
    for relation, period in wanted:
        if relation in ONCE_READ:
            together.setdefault(period, []).append(relation)
        else:
            write = _write_devices if relation == "device_reading" else _write_span
            yield relation, period, list(write(store, folder, relation, period))
    for period, relations in together.items():
        files = _write_readings(store, folder, relations, period)
        for relation in relations:
            yield relation, period, files[relation]


def _put_in_force(store: Store, folder: Path, written: list[_Written]) -> None:
    """The parts written take the place of those of the same periods (a month's: of its days too), all at once."""
    if not written:
        return
    periods = pl.DataFrame([one[:2] for one in written], schema=["relation", "period"], orient="row")
    done = pl.DataFrame(
        [(one.relation, period) for one in written for period in one.done], schema=periods.schema, orient="row"
    )
    parts = pl.DataFrame(
        [
            (one.relation, one.period, file, state.st_size, state.st_mtime_ns)
            for one in written for file in one.files for state in [(folder / file).stat()]
        ],
        schema={**periods.schema, "file": pl.String, "bytes": pl.Int64, "mtime_ns": pl.Int64}, orient="row",
    )  # fmt: skip
    now = datetime.now(UTC)
    with store.transaction(), store.offered(periods=periods, done=done, parts=parts):
        store.con.execute(
            """
            UPDATE reader_part SET superseded_at = ? FROM periods AS p
            WHERE reader_part.relation = p.relation AND superseded_at IS NULL AND
                (reader_part.period = p.period OR (length(p.period) = 7 AND starts_with(reader_part.period, p.period)))
            """,
            [now],
        )
        store.con.execute(
            "INSERT INTO reader_part SELECT relation, period, file, ?, NULL, bytes, mtime_ns FROM parts", [now]
        )
        store.con.execute(
            "DELETE FROM reader_due AS d USING done WHERE d.relation = done.relation AND d.period = done.period"
        )


def _span(period: str) -> tuple[datetime, datetime]:
    if len(period) == 10:
        start = utc_midnight(date.fromisoformat(period))
        return start, start + timedelta(days=1)
    start = utc_midnight(date.fromisoformat(f"{period}-01"))
    return start, (start + timedelta(days=32)).replace(day=1)


def _write_readings(store: Store, folder: Path, relations: list[str], period: str) -> dict[str, list[str]]:
    """The files of each of the relations, of ONCE_READ."""
    lo, hi = _span(period)
    flags, shares = _flags_around(store, lo, hi), device_sums.shares(store)
    files: dict[str, list[str]] = {relation: [] for relation in relations}
    for number, some in _sites_at_once(store.sites()["site_id"].to_list(), lo, hi):
        stamped = None
        if "reading_raw" in relations:  # of UTC days as stamped
            stamped = readings.read_as_stamped(store, lo, hi, some)
            files["reading_raw"] += _write_rows(
                folder, "reading_raw", f"{period}-{number}", stamped.select(AS_REPORTED)
            )
        if "reading" in relations:
            devices = good_values(readings.read(store, lo, hi, some, stamped), flags).drop("is_spoiled")
            rows = device_sums.to_sites(devices, shares)
            files["reading"] += _write_rows(folder, "reading", f"{period}-{number}", rows)
    return files


def _write_devices(store: Store, folder: Path, relation: str, period: str) -> Iterator[str]:
    lo, hi = _span(period)
    flags, shares = _flags_around(store, lo, hi), device_sums.shares(store)
    having = [site for site in store.sites()["site_id"] if site in shares.devices]
    for number, some in _sites_at_once(having, lo, hi):
        devices = good_values(readings.read(store, lo, hi, some), flags).drop("is_spoiled")
        yield from _write_rows(folder, relation, f"{period}-{number}", devices.filter(pl.col("device_id") != ""))


def _flags_around(store: Store, lo: datetime, hi: datetime) -> pl.DataFrame:
    return readings.read_flags(store, lo.date() - timedelta(days=1), hi.date() + timedelta(days=1))


def _sites_at_once(sites: list[str], lo: datetime, hi: datetime) -> Iterator[tuple[int, list[str]]]:
    """(number, sites) of groups whose readings of a span are held at a time."""
    at_once = max(SITE_DAYS_PER_PART // (hi - lo).days, 1)
    return enumerate(sites[first : first + at_once] for first in range(0, len(sites), at_once))


def _write_rows(folder: Path, relation: str, name: str, rows: pl.DataFrame) -> list[str]:
    """The file of the rows, if there are any."""
    if rows.is_empty():
        return []
    file = _part_name(relation, name)
    _write_frame(folder / file, ordered(rows, "site_id", "ts_utc"))
    return [file]


def _write_span(store: Store, folder: Path, relation: str, period: str) -> Iterator[str]:
    lo, hi = _span(period)
    is_whole = relation == "site_hour" and not store.value(CUT_HOURS, [lo, hi])
    text = resources.query("whole_site_hour") if is_whole else OF_SPANS[relation]
    file = _part_name(relation, period)
    if _write_file(store, folder / file, _of_span(text, lo, hi)) or relation not in DAILY:
        yield file
    else:
        (folder / file).unlink()  # a day without rows, beside one that has some


def _of_span(text: str, lo: datetime, hi: datetime) -> str:
    """The query with its span: instants as $lo and $hi, UTC dates as $first and $after.

    A date that is compared with an instant is turned into one row by row, and no part of the table is passed over.
    """
    values = {
        "$lo": f"TIMESTAMPTZ '{lo.isoformat()}'", "$hi": f"TIMESTAMPTZ '{hi.isoformat()}'",
        "$first": f"DATE '{lo.date()}'", "$after": f"DATE '{hi.date()}'",
    }  # fmt: skip
    for name, value in values.items():
        text = text.replace(name, value)
    return text


def _part_name(relation: str, name: str) -> str:
    return f"{relation}/{name}.{datetime.now(UTC):%Y%m%dT%H%M%S%f}.parquet"


def _write_file(store: Store, target: Path, sql: str) -> int:
    """Writes the rows as a file that is complete before it has its name; how many there were."""
    target.parent.mkdir(exist_ok=True)
    unfinished = unfinished_beside(target.parents[1])
    copy = f"COPY ({sql}) TO '{quoted(unfinished)}' (FORMAT parquet, COMPRESSION zstd)"
    ((count,),) = store.con.execute(copy).fetchall()
    move_file(unfinished, target)
    return int(count)


def _write_frame(target: Path, frame: pl.DataFrame) -> None:
    """The same of rows that are at hand: by Polars, at a third of the processor's time."""
    target.parent.mkdir(exist_ok=True)
    unfinished = unfinished_beside(target.parents[1])
    plain = frame.with_columns(pl.col("ts_utc").dt.replace_time_zone(None))
    plain.write_parquet(unfinished, compression="zstd", row_group_size=ROW_GROUP)
    move_file(unfinished, target)


def join_old_months(store: Store, folder: Path) -> None:
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
            listed = ", ".join(f"'{quoted(folder / file)}'" for file in files)
            sql = f"SELECT {DAILY_COLUMNS} FROM read_parquet([{listed}], union_by_name = true) ORDER BY site_id, ts_utc"
            file = _part_name(relation, f"{month}-0")
            _write_file(store, folder / file, sql)
            _put_in_force(store, folder, [_Written(relation, month, [file], [])])


def empty_part(store: Store, folder: Path, relation: str) -> str:
    """A part of no rows, so that the relation is there from the first day; made once for each release's columns."""
    file = f"{relation}/{EMPTY}{_columns()}.parquet"
    if not (folder / file).exists():
        never = utc_midnight(date(1900, 1, 1))
        if relation == "reading_raw":
            _write_frame(folder / file, readings.read_as_stamped(store, never, never, []).select(AS_REPORTED))
        elif relation in OF_READINGS:
            _write_frame(folder / file, readings.read(store, never, never))
        else:
            _write_file(store, folder / file, _of_span(OF_SPANS[relation], never, never))
    return file


@cache
def _columns() -> str:
    """What tells the columns of one release from those of another."""
    texts = [repr(READINGS), *OF_SPANS.values()]
    for file in sorted(resources.folder("sql").glob("*.sql")):
        texts += [file.name, file.read_text(encoding="utf-8")]
    return f"{zlib.crc32(''.join(texts).encode()):08x}"


def remove_empty(folder: Path) -> None:
    """Parts of no rows are made anew when they are next needed."""
    for file in folder.glob(f"*/{EMPTY}*"):
        file.unlink(missing_ok=True)


def remove_superseded(store: Store, folder: Path, keep_h: float) -> None:
    """Takes away parts that no session can need any more, and what killed runs left behind."""
    before = datetime.now(UTC) - timedelta(hours=keep_h)
    store.con.execute("DELETE FROM reader_part WHERE superseded_at < ?", [before])
    known = {file for (file,) in store.con.execute("SELECT file FROM reader_part").fetchall()}
    for file in folder.glob("*/*"):
        is_part = file.suffix == ".parquet" and not file.name.startswith(EMPTY)
        is_gone = is_part and file.relative_to(folder).as_posix() not in known
        # An unknown part is no younger than the run that left it; its time of writing stands for that of its end.
        if file.suffix == ".unfinished" or (is_gone and file.stat().st_mtime < before.timestamp()):
            file.unlink(missing_ok=True)
