"""A whole copy of a workspace, made while the service runs, and the way back."""

import hashlib
import json
import os
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any, NamedTuple

from pipeline.errors import DamagedHistoryError, InvalidInputError, RefusedError, StorageError
from pipeline.runs.session import LOCK_WAIT_S, opened, publish
from pipeline.store import history, reader, recovery
from pipeline.workspace.files import replace_file, sync
from pipeline.workspace.lock import locked
from pipeline.workspace.places import OWN_FILES, Workspace

MANIFEST = "noonmark.backup.json"
CHUNK = 1 << 20
LEFT_OUT = ("reader",)  # made again from the history
NEVER_CHANGED = ("archive", "readings", "digests")  # copied before the workspace is asked for, since they may be large
FOLDERS = ("profiles", "inbox", "quarantine", *NEVER_CHANGED)


class Copied(NamedTuple):
    """What a backup holds, or a restored workspace was given."""

    place: Path
    files: int
    bytes: int
    notice: str = ""


def backup(workspace: Workspace, target: Path, *, wait_s: float = LOCK_WAIT_S) -> Copied:
    """Copies the workspace to `target`, which is new or an empty folder, and is there only once it is whole.

    Large folders are copied first; for the rest no run may be under way, and one that is is waited for. Raises
    RefusedError, also if the history does not open, or WorkspaceBusyError; nothing is left then.
    """
    target = target.absolute()
    _refuse_used(target, "a backup")
    root = workspace.root.resolve()
    if not any((root / name).exists() for name in OWN_FILES):
        raise RefusedError("there is no workspace here", str(root), "name one: `noonmark --workspace DESK backup PATH`")
    if target.resolve().is_relative_to(root):
        raise RefusedError("a backup lies outside the workspace", str(target), "choose a folder on another disk")
    _refuse_too_large(root, target)
    unfinished = target.with_name(f".{target.name}.unfinished")
    shutil.rmtree(unfinished, ignore_errors=True)  # of a run that was killed
    unfinished.mkdir(parents=True)
    try:
        held: dict[str, list[Any]] = {}
        for name in NEVER_CHANGED:
            _copy_tree(root, unfinished, name, held)
        with locked(workspace, wait_s=wait_s):
            for name in FOLDERS:
                _copy_tree(root, unfinished, name, held)
            for name in OWN_FILES:
                if (root / name).is_file():
                    held[name] = _copy(root / name, unfinished / name)
        for name in [name for name in held if not (unfinished / name).exists()]:
            del held[name]
        if (unfinished / "noonmark.duckdb").exists():
            _look_into(unfinished / "noonmark.duckdb")
        about = {"made_at": datetime.now(UTC).isoformat(timespec="seconds"), "noonmark": version("noonmark")}
        replace_file(unfinished / MANIFEST, json.dumps({**about, "files": held}, indent=0) + "\n")
        _put_in_place(unfinished, target)
    except BaseException:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise
    return Copied(target, len(held), sum(size for size, _, _ in held.values()))


def restore(workspace: Workspace, source: Path) -> Copied:
    """Makes the workspace, which is new or an empty folder, from a backup; what analysts open is written anew.

    Raises RefusedError, also for a backup of which a file is missing, changed or not to be read; nothing is left then.
    Raises StorageError if the workspace is made and its history can't be published.
    """
    _refuse_used(workspace.root, "a restored workspace")
    held = _manifest(source)
    _refuse_too_large(source, workspace.root)
    unfinished = workspace.root.with_name(f".{workspace.root.name}.unfinished")
    shutil.rmtree(unfinished, ignore_errors=True)
    unfinished.mkdir(parents=True)
    try:
        for name, (size, mtime_ns, digest) in held.items():
            if not _may_be_read(source / name) or _copy(source / name, unfinished / name)[::2] != [size, digest]:
                raise RefusedError("a file of the backup is missing or changed", name, "take another backup")
            os.utime(unfinished / name, ns=(mtime_ns, mtime_ns))
        _put_in_place(unfinished, workspace.root)
    except BaseException:
        shutil.rmtree(unfinished, ignore_errors=True)
        raise
    notice = ""
    try:
        with opened(workspace, is_quiet=True) as run:
            reader.forget(run.store)
            history.mark_everything_due(run.store)
            publish(run)
    except InvalidInputError as error:
        notice = f"reader/ was not written: {error}, which were in the backup; `noonmark check` lists them"
    except RefusedError as error:  # no longer so that nothing was changed
        raise StorageError(f"restored, but not to be opened: {error.what}", error.where, error.remedy) from error
    return Copied(workspace.root, len(held), sum(size for size, _, _ in held.values()), notice)


def _look_into(database: Path) -> None:
    """Raises RefusedError unless the history, of which this is a copy, opens."""
    try:
        recovery.look_into(database)
    except DamagedHistoryError as error:
        raise RefusedError(error.what, error.where, error.remedy) from error


def _may_be_read(path: Path) -> bool:
    """Whether it is a file, and one that this user may read. Raises RefusedError where it may not be."""
    if not path.is_file():
        return False
    if not os.access(path, os.R_OK):
        raise RefusedError("a file of the backup may not be read", str(path), "set its owner and mode")
    return True


def _copy_tree(root: Path, target: Path, folder: str, held: dict[str, list[Any]]) -> None:
    """Brings the copy of a folder up to it: what is new or changed is copied, what is gone goes."""
    present = {path.relative_to(root).as_posix(): path for path in _files(root / folder)}
    for name in [name for name in held if name.startswith(f"{folder}/") and name not in present]:
        (target / name).unlink(missing_ok=True)
        del held[name]
    for name, path in present.items():
        try:
            state = path.stat()
            if name not in held or held[name][:2] != [state.st_size, state.st_mtime_ns]:
                held[name] = _copy(path, target / name)
        except FileNotFoundError:  # moved on since it was listed; the second look has it elsewhere
            (target / name).unlink(missing_ok=True)
            held.pop(name, None)


def _files(folder: Path) -> Iterator[Path]:
    for path in sorted(folder.rglob("*")):
        if path.is_file() and not path.is_symlink() and not path.name.endswith(".unfinished"):
            yield path


def _copy(source: Path, target: Path) -> list[Any]:
    """[size, time of change in ns, SHA-256] of what was copied."""
    target.parent.mkdir(parents=True, exist_ok=True)
    digest, size, state = hashlib.sha256(), 0, source.stat()
    with source.open("rb") as file, target.open("wb") as copy:
        while chunk := file.read(CHUNK):
            digest.update(chunk)
            copy.write(chunk)
            size += len(chunk)
        copy.flush()
        os.fsync(copy.fileno())
    os.utime(target, ns=(state.st_atime_ns, state.st_mtime_ns))
    return [size, state.st_mtime_ns, digest.hexdigest()]


def _manifest(source: Path) -> dict[str, list[Any]]:
    try:
        held = json.loads((source / MANIFEST).read_text(encoding="utf-8"))["files"]
        safe = {str(name): [int(size), int(mtime), str(digest)] for name, (size, mtime, digest) in held.items()}
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RefusedError(
            "this is no backup, or one that was not finished", str(source), "name a folder that `noonmark backup` made"
        ) from error
    for name in safe:
        if Path(name).is_absolute() or ".." in Path(name).parts:
            raise RefusedError(f"the backup names a file outside itself: {name!r}", str(source), "take another backup")
    return safe


def _refuse_used(place: Path, what: str) -> None:
    if place.exists() and (not place.is_dir() or any(place.iterdir())):
        raise RefusedError(f"{what} needs a new or an empty folder", str(place), "name another, or move this one away")


def _refuse_too_large(source: Path, target: Path) -> None:
    """Raises RefusedError where the copy would not fit."""
    wanted = sum(path.stat().st_size for path in _files(source) if path.relative_to(source).parts[0] not in LEFT_OUT)
    parent = next(folder for folder in target.absolute().parents if folder.exists())
    free = shutil.disk_usage(parent).free
    if wanted > free:
        raise RefusedError(
            f"the copy takes {wanted / 1e6:.0f} MB and {free / 1e6:.0f} MB are free", str(parent), "free some space"
        )


def _put_in_place(unfinished: Path, target: Path) -> None:
    try:
        if target.exists():
            target.rmdir()
        unfinished.rename(target)
    except OSError as error:
        raise RefusedError(
            f"the folder cannot be replaced ({error.strerror})", str(target), "name a new folder below it"
        ) from error
    sync(target.parent)
