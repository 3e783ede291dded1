"""The history made again from the archive, beside the old one until it is whole."""

from contextlib import suppress
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import NamedTuple

import duckdb

from pipeline.detection import folding, run_detectors
from pipeline.errors import DamagedHistoryError, NoonmarkError
from pipeline.ingest import arrivals
from pipeline.ingest.ingest import Again, Ingest, IngestResult
from pipeline.runs.cycle import Opened, opened, publish, sum_up
from pipeline.store import Store, decision_log, history, reader, recovery
from pipeline.store.connection import quoted
from pipeline.workspace.files import move_file
from pipeline.workspace.places import Workspace

KEPT = (
    "run",
    "decision",
    "clock_shift",
    "clock_shift_span",
    "export_copy",
    "archived_file",
    "mended_exception",
    "mail",
    "digest_span",
)  # what people did is not in the archive


def rebuild(workspace: Workspace, *, is_quiet: bool = False) -> IngestResult:
    """Takes every archived file in again, in its order; decisions, corrections of clocks and runs are kept.

    If the old history can't be read, they come from its copy and from the log of decisions, and it is set aside.

    The old history stays in force until the new one is whole; a run that is killed leaves it as it was.
    """
    unfinished = workspace.database.with_name("noonmark.rebuilding.duckdb")
    with opened(workspace, is_quiet=is_quiet, database=unfinished, is_fresh=True) as run:
        kept = _keep(run.store, workspace)
        decision_log.bring_back(run.store, workspace.decision_log)
        waiting = arrivals.archived(workspace)
        again = Again({arrival: number for number, arrival in waiting}, kept.taken_in_at)
        work = Ingest(run.store, workspace, run.settings, run.register, run.profiles, again=again)
        with run.progress("taking in again", len(waiting), "files") as tell:
            result = work.run([arrival for _, arrival in waiting], tell)
        sum_up(run)
        _judge_again(run, kept.judged_days)
        reader.forget(run.store)
        history.mark_everything_due(run.store)
        recovery.note_archive(run.store, arrivals.last_archived(workspace))
        run.store.con.execute("CHECKPOINT history")
        run.store.close()
        if kept.is_damaged:
            recovery.set_aside(workspace.database, workspace.damaged)
        move_file(unfinished, workspace.database)
        # Only now the reader: a run killed before this line leaves analysts the old history, whole.
        with Store(workspace.database) as store:
            publish(replace(run, store=store))
            decision_log.append(store, workspace.decision_log)
        recovery.renew(workspace.database, workspace.copy)
    return result


class Kept(NamedTuple):
    """What the archive cannot tell."""

    judged_days: list[date]
    taken_in_at: dict[tuple[str, str], datetime]  # (archived_as, path) -> when
    is_damaged: bool = False  # the old history could not be read


def _keep(store: Store, workspace: Workspace) -> Kept:
    """Copies what people did from the old history; if it can't be read from its copy, or else the log of decisions."""
    old, copy = workspace.database, workspace.copy
    if not old.exists():
        old.with_name(old.name + ".wal").unlink(missing_ok=True)
        return _copied(store, copy) if copy.exists() else Kept([], {})
    try:
        with Store(old) as before:  # which is left without a log of unwritten changes
            before.con.execute("CHECKPOINT history")
        return _copied(store, old)
    except (NoonmarkError, duckdb.Error) as error:
        said = str(error).splitlines()[0]
        if isinstance(error, NoonmarkError) and not isinstance(error, DamagedHistoryError):
            raise
    if copy.exists():
        with suppress(duckdb.Error):
            return _copied(store, copy)._replace(is_damaged=True)
    if workspace.decision_log.exists():
        return Kept([], {}, is_damaged=True)
    raise NoonmarkError(
        f"the old history cannot be read ({said}); decisions and corrections would be lost",
        old.name,
        "restore it from a backup, or move it away to go on without them",
    )


def _copied(store: Store, old: Path) -> Kept:
    """What people did, from a history that opens; nothing is copied if it can't be read to the end."""
    store.con.execute(f"ATTACH '{quoted(old)}' AS old (READ_ONLY)")
    try:
        with store.transaction():
            for table in KEPT:
                store.con.execute(f"INSERT INTO {table} BY NAME SELECT * FROM old.{table}")
            store.con.execute("INSERT INTO reader_part BY NAME SELECT * FROM old.reader_part")
            days = store.con.execute("SELECT DISTINCT day FROM old.judged ORDER BY day").fetchall()
            times = store.con.execute("SELECT archived_as, path, taken_in_at FROM old.export_file").fetchall()
        for sequence, table, column in (
            ("run_number", "run", "run_id"),
            ("clock_shift_number", "clock_shift", "shift_id"),
        ):
            highest = store.value(f"SELECT coalesce(max({column}), 0) FROM {table}")
            store.con.execute(f"SELECT nextval('{sequence}') FROM range({int(highest)})").fetchall()
        return Kept([day for (day,) in days], {(place, path): when for place, path, when in times})
    finally:
        with suppress(duckdb.Error):  # after an error that ended the connection: the first counts
            store.con.execute("DETACH old")


def _judge_again(run: Opened, judged_days: list[date]) -> None:
    """The days that had been judged, and those before the last of them that are due."""
    if not judged_days:
        return
    due = run_detectors.due_days(run.store, datetime.now(UTC), run.settings.detect.judge_after_h)
    days = sorted({*judged_days, *(day for day in due if day <= judged_days[-1])})
    with run.progress("judging again", len(days), "days") as tell:
        run_detectors.judge(run.store, days, tell)
    folding.update_exceptions(run.store)
