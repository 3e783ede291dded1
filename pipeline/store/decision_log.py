"""What people decided, as text beside the history: readable when the history is not.

One JSON object a line, only ever appended to and written through to the disk. The history and the log are brought to
the same content at each opening, so what either has alone is not lost.
"""

import json
import logging
import os
from collections.abc import Iterable
from datetime import date
from pathlib import Path
from typing import Any

from pipeline.exceptions.changes import REGISTER
from pipeline.store import clock_shifts
from pipeline.store.connection import Store
from pipeline.workspace.files import sync

KEYS = {  # table -> what names one of its rows
    "decision": ("decided_at", "exception_id", "action"),
    "clock_shift": ("shift_id", "made_at"),
    "mended_exception": ("shift_id", "exception_id"),
}
LOG = logging.getLogger("noonmark")
Row = dict[str, Any]
Rows = dict[tuple[str, str], Row]  # (table, key) -> row


def append(store: Store, log: Path) -> int:
    """How many rows were written: those of the history that the log has not, or has as they were before."""
    logged = read(log)
    lines = [
        json.dumps({"table": name, **row}, ensure_ascii=False)
        for (name, key), row in _held(store).items()
        if logged.get((name, key)) != row
    ]
    if lines:
        _write(log, lines)
    return len(lines)


def bring_back(store: Store, log: Path) -> int:
    """How many rows the history lacked, and has again. Corrections of a site that is not registered wait for it."""
    logged, held = read(log), _held(store)
    sites = {site for (site,) in store.con.execute("SELECT site_id FROM site").fetchall()}
    lacking = {name: [row for at, row in logged.items() if at[0] == name and at not in held] for name in KEYS}
    shifts = [row for row in lacking["clock_shift"] if row["site_id"] in sites]
    undone = [
        row for at, row in logged.items()
        if at[0] == "clock_shift" and row["undone_at"] and at in held and not held[at]["undone_at"]
    ]  # fmt: skip
    if not undone and not any(lacking.values()):
        _count_on(store)
        return 0
    with store.transaction():
        _insert(store, "decision", lacking["decision"])
        _insert(store, "clock_shift", shifts)
        for row in undone:
            store.con.execute(
                "UPDATE clock_shift SET undone_at = CAST(? AS TIMESTAMPTZ) WHERE shift_id = ?",
                [row["undone_at"], row["shift_id"]],
            )
            store.con.execute("DELETE FROM mended_exception WHERE shift_id = ?", [row["shift_id"]])
        in_force = {
            row["shift_id"] for at, row in _held(store).items() if at[0] == "clock_shift" and not row["undone_at"]
        }
        corrected = [row for row in lacking["mended_exception"] if row["shift_id"] in (*in_force, REGISTER)]
        _insert(store, "mended_exception", corrected)
        for row in [*shifts, *undone]:
            if row["site_id"] in sites:
                first, last = date.fromisoformat(row["from_day"]), row["to_day"]
                clock_shifts.apply(store, row["site_id"], first, date.fromisoformat(last) if last else None)
        _count_on(store)
    return len(lacking["decision"]) + len(shifts) + len(undone) + len(corrected)


def read(log: Path) -> Rows:
    """What the log says last of every row; a line that was cut off is passed over, and told."""
    found: Rows = {}
    if not log.exists():
        return found
    for number, line in enumerate(log.read_text(encoding="utf-8", errors="replace").splitlines(), 1):
        try:
            row = json.loads(line)
            name = row.pop("table")
            found[name, _key(name, row)] = row
        except (ValueError, KeyError, TypeError, AttributeError):
            if line.strip():
                LOG.warning("noonmark: a line is not readable and is passed over, %s line %d", log.name, number)
    return found


def _held(store: Store) -> Rows:
    """The same of the history."""
    found: Rows = {}
    counts = ", ".join(f"(SELECT count(*) FROM {name})" for name in KEYS)
    ((*held,),) = store.con.execute(f"SELECT {counts}").fetchall()
    for name in (name for name, count in zip(KEYS, held, strict=True) if count):
        for (text,) in store.con.execute(
            f"SELECT CAST(to_json(t) AS VARCHAR) FROM {name} AS t ORDER BY ALL"
        ).fetchall():
            row = json.loads(text)
            found[name, _key(name, row)] = row
    return found


def _key(name: str, row: Row) -> str:
    return json.dumps([row[column] for column in KEYS[name]])


def _insert(store: Store, name: str, rows: Iterable[Row]) -> None:
    """Rows by the columns that both the log and this release know."""
    known = {column for (column,) in store.con.execute(
        "SELECT column_name FROM duckdb_columns() WHERE database_name = 'history' AND table_name = ?", [name]
    ).fetchall()}  # fmt: skip
    for row in rows:
        columns = [column for column in row if column in known]
        values = [json.dumps(row[c]) if isinstance(row[c], dict | list) else row[c] for c in columns]
        places = ", ".join("?" for _ in columns)
        store.con.execute(f"INSERT INTO {name} ({', '.join(columns)}) VALUES ({places})", values)


def _count_on(store: Store) -> None:
    """The next correction's number lies above all that were given."""
    highest = store.value("SELECT coalesce(max(shift_id), 0) FROM clock_shift")
    last = store.value(
        "SELECT coalesce(last_value, 0) FROM duckdb_sequences() WHERE sequence_name = 'clock_shift_number'"
    )
    for _ in range(int(last), int(highest)):
        store.value("SELECT nextval('clock_shift_number')")


def _write(log: Path, lines: list[str]) -> None:
    is_new = not log.exists()
    with log.open("a+b") as file:
        is_cut = False
        if file.seek(0, os.SEEK_END) > 0:
            file.seek(-1, os.SEEK_END)
            is_cut = file.read(1) != b"\n"
        file.write(("\n" * is_cut + "".join(f"{line}\n" for line in lines)).encode("utf-8"))
        file.flush()
        os.fsync(file.fileno())
    if is_new:
        sync(log.parent)
