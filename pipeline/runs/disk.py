"""The disk that a workspace lies on: what it holds, and when it will be full at the present growth."""

import os
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from pipeline.workspace import archive_totals
from pipeline.workspace.places import Workspace

GROWTH_DAYS = 14  # ours: two weeks even out weekends and a late delivery
FULL_SOON_DAYS = 7  # ours: time enough to order a disk, or to pack the archive


def bytes_of(root: Path) -> int:
    """Bytes of all files below a workspace; links are not followed, what vanishes meanwhile counts nothing."""
    space = Workspace(root)
    archive = str(space.archive)
    total, folders = archive_totals.totals(space).size, [str(root)]
    while folders:
        try:
            with os.scandir(folders.pop()) as entries:
                for entry in entries:
                    try:
                        if entry.is_dir(follow_symlinks=False):
                            folders += [entry.path] if entry.path != archive else []
                        elif entry.is_file(follow_symlinks=False):
                            total += entry.stat(follow_symlinks=False).st_size
                    except OSError:
                        continue
        except OSError:
            continue
    return total


def measured(root: Path) -> tuple[int, int, int]:
    """(bytes of the workspace, bytes free on its disk, bytes of that disk)."""
    usage = shutil.disk_usage(root)
    return bytes_of(root), usage.free, usage.total


def facts(root: Path, days: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """What `status` says: `days` are rows of relation disk_day, oldest first, none = not measured yet.

    workspace_bytes (as of the last cycle), free_bytes, total_bytes, growth_bytes_per_day, days_until_full; the last
    two are None until two days are known, days_until_full also where the workspace does not grow.
    """
    usage = shutil.disk_usage(root)
    found: dict[str, Any] = {
        "workspace_bytes": days[-1]["workspace_bytes"] if days else None,
        "free_bytes": usage.free, "total_bytes": usage.total, "growth_bytes_per_day": None, "days_until_full": None,
    }  # fmt: skip
    known = [one for one in days if (days[-1]["day"] - one["day"]).days <= GROWTH_DAYS]
    span = (known[-1]["day"] - known[0]["day"]).days if known else 0
    if span > 0:
        growth = (known[-1]["workspace_bytes"] - known[0]["workspace_bytes"]) / span
        found["growth_bytes_per_day"] = round(growth)
        if growth > 0:
            found["days_until_full"] = int(usage.free / growth)
    return found
