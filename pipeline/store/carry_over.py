"""What a rebuilt history takes over from the one before it: what people did, which is not in the archive."""

from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import date, datetime
from pathlib import Path
from typing import NamedTuple

import duckdb

from pipeline.errors import DamagedHistoryError
from pipeline.store.connection import Store, quoted

CARRIED = (
    "run", "decision", "clock_shift", "clock_shift_span", "export_copy", "archived_file", "mended_exception", "mail",
    "digest_span", "reader_part", "agreed_until",
    "site_arrival",
)  # fmt: skip
NUMBERED = (("run_number", "run", "run_id"), ("clock_shift_number", "clock_shift", "shift_id"))  # sequence, table, key


class Carried(NamedTuple):
    """What the archive cannot say."""

    judged_days: list[date]  # oldest first
    taken_in_at: dict[tuple[str, str], datetime]  # (archived_as, path) -> when


def carry_over(store: Store, old: Path) -> Carried:
    """What people did, copied into `store` from the history at `old`, which is left without a log of unwritten changes.

    Nothing is copied if it can't be read to the end. Raises DamagedHistoryError then, NoonmarkError if it can't be
    opened for another reason.
    """
    with Store(old) as before, _damage(old):
        checkpoint(before)
    return _copied(store, old)


def carry_over_copy(store: Store, copy: Path) -> Carried:
    """The same from a history's copy, which is not opened for writing."""
    return _copied(store, copy)


def checkpoint(store: Store) -> None:
    """Writes all changes into the history's own file."""
    store.con.execute("CHECKPOINT history")


@contextmanager
def _damage(of: Path) -> Iterator[None]:
    """What DuckDB says inside the block of a history that it can't read, as DamagedHistoryError."""
    try:
        yield
    except duckdb.Error as error:
        raise DamagedHistoryError(
            f"the history cannot be read ({str(error).splitlines()[0]})", of.name, "restore it from a backup"
        ) from error


def _copied(store: Store, old: Path) -> Carried:
    with _damage(old):
        store.con.execute(f"ATTACH '{quoted(old)}' AS old (READ_ONLY)")
    try:
        with _damage(old), store.transaction():
            for table in CARRIED:
                store.con.execute(f"INSERT INTO {table} BY NAME SELECT * FROM old.{table}")
            days = store.con.execute("SELECT DISTINCT day FROM old.judged ORDER BY day").fetchall()
            times = store.con.execute("SELECT archived_as, path, taken_in_at FROM old.export_file").fetchall()
        for sequence, table, column in NUMBERED:
            highest = store.value(f"SELECT coalesce(max({column}), 0) FROM {table}")
            store.con.execute(f"SELECT nextval('{sequence}') FROM range({int(highest)})").fetchall()
        return Carried([day for (day,) in days], {(place, path): when for place, path, when in times})
    finally:
        with suppress(duckdb.Error):  # after an error that ended the connection: the first counts
            store.con.execute("DETACH old")
