"""Files that went to the archive, remembered for as long as somebody may still write to them."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import polars as pl

from pipeline.store.connection import Store

WATCHED_H = 24  # ours: an upload that pauses for longer starts anew


class ArchivedFile(NamedTuple):
    """A file that went to the archive, as it was when it was read."""

    archived_as: str
    folder: str
    name: str
    bytes: int
    changed_at: float
    sha256: str
    is_checked: bool


def note_archived(store: Store, files: Sequence[ArchivedFile]) -> None:
    """Remembers files that go to the archive, so that later writing to them shows."""
    if files:
        frame = pl.DataFrame(files, schema=ArchivedFile._fields, orient="row")
        store.insert("archived_file", frame.with_columns(archived_at=pl.lit(datetime.now(UTC))))


def archived_files(store: Store) -> list[ArchivedFile]:
    """Files that went to the archive within the last day, or that no run has looked at since."""
    columns = ", ".join(ArchivedFile._fields)
    rows = store.con.execute(f"SELECT {columns} FROM archived_file ORDER BY archived_as").fetchall()
    return [ArchivedFile(*row) for row in rows]


def is_archived(store: Store, sha256: str) -> bool:
    """Whether a file of these bytes is in the history."""
    return bool(
        store.value("SELECT count(*) FROM archived_file WHERE sha256 = ?", [sha256])
        or store.value("SELECT count(*) FROM export_file WHERE sha256 = ?", [sha256])
    )


def note_checked(store: Store, archived_as: Sequence[str], gone: Sequence[str] = ()) -> None:
    """Marks files as looked at; those `gone` back, or archived more than WATCHED_H ago, are forgotten."""
    with store.transaction():
        if archived_as:
            looked = pl.DataFrame({"archived_as": list(archived_as)}, schema={"archived_as": pl.String})
            with store.offered(looked=looked):
                store.con.execute(
                    "UPDATE archived_file SET is_checked = true WHERE archived_as IN (SELECT archived_as FROM looked)"
                )
        for name in gone:
            store.con.execute("DELETE FROM archived_file WHERE archived_as = ?", [name])
        oldest = datetime.now(UTC) - timedelta(hours=WATCHED_H)
        store.con.execute("DELETE FROM archived_file WHERE is_checked AND archived_at < ?", [oldest])
