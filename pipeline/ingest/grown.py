"""Archived files that were written to after they were taken in: back to the inbox with what came later."""

import hashlib
import os
import shutil
from pathlib import Path

from pipeline.ingest.arrivals import free_name
from pipeline.store import Store, archived
from pipeline.workspace.files import copy_file, replace_file_by
from pipeline.workspace.places import Workspace

CHUNK = 1 << 20


def bring_back(store: Store, workspace: Workspace) -> list[str]:
    """The places in the inbox of files that changed since they were archived.

    The writer may hold the file open still, so the very file goes back and a copy of what was taken in stays in the
    archive. A file whose first part changed as well leaves its present content in both places.
    """
    found: list[str] = []
    checked: list[str] = []
    gone: list[str] = []
    for file in archived.archived_files(store):
        path = workspace.archive / file.archived_as
        try:
            now = path.stat()
        except OSError:
            continue  # packed or moved away by a person
        is_same = (now.st_size, now.st_mtime) == (file.bytes, file.changed_at)
        if is_same and file.is_checked:
            continue
        try:
            if _digest(path) != file.sha256:
                found.append(_back(path, file, workspace))
                gone.append(file.archived_as)
        except OSError:
            continue  # the next run tries again
        checked.append(file.archived_as)
    archived.note_checked(store, checked, gone)
    return found


def _back(path: Path, file: archived.ArchivedFile, workspace: Workspace) -> str:
    folder = workspace.inbox / file.folder
    folder.mkdir(parents=True, exist_ok=True)
    target = free_name(folder, file.name)
    is_longer = _digest(path, file.bytes) == file.sha256

    def write(copy: Path) -> None:
        shutil.copy2(path, copy)
        if is_longer:
            os.truncate(copy, file.bytes)
        try:
            os.link(path, target)  # both names until the copy has taken the archive's: a killed run loses neither
        except OSError:
            copy_file(path, target)

    replace_file_by(path, write)
    return target.relative_to(workspace.inbox).as_posix()


def _digest(path: Path, max_bytes: int | None = None) -> str:
    """SHA-256 of the file, or of its first bytes."""
    digest, left = hashlib.sha256(), max_bytes
    with path.open("rb") as file:
        while chunk := file.read(CHUNK if left is None else min(CHUNK, left)):
            digest.update(chunk)
            left = None if left is None else left - len(chunk)
    return digest.hexdigest()
