"""The history made again from the archive, beside the old one until it is whole."""

from datetime import UTC, datetime
from pathlib import Path

import duckdb

from pipeline import arrivals, judge
from pipeline.cycle import Opened, opened, publish, sum_up
from pipeline.errors import NoonmarkError
from pipeline.ingest import Ingest, IngestResult
from pipeline.store import Store, history, reader
from pipeline.workspace import Workspace

KEPT = ("run", "decision", "clock_shift", "clock_shift_span", "export_copy")  # what people did is not in the archive


def rebuild(workspace: Workspace, *, is_quiet: bool = False) -> IngestResult:
    """Takes every archived file in again, in its order; decisions, corrections of clocks and runs are kept.

    The old history stays in force until the new one is whole; a run that is killed leaves it as it was.
    """
    unfinished = workspace.database.with_name("noonmark.rebuilding.duckdb")
    for leftover in (unfinished, unfinished.with_name(unfinished.name + ".wal")):
        leftover.unlink(missing_ok=True)
    with opened(workspace, is_quiet=is_quiet, database=unfinished) as run:
        judged = _keep(run.store, workspace.database)
        waiting = [arrival for _, arrival in arrivals.archived(workspace)]
        again = Ingest(run.store, workspace, run.settings, run.register, run.profiles, is_rebuild=True)
        with run.progress("taking in again", len(waiting), "files") as tell:
            result = again.run(waiting, tell)
        sum_up(run)
        _judge_again(run, judged)
        reader.forget(run.store)
        history.mark_everything_due(run.store)
        publish(run)
        run.store.con.execute("CHECKPOINT history")
        run.store.close()
        unfinished.replace(workspace.database)
        workspace.database.with_name(workspace.database.name + ".wal").unlink(missing_ok=True)
    return result


def _keep(store: Store, old: Path) -> bool:
    """Copies what people did from the old history; True if days had been judged in it."""
    if not old.exists():
        return False
    try:
        store.con.execute(f"ATTACH '{str(old).replace(chr(39), chr(39) * 2)}' AS old (READ_ONLY)")
    except duckdb.Error as error:
        raise NoonmarkError(
            f"the old history cannot be read ({str(error).splitlines()[0]}), so decisions and corrections would be lost",
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
        return bool(store.value("SELECT count(*) FROM old.judged"))
    finally:
        store.con.execute("DETACH old")


def _judge_again(run: Opened, was_judged: bool) -> None:
    if not was_judged:
        return
    days = judge.due_days(run.store, datetime.now(UTC), run.settings.detect.judge_after_h)
    with run.progress("judging again", len(days), "days") as tell:
        judge.judge(run.store, days, tell)
    judge.update_exceptions(run.store)
