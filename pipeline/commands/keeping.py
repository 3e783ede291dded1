"""The commands that keep a workspace safe and small: backup, restore, archive."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.commands.options import DONE, NEEDS_PERSON, Json, workspace_of
from pipeline.counted import counted

if TYPE_CHECKING:
    from pipeline.runs.backup import Copied


def backup(
    context: typer.Context,
    path: Annotated[Path, typer.Argument(metavar="PATH", help="A new folder, outside the workspace.")],
    json: Json = False,
) -> int:
    """Copies the whole workspace to a new folder, while the service runs: history, archive, register, digests.

    A run that is under way is waited for, and the next one waits a moment. The folder is there once the copy is whole.
    reader/ is left out: `noonmark restore` makes it again. Each night by cron:
    `noonmark -w desk backup /backups/$(date +%F)`.
    """
    from pipeline.runs.backup import backup as copy_to

    _copied("copied to", copy_to(workspace_of(context), path), as_json=json)
    return DONE


def restore(
    context: typer.Context,
    path: Annotated[Path, typer.Argument(metavar="PATH", help="A folder that `noonmark backup` made.")],
    json: Json = False,
) -> int:
    """Makes a workspace from a backup; every file is compared with what the backup says of it.

    The workspace must be a new or an empty folder: `noonmark --workspace new-desk restore /backups/2026-05-31`.
    """
    from pipeline.runs.backup import restore as copy_back

    found = copy_back(workspace_of(context, must_exist=False), path)
    _copied("restored to", found, as_json=json)
    return NEEDS_PERSON if found.notice else DONE


def archive(
    context: typer.Context,
    is_packed: Annotated[
        bool, typer.Option("--pack", help="Pack each month that is over into one compressed file.")
    ] = False,
    json: Json = False,
) -> int:
    """What archive/ holds, month by month; with --pack, months that are over become one compressed file each.

    archive/2026-03.tar.zst holds what archive/2026-03/ held; `noonmark ingest --rebuild` reads it, and so does
    `tar --zstd -xf`. Nothing of the archive is ever deleted: a file leaves its folder once its pack was read back.
    """
    from pipeline.commands import tables
    from pipeline.runs import archive as months
    from pipeline.runs import session

    space = workspace_of(context)
    if is_packed:
        with session.opened(space) as run, session.published(run, "archive") as said:
            done = months.pack(run)
            said += ["done", f"{counted(len(done), 'month')} packed"]
        shown = [one._asdict() for one in done]
    else:
        shown = months.months(space)
    if json:
        tables.facts(shown)
    elif shown:
        tables.rows(list(shown[0]), [list(one.values()) for one in shown], "table")
    else:
        print("nothing to pack: no month is over" if is_packed else "archive/ is empty")
    return DONE


def _copied(what: str, done: "Copied", *, as_json: bool) -> None:
    from pipeline.commands import tables

    if as_json:
        tables.facts(done._asdict())
        return
    print(f"{what} {done.place}: {counted(done.files, 'file')}, {done.bytes / 1e6:.1f} MB")
    if done.notice:
        print(f"notice: {done.notice}")
