"""The history made again from the archive, beside the old one until it is whole."""

from contextlib import suppress
from dataclasses import replace
from datetime import UTC, date, datetime
from typing import NamedTuple

from pipeline.detection import folding
from pipeline.detection.due_days import due_days
from pipeline.errors import DamagedHistoryError, NoonmarkError
from pipeline.ingest import archive
from pipeline.ingest.ingest import Again, Ingest, IngestResult
from pipeline.runs import judging
from pipeline.runs.session import Opened, opened, publish, sum_up
from pipeline.store import Store, decision_log, history, reader, recovery
from pipeline.store.carry_over import Carried, carry_over, carry_over_copy, checkpoint
from pipeline.workspace.files import move_file
from pipeline.workspace.places import Workspace


def rebuild(workspace: Workspace, *, is_quiet: bool = False) -> IngestResult:
    """Takes every archived file in again, in its order; decisions, corrections of clocks and runs are kept.

    If the old history can't be read, they come from its copy and from the log of decisions, and it is set aside.

    The old history stays in force until the new one is whole; a run that is killed leaves it as it was.
    """
    unfinished = workspace.database.with_name("noonmark.rebuilding.duckdb")
    with opened(workspace, is_quiet=is_quiet, database=unfinished, is_fresh=True) as run:
        saved = _keep(run.store, workspace)
        decision_log.bring_back(run.store, workspace.decision_log)
        waiting = archive.archived(workspace)
        again = Again({arrival: number for number, arrival in waiting}, saved.carried.taken_in_at)
        work = Ingest(run.store, workspace, run.settings, run.register, run.profiles, again=again)
        with run.progress("taking in again", len(waiting), "files") as advance:
            for some in archive.at_hand(workspace, [arrival for _, arrival in waiting]):
                work.run(some, advance)
        result = work.result
        sum_up(run)
        _judge_again(run, saved.carried.judged_days)
        reader.forget(run.store)
        history.mark_everything_due(run.store)
        recovery.note_archive(run.store, archive.last_archived(workspace))
        checkpoint(run.store)
        run.store.close()
        if saved.is_damaged:
            recovery.set_aside(workspace.database, workspace.damaged)
        move_file(unfinished, workspace.database)
        # Only now the reader: a run killed before this line leaves analysts the old history, whole.
        with Store(workspace.database) as store:
            publish(replace(run, store=store))
            decision_log.append(store, workspace.decision_log)
        recovery.renew(workspace.database, workspace.copy)
    return result


class Saved(NamedTuple):
    """What was taken over."""

    carried: Carried
    is_damaged: bool = False  # the old history could not be read


def _keep(store: Store, workspace: Workspace) -> Saved:
    """What people did, from the old history; if it can't be read from its copy, or else the log of decisions."""
    old, copy = workspace.database, workspace.copy
    nothing = Carried([], {})
    if not old.exists():
        old.with_name(old.name + ".wal").unlink(missing_ok=True)
        return Saved(carry_over_copy(store, copy) if copy.exists() else nothing)
    try:
        return Saved(carry_over(store, old))
    except DamagedHistoryError as error:
        said = error.what
    if copy.exists():
        with suppress(DamagedHistoryError):
            return Saved(carry_over_copy(store, copy), is_damaged=True)
    if workspace.decision_log.exists():
        return Saved(nothing, is_damaged=True)
    raise NoonmarkError(
        f"the old history cannot be read ({said}); decisions and corrections would be lost",
        old.name,
        "restore it from a backup, or move it away to go on without them",
    )


def _judge_again(run: Opened, judged_days: list[date]) -> None:
    """The days that had been judged, and those before the last of them that are due."""
    if not judged_days:
        return
    due = due_days(run.store, datetime.now(UTC), run.settings.detect.judge_after_h)
    days = sorted({*judged_days, *(day for day in due if day <= judged_days[-1])})
    with run.progress("judging again", len(days), "days") as advance:
        judging.judge(run, days, advance)
    folding.update_exceptions(run.store)
