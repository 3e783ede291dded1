"""Files that wait to be taken in: finding them, letting them settle, moving them on."""

import errno
import os
import time
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from pipeline.errors import RefusedError
from pipeline.workspace.files import copy_file
from pipeline.workspace.places import OWN_FILES, Workspace

MAX_WAIT_S = 5.0  # ours: a run may pause this long for files to settle; with a longer settle time they wait outside
NAME_BYTES = 200  # ours: file systems allow 255, and the archive's number or a reason's ending is added


class Arrival(NamedTuple):
    """A file that waits."""

    path: Path
    name: str
    folder: str  # below the inbox (or the folder that was named), "" at its top
    is_ours: bool  # lies in the inbox, so it moves on; other files stay where they are

    @property
    def place(self) -> str:
        """Below the inbox; bytes of the name that are no UTF-8 are shown as such."""
        return shown(f"{self.folder}/{self.name}" if self.folder else self.name)

    @property
    def name_problem(self) -> str | None:
        """Why nothing can be kept under this name."""
        try:
            self.path.as_posix().encode("utf-8")
        except UnicodeEncodeError:
            return "its name or folder is not UTF-8; rename it"
        if len(self.name.encode("utf-8")) > NAME_BYTES:
            return f"its name is longer than {NAME_BYTES} bytes; shorten it"
        return None


class Waiting(NamedTuple):
    """What was found, and what was passed over."""

    arrivals: list[Arrival]
    still_written: list[str]  # changed within the settle time: the next run's
    links: list[str]  # never followed
    skipped: list[tuple[str, str]]  # (path, why): what can't be read where it lies


def find(workspace: Workspace, paths: Iterable[Path]) -> Waiting:
    """The files below `paths`, or in the inbox; links and hidden files are passed over.

    Raises RefusedError if a path does not exist, or is one of the workspace's own.
    """
    arrivals: dict[Path, Arrival] = {}
    links: list[str] = []
    skipped: list[tuple[str, str]] = []
    inbox = workspace.inbox.resolve()
    for root in [Path(path) for path in paths] or [workspace.inbox]:
        if not root.exists():
            raise RefusedError("there is no such file or folder", str(root), "check the path")
        is_ours = root.resolve().is_relative_to(inbox)
        _refuse_own(root, workspace, is_ours=is_ours)
        base = inbox if is_ours else (root if root.is_dir() else root.parent)
        for path in sorted(_files(root.resolve() if is_ours else root, links, skipped)):
            folder = path.parent.relative_to(base).as_posix()
            if folder == ".":
                folder = "" if is_ours else base.resolve().name if root.is_dir() else ""
            arrivals.setdefault(path.resolve(), Arrival(path, path.name, folder, is_ours))
    return Waiting(list(arrivals.values()), [], links, skipped)


def _refuse_own(root: Path, workspace: Workspace, *, is_ours: bool) -> None:
    """Raises RefusedError for what holds the workspace, and for its own files and folders besides the inbox."""
    path, own = root.resolve(), workspace.root.resolve()
    folders = (workspace.archive, workspace.quarantine, workspace.reader, workspace.digests, workspace.profiles)
    is_inside = any(path.is_relative_to(folder.resolve()) for folder in folders)
    is_own_file = path.parent == own and path.name in (*OWN_FILES, workspace.copy.name)
    if not is_ours and (is_inside or is_own_file or own.is_relative_to(path)):
        raise RefusedError(
            "the workspace's own files are not exports", str(root), "put exports into inbox/, or name another folder"
        )


def _files(root: Path, links: list[str], skipped: list[tuple[str, str]]) -> Iterable[Path]:
    if root.is_symlink():
        links.append(str(root))
        return
    if root.is_file():
        yield root
        return
    try:
        with os.scandir(root) as listed:
            entries = sorted(listed, key=lambda entry: entry.name)
    except OSError as error:
        skipped.append((shown(str(root)), f"the folder can't be read ({error.strerror or error})"))
        return
    for entry in entries:
        if entry.name.startswith("."):
            continue
        try:
            entry.stat(follow_symlinks=False)
        except FileNotFoundError:
            continue
        except OSError as error:
            skipped.append((shown(entry.path), f"can't be read ({error.strerror or error})"))
            continue
        if entry.is_symlink():
            links.append(entry.path)
        elif entry.is_dir(follow_symlinks=False):
            yield from _files(Path(entry.path), links, skipped)
        elif entry.is_file(follow_symlinks=False):
            yield Path(entry.path)


def let_settle(waiting: Waiting, settle_s: float) -> Waiting:
    """Without the files of which size or time of change moved within the settle time.

    Pauses if that is short; with a long settle time, files that young are the next run's.
    """
    seen = {arrival: state(arrival.path) for arrival in waiting.arrivals}
    now = time.time()
    ages = [now - mtime for found in seen.values() if found is not None and (mtime := found[1]) <= now]
    youngest = min(ages, default=settle_s)
    if settle_s <= MAX_WAIT_S and youngest < settle_s:
        time.sleep(settle_s - youngest)
    now = time.time()
    settled, young = [], []
    for arrival, found in seen.items():
        is_same = found is not None and state(arrival.path) == found
        # A time of change in the future is another machine's clock: then only what was seen counts.
        if is_same and found is not None and (now - found[1] >= settle_s or found[1] > now):
            settled.append(arrival)
        else:
            young.append(arrival.place)
    return Waiting(settled, young, waiting.links, waiting.skipped)


def state(path: Path) -> tuple[int, float] | None:
    """Size and time of change; None if the file is gone."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    return found.st_size, found.st_mtime


def shown(text: str) -> str:
    """The text with what is no UTF-8 in it made visible."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def free_name(folder: Path, name: str) -> Path:
    """A place in the folder under this name, or numbered where there is one already."""
    target, number = folder / name, 2
    while target.exists():
        target, number = folder / numbered_name(name, number), number + 1
    return target


def numbered_name(name: str, number: int) -> str:
    """The name with a number before its endings, which profiles read."""
    from pipeline.profiles.model import without_compression  # loaded here: `status` only counts what waits

    plain = without_compression(name)
    start, dot, ending = plain.rpartition(".") if "." in plain else (plain, "", "")
    return f"{start}~{number}{dot}{ending}{name[len(plain) :]}"


def hand_over(arrival: Arrival, target: Path) -> None:
    """The file lies at `target`; from outside the inbox it is copied there."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if arrival.is_ours:
        try:
            arrival.path.replace(target)
            return
        except OSError as error:
            if error.errno != errno.EXDEV:
                raise
    if not target.exists():  # on another file system: copy whole, then remove
        copy_file(arrival.path, target)
    if arrival.is_ours:
        arrival.path.unlink(missing_ok=True)
