"""Files that wait to be taken in: finding them, letting them settle, moving them on."""

import os
import re
import shutil
import time
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from pipeline.errors import NoonmarkError
from pipeline.workspace import Workspace

WAIT_AT_MOST_S = 5.0  # ours: a run may pause this long for files to settle; with a longer settle time they wait outside
NUMBERED = re.compile(r"^(\d{8,})~(.+)$", re.DOTALL)  # how the archive keeps the order of arrival


class Arrival(NamedTuple):
    """A file that waits."""

    path: Path
    name: str
    folder: str  # below the inbox (or the folder that was named), "" at its top
    is_ours: bool  # lies in the inbox, so it moves on; other files stay where they are

    @property
    def place(self) -> str:
        return f"{self.folder}/{self.name}" if self.folder else self.name


class Waiting(NamedTuple):
    """What was found, and what was passed over."""

    arrivals: list[Arrival]
    still_written: list[str]  # changed within the settle time: the next run's
    links: list[str]  # never followed


def find(workspace: Workspace, paths: Iterable[Path]) -> Waiting:
    """The files below `paths`, or in the inbox; links and hidden files are passed over.

    Raises NoonmarkError if a path does not exist.
    """
    arrivals: dict[Path, Arrival] = {}
    links: list[str] = []
    inbox = workspace.inbox.resolve()
    for root in [Path(path) for path in paths] or [workspace.inbox]:
        if not root.exists():
            raise NoonmarkError("there is no such file or folder", str(root), "check the path")
        is_ours = root.resolve().is_relative_to(inbox)
        base = inbox if is_ours else (root if root.is_dir() else root.parent)
        for path in sorted(_files(root.resolve() if is_ours else root, links)):
            folder = path.parent.relative_to(base).as_posix()
            if folder == ".":
                folder = "" if is_ours else base.resolve().name if root.is_dir() else ""
            arrivals.setdefault(path.resolve(), Arrival(path, path.name, folder, is_ours))
    return Waiting(list(arrivals.values()), [], links)


def _files(root: Path, links: list[str]) -> Iterable[Path]:
    if root.is_symlink():
        links.append(str(root))
        return
    if root.is_file():
        yield root
        return
    with os.scandir(root) as entries:
        for entry in sorted(entries, key=lambda entry: entry.name):
            if entry.name.startswith("."):
                continue
            if entry.is_symlink():
                links.append(entry.path)
            elif entry.is_dir(follow_symlinks=False):
                yield from _files(Path(entry.path), links)
            elif entry.is_file(follow_symlinks=False):
                yield Path(entry.path)


def let_settle(waiting: Waiting, settle_s: float) -> Waiting:
    """Without the files of which size or time of change moved within the settle time.

    Pauses if that is short; with a long settle time, files that young are the next run's.
    """
    before = {arrival: _state(arrival.path) for arrival in waiting.arrivals}
    now = time.time()
    ages = [now - mtime for state in before.values() if state is not None and (mtime := state[1]) <= now]
    youngest = min(ages, default=settle_s)
    if settle_s <= WAIT_AT_MOST_S and youngest < settle_s:
        time.sleep(settle_s - youngest)
    now = time.time()
    settled, young = [], []
    for arrival, state in before.items():
        is_same = state is not None and _state(arrival.path) == state
        # A time of change in the future is another machine's clock: then only what was seen counts.
        if is_same and state is not None and (now - state[1] >= settle_s or state[1] > now):
            settled.append(arrival)
        else:
            young.append(arrival.place)
    return Waiting(settled, young, waiting.links)


def _state(path: Path) -> tuple[int, float] | None:
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_size, found.st_mtime


def archived_name(arrival: Arrival, export_id: int, taken_in_at: datetime) -> str:
    """Where the file goes, below archive/: by month, in its folder, numbered in the order of arrival."""
    parts = [f"{taken_in_at:%Y-%m}", arrival.folder, f"{export_id:08d}~{arrival.name}"]
    return "/".join(part for part in parts if part)


def archived(workspace: Workspace) -> list[tuple[int, Arrival]]:
    """(number, file) of everything in the archive, in the order of arrival, under its first name and folder."""
    found = []
    for path in workspace.archive.rglob("*"):
        named = NUMBERED.match(path.name)
        if named and path.is_file() and not path.is_symlink():
            below = path.parent.relative_to(workspace.archive).parts[1:]
            found.append((int(named[1]), Arrival(path, named[2], "/".join(below), False)))
    return sorted(found)


def to_archive(workspace: Workspace, arrival: Arrival, archived_as: str) -> None:
    """The file lies in the archive; a file from outside the inbox is copied."""
    _hand_over(arrival, workspace.archive / archived_as)


def to_quarantine(
    workspace: Workspace, arrival: Arrival, reason: str, *, member: str = "", data: bytes | None = None
) -> Path:
    """The file (or a zip's member, given by its bytes) lies in quarantine beside its reason."""
    name = f"{arrival.name}~{Path(member).name}" if member else arrival.name
    content = arrival.path.read_bytes() if data is None else data
    target = workspace.quarantine / name
    number = 2
    while target.exists() and target.read_bytes() != content:
        target = workspace.quarantine / f"{Path(name).stem}~{number}{Path(name).suffix}"
        number += 1
    workspace.quarantine.mkdir(parents=True, exist_ok=True)
    said = f"{reason}\n\nfrom: {arrival.place}{'/' + member if member else ''}\nmend it, then put the file back into inbox/\n"
    target.with_name(target.name + ".reason.txt").write_text(said, encoding="utf-8")
    if data is None:
        _hand_over(arrival, target)
    elif not target.exists():
        unfinished = target.with_name("." + target.name)
        unfinished.write_bytes(data)
        unfinished.replace(target)
    return target


def _hand_over(arrival: Arrival, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    if arrival.is_ours:
        try:
            arrival.path.replace(target)
            return
        except OSError:  # another file system: copy whole, then remove
            pass
    if not target.exists():
        unfinished = target.with_name("." + target.name)
        shutil.copy2(arrival.path, unfinished)
        unfinished.replace(target)
    if arrival.is_ours:
        arrival.path.unlink(missing_ok=True)
