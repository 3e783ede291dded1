"""The history made again from the archive, beside the old one until it is whole."""

from dataclasses import replace
from datetime import UTC, date, datetime
from typing import NamedTuple

import duckdb

from pipeline.detection import folding, run_detectors
from pipeline.errors import NoonmarkError
from pipeline.ingest import arrivals
from pipeline.ingest.ingest import Again, Ingest, IngestResult
from pipeline.runs.cycle import Opened, opened, publish, sum_up
from pipeline.store import Store, history, reader
from pipeline.workspace.places import Workspace

KEPT = (
    "run",
    "decision",
    "clock_shift",
    "clock_shift_span",
    "export_copy",
    "mended_exception",
)  # what people did is not in the archive


def rebuild(workspace: Workspace, *, is_quiet: bool = False) -> IngestResult:
    """Takes every archived file in again, in its order; decisions, corrections of clocks and runs are kept.

    The old history stays in force until the new one is whole; a run that is killed leaves it as it was.
    """
    unfinished = workspace.database.with_name("noonmark.rebuilding.duckdb")
    with opened(workspace, is_quiet=is_quiet, database=unfinished, is_fresh=True) as run:
        kept = _keep(run.store, workspace)
        waiting = arrivals.archived(workspace)
        again = Again({arrival: number for number, arrival in waiting}, kept.taken_in_at)
        work = Ingest(run.store, workspace, run.settings, run.register, run.profiles, again=again)
        with run.progress("taking in again", len(waiting), "files") as tell:
            result = work.run([arrival for _, arrival in waiting], tell)
        sum_up(run)
        _judge_again(run, kept.judged_days)
        reader.forget(run.store)
        history.mark_everything_due(run.store)
        run.store.con.execute("CHECKPOINT history")
        run.store.close()
        unfinished.replace(workspace.database)
        # Only now the reader: a run killed before this line leaves analysts the old history, whole.
        with Store(workspace.database) as store:
            publish(replace(run, store=store))
    return result


class Kept(NamedTuple):
    """What the archive cannot tell."""

    judged_days: list[date]
    taken_in_at: dict[tuple[str, str], datetime]  # (archived_as, path) -> when


def _keep(store: Store, workspace: Workspace) -> Kept:
    """Copies what people did from the old history, which is left without a log of unwritten changes."""
    old = workspace.database
    if not old.exists():
        old.with_name(old.name + ".wal").unlink(missing_ok=True)
        return Kept([], {})
    try:
        with Store(old) as before:
            before.con.execute("CHECKPOINT history")
        store.con.execute(f"ATTACH '{str(old).replace(chr(39), chr(39) * 2)}' AS old (READ_ONLY)")
    except (NoonmarkError, duckdb.Error) as error:
        raise NoonmarkError(
            f"the old history cannot be read ({str(error).splitlines()[0]}); decisions and corrections would be lost",
            old.name,
            "restore it from a backup, or move it away to go on without them",
        ) from error
    try:
        for table in KEPT:
            store.con.execute(f"INSERT INTO {table} BY NAME SELECT * FROM old.{table}")
        for sequence, table, column in (
            ("run_number", "run", "run_id"),
            ("clock_shift_number", "clock_shift", "shift_id"),
        ):
            highest = store.value(f"SELECT coalesce(max({column}), 0) FROM {table}")
            store.con.execute(f"SELECT nextval('{sequence}') FROM range({int(highest)})").fetchall()
        store.con.execute("INSERT INTO reader_part BY NAME SELECT * FROM old.reader_part")
        days = store.con.execute("SELECT DISTINCT day FROM old.judged ORDER BY day").fetchall()
        times = store.con.execute("SELECT archived_as, path, taken_in_at FROM old.export_file").fetchall()
        return Kept([day for (day,) in days], {(place, path): when for place, path, when in times})
    finally:
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
