"""The archive month by month: what it holds, and its older months packed."""

from datetime import UTC, datetime, timedelta
from typing import Any

from pipeline.ingest import grown, packs
from pipeline.runs.session import Opened
from pipeline.store import archived
from pipeline.workspace.places import Workspace

LEFT_ALONE = timedelta(hours=2 * archived.WATCHED_H)  # files this young may still be written to by their sender


def months(workspace: Workspace) -> list[dict[str, Any]]:
    """Each month of the archive: month, files and bytes that lie in its folder, files and bytes of its pack."""
    packed: dict[str, int] = {}
    for pack in packs.names(workspace.archive).values():
        packed[pack.name.removesuffix(packs.ENDING)] = packed.get(pack.name.removesuffix(packs.ENDING), 0) + 1
    found = []
    for month in sorted({*packs.months(workspace.archive), *packed}):
        lying = packs.loose(workspace.archive, month)
        pack = workspace.archive / f"{month}{packs.ENDING}"
        found.append({
            "month": month, "files": len(lying), "bytes": sum(path.stat().st_size for path in lying.values()),
            "packed_files": packed.get(month, 0), "packed_bytes": pack.stat().st_size if month in packed else 0,
        })  # fmt: skip
    return found


def pack(run: Opened, now: datetime | None = None) -> list[packs.Packed]:
    """Packs every month that is over and to whose files nobody writes any more. Raises StorageError."""
    archive = run.workspace.archive
    grown.bring_back(run.store, run.workspace)  # what was written to since is no part of the archive
    before = f"{(now or datetime.now(UTC)) - LEFT_ALONE:%Y-%m}"
    watched = {one.archived_as.partition("/")[0] for one in archived.archived_files(run.store)}
    wanted = [month for month in packs.months(archive) if month < before and month not in watched]
    done = []
    with run.progress("packing", len(wanted), "months") as advance:
        for month in wanted:
            if (one := packs.pack_month(archive, month)) is not None:
                done.append(one)
            advance(1)
    return done
