"""The small database of views over the parts in force, with what of the history is small enough to be copied."""

import json
import re
import shutil
from collections.abc import Iterable, Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any

import duckdb

from pipeline.store.answers import DATABASE
from pipeline.store.connection import STORAGE_VERSION, Store, quoted
from pipeline.store.parts import empty_part
from pipeline.workspace import resources
from pipeline.workspace.files import move_file, unfinished_beside

MADE_OF = ".made_of.json"  # beside the database: what it was made of
COPY_OF_TABLE = re.compile(r"CREATE TABLE (\w+) AS\b(.*?);", re.DOTALL)
GROWN = 2  # ours: what replaced rows leave behind may double the file before it is made from nothing


def write_database(store: Store, folder: Path) -> None:
    """The small database, whole before it takes the place of the one before.

    Views and columns carry some 500 comments, which cost more than all else: what is as it was in the database that was
    written last is taken over from it, where nobody changed that since and this release writes the same relations.
    """
    texts = {file.stem: file.read_text(encoding="utf-8") for file in sorted(resources.folder("sql").glob("1*.sql"))}
    release = _digest("".join(texts.values()))
    parts = _parts_in_force(store, folder, (_relation(name) for name, text in texts.items() if "$parts" in text))
    before = _made_of(folder, release)
    try:
        _write(store, folder, texts, parts, before)
    except duckdb.Error:
        if before is None:
            raise
        before = None  # the one before is not whole
        _write(store, folder, texts, parts, before)
    unfinished = unfinished_beside(folder)
    unfinished.chmod(unfinished.stat().st_mode & 0o444)  # a client that opens it for writing would lock all others out
    move_file(unfinished, folder / DATABASE)
    (folder / f"{DATABASE}.wal").unlink(missing_ok=True)  # what somebody wrote into the one before is not of this one
    state = _state(folder / DATABASE)
    made_of = {
        "release": release,
        "state": state,
        "bytes_from_nothing": state[0] if before is None else before["bytes_from_nothing"],
        "parts": {relation: _digest(paths) for relation, paths in parts.items()},
    }
    unfinished.write_text(json.dumps(made_of), encoding="utf-8")
    move_file(unfinished, folder / MADE_OF)


def _write(
    store: Store, folder: Path, texts: Mapping[str, str], parts: Mapping[str, str], before: Mapping[str, Any] | None
) -> None:
    """The unfinished database, from nothing or from the one before."""
    unfinished = unfinished_beside(folder)
    unfinished.unlink(missing_ok=True)
    if before is not None:
        shutil.copyfile(folder / DATABASE, unfinished)
    store.con.execute(f"ATTACH '{quoted(unfinished)}' AS reader (STORAGE_VERSION '{STORAGE_VERSION}')")
    try:
        store.con.execute("USE reader")
        with store.transaction():
            for name, text in texts.items():
                relation = _relation(name)
                is_replaced = relation in parts and (
                    before is None or before["parts"].get(relation) != _digest(parts[relation])
                )
                if is_replaced:
                    store.con.execute(f"CREATE OR REPLACE MACRO {_macro(relation)} AS {parts[relation]}")
                if before is None:
                    store.con.execute(text.replace("$parts", _macro(relation)))
                elif is_replaced:
                    store.con.execute(f"SELECT * FROM {relation} LIMIT 0").fetchall()  # fails where parts lack a column
                elif found := COPY_OF_TABLE.search(text):
                    store.con.execute(f"DELETE FROM {found[1]}; INSERT INTO {found[1]} {found[2]}")
    finally:
        store.con.execute("USE history")
        store.con.execute("DETACH reader")


def _relation(name: str) -> str:
    """The relation that a file of sql/ makes."""
    return name.partition("_")[2]


def _macro(relation: str) -> str:
    """What a view names its parts by: they change each night, the view and its comments stay."""
    return f"parts_of_{relation}()"


def _parts_in_force(store: Store, folder: Path, relations: Iterable[str]) -> dict[str, str]:
    """SQL of the paths of each relation's parts."""
    files = dict(store.con.execute(
        "SELECT relation, list(file ORDER BY file) FROM reader_part WHERE superseded_at IS NULL GROUP BY relation"
    ).fetchall())  # fmt: skip
    return {one: _paths(folder, files.get(one) or [empty_part(store, folder, one)]) for one in relations}


def _paths(folder: Path, files: Iterable[str]) -> str:
    """SQL of the files' paths, which follow the database when its folder is copied or moved."""
    listed = ", ".join(f"'{quoted(Path(file))}'" for file in files)
    expression = resources.query("part_paths").replace("$home", f"'{quoted(folder.resolve())}'")
    return expression.replace("$files", f"[{listed}]")


def _made_of(folder: Path, release: str) -> Mapping[str, Any] | None:
    """What the present database was made of; None if it is to be made from nothing."""
    try:
        made_of = json.loads((folder / MADE_OF).read_text(encoding="utf-8"))
        state = _state(folder / DATABASE)
        is_usable = (
            made_of["release"] == release
            and made_of["state"] == state
            and state[0] <= GROWN * made_of["bytes_from_nothing"]
            and not (folder / f"{DATABASE}.wal").exists()
        )
        return dict(made_of) if is_usable and isinstance(made_of["parts"], dict) else None
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _state(path: Path) -> list[int]:
    found = path.stat()
    return [found.st_size, found.st_mtime_ns]


def _digest(text: str) -> str:
    return sha256(text.encode("utf-8")).hexdigest()
