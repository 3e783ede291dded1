"""A workspace opened for a run: checked, locked, its history whole; what a run did is recorded and published."""

import logging
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline import progress
from pipeline.config.settings import Settings
from pipeline.counted import counted
from pipeline.detection import resolver, workers
from pipeline.detection import sum_up as summing
from pipeline.errors import DamagedHistoryError, NoonmarkError, RefusedError, StoppedError, StorageError
from pipeline.frames import DEVICES, INSTALLERS
from pipeline.ingest import archive
from pipeline.ingest.ingest import Again, Ingest
from pipeline.profiles.model import ExportProfile
from pipeline.register.model import Register
from pipeline.runs import logs
from pipeline.runs.check import check_or_refuse
from pipeline.runs.checked import note_checked, stamp
from pipeline.store import Store, decision_log, history, ledger, older, reader, recovery
from pipeline.store import register as register_copy
from pipeline.workspace.lock import locked
from pipeline.workspace.places import Workspace

LOG = logging.getLogger("noonmark")
LOCK_WAIT_S = 300.0  # ours: a run of a night or a command ends within minutes


@dataclass(frozen=True)
class Opened:
    """A workspace without a fault, and this process's alone."""

    workspace: Workspace
    settings: Settings
    register: Register
    profiles: Mapping[str, ExportProfile]
    store: Store
    is_quiet: bool = False  # no progress on stderr
    should_stop: Callable[[], bool] = bool  # asked at safe points
    was_recovered: bool = False  # the history did not open, and came back from its copy

    @contextmanager
    def progress(self, what: str, total: int, unit: str) -> Iterator[progress.Advance]:
        """A function to call at every safe point, with the units done since; raises StoppedError when told to stop."""

        def advance(count: int) -> None:
            show(count)
            if self.should_stop():
                raise StoppedError("told to stop")

        if self.is_quiet or total == 0:
            show: progress.Advance = progress.silent
            yield advance
            return
        with progress.shown(what, total, unit) as show:
            yield advance


@contextmanager
def opened(
    workspace: Workspace,
    *,
    wait_s: float = 0.0,
    is_quiet: bool = False,
    database: Path | None = None,
    is_fresh: bool = False,
    should_stop: Callable[[], bool] = bool,
) -> Iterator[Opened]:
    """The workspace, checked and locked, with the register's copy in the history brought up to date.

    Raises, with nothing changed, InvalidInputError with every fault, WorkspaceBusyError, or RefusedError if the history
    can't be opened.
    """
    before = stamp(workspace)
    checked = check_or_refuse(workspace)
    with locked(workspace, wait_s=wait_s):
        note_checked(workspace, before, checked)
        for folder in (workspace.inbox, workspace.archive, workspace.quarantine, workspace.reader, workspace.digests):
            folder.mkdir(exist_ok=True)
        place = database or workspace.database
        if is_fresh:  # only once the lock is held: it may be another run's
            for leftover in (place, place.with_name(place.name + ".wal")):
                leftover.unlink(missing_ok=True)
        with recovery.damage_reported(place), _history(workspace, place, is_fresh=is_fresh) as store:
            resolver.prepare(store)
            register = checked.register
            register_copy.write_register(store, register.frame(), register.planes_frame(), *_tables(register))
            quiet = is_quiet or logs.is_json()  # progress is for people
            is_recovered = not is_fresh and recovery.is_behind(store)
            run = Opened(
                workspace, checked.settings, register, checked.profiles, store, quiet, should_stop, is_recovered
            )
            if not is_fresh:
                _catch_up(run)
            yield run
            in_force = set() if is_fresh else older.files(store)
        if not is_fresh and recovery.renew(place, workspace.copy):
            older.sweep(workspace.older_readings, in_force)


def _history(workspace: Workspace, place: Path, *, is_fresh: bool) -> Store:
    """The history; its copy if it does not open.

    Raises RefusedError, with nothing changed, if neither does or if it lacks what the archive holds.
    """
    if is_fresh:
        return Store(place)
    highest = archive.last_archived(workspace)
    if highest and not place.exists():
        raise RefusedError(
            f"the history is missing, though archive/ holds {counted(highest, 'export')}", place.name,
            "put the file back, or run `noonmark ingest --rebuild`, which makes the history again from archive/",
        )  # fmt: skip
    is_copy = False
    try:
        store = recovery.looked_into(place)
    except DamagedHistoryError as error:
        if not recovery.fall_back(place, workspace.copy, workspace.damaged):
            raise _refused(error) from error
        is_copy = True
        LOG.warning(
            "noonmark: %s, %s, its copy %s is in force, what came after is taken in again; the damaged file is now %s",
            error.what, place.name, workspace.copy.name, workspace.damaged.name,
        )  # fmt: skip
        store = Store(place)
    try:
        older.check(store)
        recovery.check_against_archive(store, highest)
    except NoonmarkError as error:
        store.close()
        if is_copy or not isinstance(error, StorageError):
            raise
        raise _refused(error) from error
    return store


def _refused(error: StorageError) -> RefusedError:
    """The same error, of a command that has changed nothing yet."""
    return RefusedError(error.what, error.where, error.remedy)


def _catch_up(run: Opened) -> None:
    """What people decided is in the history and in its log; a history that was a copy takes in what came after it."""
    store, workspace = run.store, run.workspace
    if recovery.is_behind(store):
        last = ledger.last_export_id(store)
        waiting = [(number, arrival) for number, arrival in archive.archived(workspace) if number > last]
        again = Again({arrival: number for number, arrival in waiting}, {})
        work = Ingest(store, workspace, run.settings, run.register, run.profiles, again=again)
        with recorded(store, "recovery") as said:
            with run.progress("taking in again", len(waiting), "files") as advance:
                for some in archive.at_hand(workspace, [arrival for _, arrival in waiting]):
                    work.run(some, advance)
            result = work.result
            decision_log.bring_back(store, workspace.decision_log)
            sum_up(run)
            recovery.note_archive(store, archive.last_archived(workspace))
            said += ["needs a person", f"the history was damaged; {counted(result.files, 'file')} taken in again"]
        history.mark_everything_due(store)
    decision_log.bring_back(store, workspace.decision_log)
    decision_log.append(store, workspace.decision_log)


def _tables(register: Register) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Devices and installers as frames."""
    devices = [one.model_dump() for one in register.devices]
    installers = [one.model_dump() for one in register.installers.values()]
    return pl.DataFrame(devices, schema=DEVICES, orient="row"), pl.DataFrame(
        installers, schema=INSTALLERS, orient="row"
    )


@contextmanager
def recorded(store: Store, job: str) -> Iterator[list[str]]:
    """A row of the run ledger; what is appended to the list is its outcome (the first) and its detail.

    Of a run that ends in an error the outcome is `failed`; `refused` where nothing could be changed as things stood,
    and `stopped` where the service was told to end.
    """
    run_id, started = store.start_run(job), time.monotonic()
    said: list[str] = []
    try:
        yield said
    except BaseException as error:
        outcome = {RefusedError: "refused", StoppedError: "stopped", KeyboardInterrupt: "stopped"}.get(
            type(error), "failed"
        )
        store.end_run(run_id, outcome, f"{type(error).__name__}: {error}")
        raise
    outcome, detail = said[0] if said else "done", "; ".join(part for part in said[1:] if part)
    store.end_run(run_id, outcome, detail)
    logs.tell_job(job, outcome, detail, started)


@contextmanager
def published(run: Opened, job: str) -> Iterator[list[str]]:
    """A recorded run whose results are published when it ends, also where it fails: analysts and `status` see both."""
    try:
        with recorded(run.store, job) as said:
            yield said
    except Exception as error:
        try:
            publish(run)
        except Exception as later:  # the first error is what counts
            error.add_note(f"nor could the history be published: {later}")
        raise
    publish(run)


def publish(run: Opened) -> None:
    """What analysts open shows the history as it stands."""
    reader.publish(run.store, run.workspace.reader, keep_h=run.settings.reader.keep_h)


def sum_up(run: Opened) -> None:
    """Brings the site-days up to the readings."""
    count = history.dirty_days(run.store).height
    with run.progress("summing up", count, "site-days") as advance, workers.pool(run.settings.compute) as pool:
        summing.sum_up(run.store, advance, pool)
