"""The files that were taken in: where they lie, in what order, packed or not."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path, PurePosixPath

from pipeline.ingest import packs
from pipeline.ingest.arrivals import Arrival, hand_over
from pipeline.workspace import archive_totals
from pipeline.workspace.archive_totals import NUMBERED
from pipeline.workspace.places import Workspace


def archived_name(arrival: Arrival, export_id: int, taken_in_at: datetime) -> str:
    """Where the file goes, below archive/: by month, in its folder, numbered in the order of arrival."""
    parts = [f"{taken_in_at:%Y-%m}", arrival.folder, f"{export_id:08d}~{arrival.name}"]
    return "/".join(part for part in parts if part)


def last_archived(workspace: Workspace) -> int:
    """The highest number in the archive, packed or not; 0 if it is empty."""
    packed = (NUMBERED.match(PurePosixPath(name).name) for name in packs.names(workspace.archive))
    return max([archive_totals.totals(workspace).highest, *(int(named[1]) for named in packed if named)])


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
    hand_over(arrival, workspace.archive / archived_as)
