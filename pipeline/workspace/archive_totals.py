"""What lies below archive/: its bytes and its highest number, without looking through all of it every night.

A file of the archive never changes, and a night adds files to the folders of its month alone. What was seen of a folder
holds as long as its time of change does, which every file that comes or goes moves on.
"""

import contextlib
import json
import os
import re
import time
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

from pipeline.workspace.files import replace_file
from pipeline.workspace.places import Workspace

NUMBERED = re.compile(r"^(\d{8,})~(.+)$", re.DOTALL)  # how the archive keeps the order of arrival
SETTLED_S = 3.0  # ours: the coarsest clock of a file system ticks every 2 s, and within a tick a change is not seen


class Totals(NamedTuple):
    """Of all files below the archive, but for what is inside of packs."""

    size: int  # bytes
    highest: int  # number, 0 = there is none


class _Folder(NamedTuple):
    """What lies in one folder, folders in it aside."""

    mtime_ns: int
    size: int
    highest: int
    folders: list[str]  # names of those in it


def totals(workspace: Workspace) -> Totals:
    """The archive's totals; links are not followed, what vanishes meanwhile counts nothing."""
    known = _remembered(workspace)
    found: dict[str, _Folder] = {}
    waiting = [""] if workspace.archive.is_dir() else []
    while waiting:
        name = waiting.pop()
        with contextlib.suppress(OSError):
            found[name] = _looked_into(workspace.archive / name, known.get(name))
            waiting += [f"{name}/{one}" if name else one for one in found[name].folders]
    settled = {name: one for name, one in found.items() if time.time_ns() - one.mtime_ns > SETTLED_S * 1e9}
    if settled != known:
        with contextlib.suppress(OSError):  # it is only for the next time
            replace_file(workspace.archive_totals_file, json.dumps(settled))
    return Totals(sum(one.size for one in found.values()), max((one.highest for one in found.values()), default=0))


def _looked_into(path: Path, known: _Folder | None) -> _Folder:
    mtime_ns = path.stat().st_mtime_ns
    if known is not None and known.mtime_ns == mtime_ns:
        return known
    size, highest, folders = 0, 0, []
    with os.scandir(path) as entries:
        for entry in entries:
            with contextlib.suppress(OSError):
                if entry.is_dir(follow_symlinks=False):
                    folders.append(entry.name)
                elif entry.is_file(follow_symlinks=False):
                    size += entry.stat(follow_symlinks=False).st_size
                    named = NUMBERED.match(entry.name)
                    highest = max(highest, int(named[1]) if named else 0)
    return _Folder(mtime_ns, size, highest, folders)


def _remembered(workspace: Workspace) -> Mapping[str, _Folder]:
    try:
        read = json.loads(workspace.archive_totals_file.read_text(encoding="utf-8"))
        return {str(name): _Folder(int(one[0]), int(one[1]), int(one[2]), list(one[3])) for name, one in read.items()}
    except (OSError, ValueError, TypeError, KeyError, IndexError, AttributeError):
        return {}
