"""The history's rolling copy: made after a close, in force when the history itself does not open."""

import contextlib
import os
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import duckdb

from pipeline.errors import DamagedHistoryError, NoonmarkError, RefusedError
from pipeline.store import ledger
from pipeline.store.connection import STORAGE_VERSION, Store, quoted
from pipeline.workspace.files import replace_file_by, sync

COPIED_BYTES_PER_S = (
    2**30 / 3600
)  # ours: 1 GiB an hour; copying more would wear the disk for what archive/ holds anyway
BEGUN_WITH = ("site", "plane", "device", "installer", "feature_version")
CUT_SHORT = "Could not read enough bytes"
ALWAYS_COPIED = 64 * 2**20  # ours: bytes that take no time worth saving


def renew(database: Path, copy: Path) -> bool:
    """Whether `copy` is now the history as it was closed: not if that was not clean, or the last copy is young.

    The copy takes the place of the one before only once it was opened and read. Raises OSError, and
    DamagedHistoryError if what was copied does not open.
    """
    wal = database.with_name(database.name + ".wal")
    if not database.exists() or (wal.exists() and wal.stat().st_size > 0):
        return False
    size = database.stat().st_size
    if size > ALWAYS_COPIED and copy.exists():
        age_s = time.time() - copy.stat().st_mtime
        if 0 <= age_s < size / COPIED_BYTES_PER_S:
            return False

    def write(unfinished: Path) -> None:
        shutil.copyfile(database, unfinished)
        sync(unfinished)  # before it is read: what is read back then is what the disk has
        look_into(unfinished)

    replace_file_by(copy, write)
    return True


def look_into(database: Path) -> None:
    """Raises DamagedHistoryError unless a history can be opened and its ledger read; nothing is changed."""
    try:
        with contextlib.closing(duckdb.connect(":memory:")) as con:
            con.execute(f"ATTACH '{quoted(database)}' AS history (READ_ONLY, STORAGE_VERSION '{STORAGE_VERSION}')")
            con.execute("SELECT count(*), max(applied_at) FROM history.schema_log").fetchall()
            con.execute("SELECT max(export_id), sum(rows_read) FROM history.export_file").fetchall()
    except duckdb.Error as error:
        raise DamagedHistoryError(
            f"the history does not open any more ({str(error).splitlines()[0]})",
            database.name,
            "run `noonmark ingest --rebuild`",
        ) from error


def looked_into(database: Path) -> Store:
    """The history, opened, and what every run begins with read once. Raises DamagedHistoryError, as `Store` does."""
    store = Store(database)
    try:
        with damage_reported(database):
            for table in BEGUN_WITH:
                store.frame(f"SELECT * FROM {table}")
    except DamagedHistoryError:
        store.close()
        raise
    return store


@contextlib.contextmanager
def damage_reported(database: Path) -> Iterator[None]:
    """Raises DamagedHistoryError where a block is missing that no one asked for when the history was opened."""
    try:
        yield
    except duckdb.IOException as error:
        said = str(error).splitlines()[0]
        if CUT_SHORT not in said:
            raise
        raise DamagedHistoryError(
            f"the history is cut short ({said})", database.name, "run `noonmark ingest --rebuild`"
        ) from error


def fall_back(database: Path, copy: Path, damaged: Path) -> bool:
    """Whether the copy took the history's place; what did not open is kept as `damaged`.

    The copy is noted as behind, so that the exports which came after it are taken in again, now or by the next run.
    """
    if not copy.exists():
        return False

    def write(unfinished: Path) -> None:
        shutil.copyfile(copy, unfinished)
        with Store(unfinished) as store:
            store.con.execute("UPDATE archive_mark SET is_behind = true")
        set_aside(database, damaged)

    try:
        replace_file_by(database, write)
    except NoonmarkError:
        return False
    return True


def set_aside(database: Path, damaged: Path) -> None:
    """The history's file and its log of changes under another name; killed in between, the next run does it again."""
    wal = database.with_name(database.name + ".wal")
    if wal.exists():
        wal.replace(damaged.with_name(damaged.name + ".wal"))
    if database.exists():
        damaged.unlink(missing_ok=True)
        os.link(database, damaged)  # the place is never empty: an empty one would count as a deleted history


def check_against_archive(store: Store, highest: int) -> None:
    """Raises RefusedError if the archive holds exports that the history never knew: it is another, or an older one."""
    ((left_out, is_behind),) = store.con.execute("SELECT highest, is_behind FROM archive_mark").fetchall()
    known = max(ledger.last_export_id(store), int(left_out))
    if highest > known and not is_behind:
        raise RefusedError(
            f"the history ends at export {known}, but archive/ holds {highest}: it is an older one, or was deleted",
            store.database.name,
            "put the right file back, or run `noonmark ingest --rebuild`, which makes the history again from archive/",
        )


def is_behind(store: Store) -> bool:
    """Whether exports of the archive wait to be taken in again."""
    return bool(store.value("SELECT is_behind FROM archive_mark"))


def note_archive(store: Store, highest: int) -> None:
    """The history is up with the archive, whatever of it could not be taken in."""
    store.con.execute("UPDATE archive_mark SET highest = ?, is_behind = false", [highest])
