"""Files that wait to be taken in: finding them, letting them settle, moving them on."""

import errno
import filecmp
import os
import re
import time
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import NamedTuple

from pipeline.errors import NoonmarkError
from pipeline.ingest import packs
from pipeline.workspace.files import copy_file, replace_file
from pipeline.workspace.places import Workspace

MAX_WAIT_S = 5.0  # ours: a run may pause this long for files to settle; with a longer settle time they wait outside
NAME_BYTES = 200  # ours: file systems allow 255, and the archive's number or a reason's ending is added
REASON = ".reason.txt"
REASON_BYTES = 2**20  # ours: a zip of thousands of bad members fits
PUT_BACK = "fix it, then put the file back as inbox/"
NUMBERED = re.compile(r"^(\d{8,})~(.+)$", re.DOTALL)  # how the archive keeps the order of arrival


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

    Raises NoonmarkError if a path does not exist.
    """
    arrivals: dict[Path, Arrival] = {}
    links: list[str] = []
    skipped: list[tuple[str, str]] = []
    inbox = workspace.inbox.resolve()
    for root in [Path(path) for path in paths] or [workspace.inbox]:
        if not root.exists():
            raise NoonmarkError("there is no such file or folder", str(root), "check the path")
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
    """Raises NoonmarkError for a folder that holds the workspace, or is one of its own besides the inbox."""
    path, own = root.resolve(), workspace.root.resolve()
    folders = (workspace.archive, workspace.quarantine, workspace.reader, workspace.digests, workspace.profiles)
    is_inside = any(path.is_relative_to(folder.resolve()) for folder in folders)
    if not is_ours and (is_inside or own.is_relative_to(path)):
        raise NoonmarkError(
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


def archived_name(arrival: Arrival, export_id: int, taken_in_at: datetime) -> str:
    """Where the file goes, below archive/: by month, in its folder, numbered in the order of arrival."""
    parts = [f"{taken_in_at:%Y-%m}", arrival.folder, f"{export_id:08d}~{arrival.name}"]
    return "/".join(part for part in parts if part)


def last_archived(workspace: Workspace) -> int:
    """The highest number in the archive, 0 if it is empty; by names alone, some 0.15 s for 100,000 files."""
    packed = (NUMBERED.match(PurePosixPath(name).name) for name in packs.names(workspace.archive))
    highest = max((int(named[1]) for named in packed if named), default=0)
    folders = [str(workspace.archive)] if workspace.archive.is_dir() else []
    while folders:
        with os.scandir(folders.pop()) as entries:
            for entry in entries:
                if named := NUMBERED.match(entry.name):
                    highest = max(highest, int(named[1]))
                elif entry.is_dir(follow_symlinks=False):
                    folders.append(entry.path)
    return highest


def archived(workspace: Workspace) -> list[tuple[int, Arrival]]:
    """(number, file) of everything in the archive, in the order of arrival, under its first name and folder.

    The ledger's number alone is that order: the month is this machine's clock, which may have been set back.
    """
    packed = packs.names(workspace.archive)
    lying = {path for path in workspace.archive.rglob("*") if path.is_file() and not path.is_symlink()}
    found = []
    for path in lying | {workspace.archive / name for name in packed}:
        if named := NUMBERED.match(path.name):
            month, *below = path.parent.relative_to(workspace.archive).parts
            found.append((int(named[1]), month, Arrival(path, named[2], "/".join(below), False)))
    return [(number, arrival) for number, _, arrival in sorted(found)]


def at_hand(workspace: Workspace, waiting: Sequence[Arrival]) -> Iterator[list[Arrival]]:
    """The archive's files, in their order, some at a time; those of a packed month lie in its folder meanwhile.

    A month is unpacked when the first of its files comes, and what was unpacked goes after the last of them.
    """
    packed = packs.names(workspace.archive)
    names = [arrival.path.relative_to(workspace.archive).as_posix() for arrival in waiting]
    of = [packed.get(name) if not (workspace.archive / name).exists() else None for name in names]
    last = {pack: place for place, pack in enumerate(of) if pack is not None}
    unpacked: dict[Path, list[Path]] = {}
    some: list[Arrival] = []
    try:
        for place, (arrival, pack) in enumerate(zip(waiting, of, strict=True)):
            if pack is not None and pack not in unpacked:
                unpacked[pack] = packs.extract(workspace.archive, pack)
            some.append(arrival)
            if pack is not None and last[pack] == place:
                yield some
                some = []
                _remove(workspace.archive, unpacked[pack])
        if some:
            yield some
    finally:
        for made in unpacked.values():
            _remove(workspace.archive, made)


def _remove(archive: Path, made: list[Path]) -> None:
    for path in made:
        path.unlink(missing_ok=True)
    for folder in sorted({path.parent for path in made}, reverse=True):
        while folder != archive and folder.is_dir() and not any(folder.iterdir()):
            folder.rmdir()
            folder = folder.parent


def is_in_archive(workspace: Workspace, archived_as: str) -> bool:
    """Whether the archive holds the file, in its folder or packed."""
    return (workspace.archive / archived_as).exists() or archived_as in packs.names(workspace.archive)


def to_archive(workspace: Workspace, arrival: Arrival, archived_as: str) -> None:
    """The file lies in the archive; a file from outside the inbox is copied."""
    _hand_over(arrival, workspace.archive / archived_as)


def to_quarantine(
    workspace: Workspace, arrival: Arrival, reason: str, *, member: str = "", data: bytes | None = None
) -> Path:
    """The file (or a zip's member, given by its bytes) lies in quarantine beside its reason."""
    name = PurePosixPath(member.replace("\\", "/")).name or "member" if member else arrival.name
    workspace.quarantine.mkdir(parents=True, exist_ok=True)
    target = _free(workspace.quarantine, _kept_name(name), arrival.path if data is None else data)
    folder = f"{arrival.folder}/" if arrival.folder else ""
    whence = f"{arrival.place}/{shown(member)}" if member else arrival.place
    said = f"{reason}\n\nfrom: {whence}\n{PUT_BACK}{shown(folder)}{shown(name)}\n"
    replace_file(target.with_name(target.name + REASON), shown(said))
    if data is None:
        _hand_over(arrival, target)
    elif not target.exists():
        replace_file(target, data)
    return target


def quarantined(workspace: Workspace) -> list[tuple[str, str]]:
    """(file, reason) of everything that lies in quarantine."""
    found = []
    for reason in sorted(workspace.quarantine.glob("*.reason.txt")):
        file = reason.with_name(reason.name.removesuffix(".reason.txt"))
        if file.exists():
            try:
                said = reason.read_text(encoding="utf-8", errors="replace").replace("\0", "")
            except OSError as error:
                said = f"its note can't be read ({error.strerror or error})"
            found.append((file.name, said.split("\n\n", 1)[0].replace("\n", "; ")))
    return found


def is_reason(arrival: Arrival) -> bool:
    """True for a reason that was put into the inbox together with its file."""
    if (
        not (arrival.is_ours and arrival.name.endswith(REASON))
        or (state(arrival.path) or (REASON_BYTES,))[0] >= REASON_BYTES
    ):
        return False
    return PUT_BACK in arrival.path.read_text(encoding="utf-8", errors="replace").rpartition("\n\n")[2]


def shown(text: str) -> str:
    """The text with what is no UTF-8 in it made visible."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _kept_name(name: str) -> str:
    """The name, or what of it a file system can hold and a person can type: its start and its ending."""
    name = shown(name).replace("\0", "")
    if len(name.encode("utf-8")) <= NAME_BYTES:
        return name
    ending = "".join(PurePosixPath(name).suffixes[-2:])[-20:]
    return name.encode("utf-8")[: NAME_BYTES - 40].decode("utf-8", "ignore") + ending


def _free(folder: Path, name: str, content: Path | bytes) -> Path:
    """Where the content lies in the folder already, or a name that is free; endings stay, since profiles read them."""
    from pipeline.profiles.model import without_compression  # loaded here: `status` only counts what waits

    plain = without_compression(name)
    start, dot, ending = plain.rpartition(".") if "." in plain else (plain, "", "")
    endings = ending + name[len(plain) :]
    target, number = folder / name, 2
    while target.exists() and not _holds(target, content):
        target, number = folder / f"{start}~{number}{dot}{endings}", number + 1
    return target


def free_name(folder: Path, name: str) -> Path:
    """A place in the folder under this name, or numbered where there is one already; endings stay."""
    from pipeline.profiles.model import without_compression  # loaded here: `status` only counts what waits

    plain = without_compression(name)
    start, dot, ending = plain.rpartition(".") if "." in plain else (plain, "", "")
    target, number = folder / name, 2
    while target.exists():
        target, number = folder / f"{start}~{number}{dot}{ending}{name[len(plain) :]}", number + 1
    return target


def _holds(target: Path, content: Path | bytes) -> bool:
    if not target.is_file():
        return False
    if isinstance(content, bytes):
        return target.read_bytes() == content
    return filecmp.cmp(target, content, shallow=False)


def _hand_over(arrival: Arrival, target: Path) -> None:
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
