"""One run over a workspace: opening it, and the chain ingest, sum up, judge, exceptions, digest, publish."""

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl

from pipeline import digest as pages
from pipeline import progress
from pipeline.config.settings import Settings
from pipeline.detection import run_detectors
from pipeline.detection.run_detectors import Judged
from pipeline.errors import DamagedHistoryError, NoonmarkError, RefusedError, StoppedError
from pipeline.frames import DEVICES, INSTALLERS
from pipeline.ingest import arrivals, grown
from pipeline.ingest.ingest import Again, Ingest, IngestResult
from pipeline.profiles.model import ExportProfile
from pipeline.register.model import Register
from pipeline.runs.check import check_or_refuse
from pipeline.runs.checked import note_checked, stamp
from pipeline.runs.digest_pages import write_digest
from pipeline.store import Store, decision_log, history, kept, ledger, reader, recovery
from pipeline.workspace.lock import held
from pipeline.workspace.places import Workspace

LOG = logging.getLogger("noonmark")


@dataclass(frozen=True)
class Opened:
    """A workspace that is sound, and this process's alone."""

    workspace: Workspace
    settings: Settings
    register: Register
    profiles: Mapping[str, ExportProfile]
    store: Store
    is_quiet: bool = False  # no progress on stderr
    should_stop: Callable[[], bool] = bool  # asked at safe points

    @contextmanager
    def progress(self, what: str, total: int, unit: str) -> Iterator[progress.Advance]:
        """A function to call at every safe point, with the units done since; raises StoppedError when told to stop."""

        def advance(count: int) -> None:
            tell(count)
            if self.should_stop():
                raise StoppedError("told to stop")

        if self.is_quiet or total == 0:
            tell: progress.Advance = progress.silent
            yield advance
            return
        with progress.shown(what, total, unit) as tell:
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

    Raises InvalidInputError with every fault, WorkspaceBusyError, or NoonmarkError if the history can't be opened.
    """
    before = stamp(workspace)
    checked = check_or_refuse(workspace)
    with held(workspace, wait_s=wait_s):
        note_checked(workspace, before, checked)
        for folder in (workspace.inbox, workspace.archive, workspace.quarantine, workspace.reader, workspace.digests):
            folder.mkdir(exist_ok=True)
        place = database or workspace.database
        if is_fresh:  # only once the lock is held: it may be another run's
            for leftover in (place, place.with_name(place.name + ".wal")):
                leftover.unlink(missing_ok=True)
        with _history(workspace, place, is_fresh=is_fresh) as store:
            kept.prepare(store)
            register = checked.register
            history.write_register(store, register.frame(), register.planes_frame(), *_tables(register))
            run = Opened(workspace, checked.settings, register, checked.profiles, store, is_quiet, should_stop)
            if not is_fresh:
                _catch_up(run)
            yield run
        if not is_fresh:
            recovery.renew(place, workspace.copy)


def _history(workspace: Workspace, place: Path, *, is_fresh: bool) -> Store:
    """The history; its copy if it does not open. Raises NoonmarkError if it lacks what the archive holds."""
    if is_fresh:
        return Store(place)
    highest = arrivals.last_archived(workspace)
    if highest and not place.exists():
        raise NoonmarkError(
            f"the history is missing, though archive/ holds {highest} exports", place.name,
            "put the file back, or run `noonmark ingest --rebuild`, which makes the history again from archive/",
        )  # fmt: skip
    try:
        store = Store(place)
    except DamagedHistoryError as error:
        if not recovery.fall_back(place, workspace.copy, workspace.damaged):
            raise
        LOG.warning(
            "noonmark: %s, %s, its copy %s is in force, what came after is taken in again; the damaged file is now %s",
            error.what, place.name, workspace.copy.name, workspace.damaged.name,
        )  # fmt: skip
        store = Store(place)
    try:
        recovery.check_against_archive(store, highest)
    except NoonmarkError:
        store.close()
        raise
    return store


def _catch_up(run: Opened) -> None:
    """What people decided is in the history and in its log; a history that was a copy takes in what came after it."""
    store, workspace = run.store, run.workspace
    if recovery.is_behind(store):
        last = ledger.last_export_id(store)
        waiting = [(number, arrival) for number, arrival in arrivals.archived(workspace) if number > last]
        again = Again({arrival: number for number, arrival in waiting}, {})
        work = Ingest(store, workspace, run.settings, run.register, run.profiles, again=again)
        with recorded(store, "recovery") as said:
            with run.progress("taking in again", len(waiting), "files") as tell:
                result = work.run([arrival for _, arrival in waiting], tell)
            decision_log.bring_back(store, workspace.decision_log)
            sum_up(run)
            recovery.note_archive(store, arrivals.last_archived(workspace))
            said += ["needs a person", f"the history was damaged; {result.files} files taken in again after its copy"]
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
    run_id = store.start_run(job)
    said: list[str] = []
    try:
        yield said
    except BaseException as error:
        outcome = {RefusedError: "refused", StoppedError: "stopped", KeyboardInterrupt: "stopped"}.get(
            type(error), "failed"
        )
        store.end_run(run_id, outcome, f"{type(error).__name__}: {error}")
        raise
    store.end_run(run_id, said[0] if said else "done", "; ".join(said[1:]))


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
    with run.progress("summing up", history.dirty_days(run.store).height, "site-days") as tell:
        run_detectors.sum_up(run.store, tell)


def take_in(run: Opened, paths: Iterable[Path] = ()) -> IngestResult:
    """Exports become readings and site-days."""
    brought_back = grown.bring_back(run.store, run.workspace)
    waiting = arrivals.let_settle(arrivals.find(run.workspace, paths), run.settings.ingest.settle_s)
    if waiting.arrivals and not run.profiles:
        raise NoonmarkError(
            "there is no profile to read exports with",
            f"{run.workspace.profiles.name}/",
            "put the profiles back, or write one; nothing was moved",
        )
    work = Ingest(run.store, run.workspace, run.settings, run.register, run.profiles)
    with run.progress("taking in", len(waiting.arrivals), "files") as tell:
        result = work.run(waiting.arrivals, tell)
    result.still_written += waiting.still_written
    result.links += waiting.links
    result.skipped += waiting.skipped
    result.notes += [(place, "was written to after it was taken in; back in the inbox") for place in brought_back]
    sum_up(run)
    return result


def detect(run: Opened, days: Sequence[date] | None = None, *, until: date | None = None) -> Judged:
    """Judges the days given, or every day not yet judged (up to `until`, judged even if nothing arrived of it)."""
    refuse_days_not_over(run.store, days if until is None else [until])
    sum_up(run)
    if days is None:
        days = run_detectors.due_days(run.store, datetime.now(UTC), run.settings.detect.judge_after_h)
        history.note_due(run.store, days)
        if until is not None:
            days = with_silent_days(days, history.last_judged_day(run.store), until)
    with run.progress("judging", len(days), "days") as tell:
        result = run_detectors.judge(run.store, days, tell)
    run_detectors.update_exceptions(run.store)
    return result


def refuse_days_not_over(store: Store, days: Sequence[date] | None) -> None:
    """Raises RefusedError if a local day has not ended at every watched site."""
    now = datetime.now(UTC)
    if late := [day for day in days or () if not run_detectors.has_ended(store, day, now)]:
        raise RefusedError("a day can be judged once it has ended at every site", f"{late[0]}", "choose an earlier day")


def with_silent_days(due: Sequence[date], last_judged: date | None, until: date) -> list[date]:
    """The due days up to `until`, and those since the last judged one of which nothing arrived: silence is judged."""
    kept = {day for day in due if day <= until}
    since = last_judged if last_judged is not None else max(kept, default=until - timedelta(days=1))
    span = range(max((until - since).days, 0))
    return sorted(kept | {since + timedelta(days=n + 1) for n in span})


@dataclass(frozen=True)
class CycleResult:
    """What a cycle did."""

    taken_in: IngestResult
    judged: Judged
    facts: pages.DigestFacts | None
    folder: Path | None

    @property
    def needs_person(self) -> bool:
        return self.taken_in.needs_person or self.judged.needs_person


def cycle(run: Opened, *, day: date | None = None) -> CycleResult:
    """Ingest, detect, digest, once. With `day`, days up to it are judged, even if nothing arrived of them.

    Raises RefusedError, before anything is taken in, if `day` has not ended at every watched site.
    """
    refuse_days_not_over(run.store, None if day is None else [day])
    taken_in = take_in(run)
    judged = detect(run, until=day)
    facts, folder = None, None
    if history.last_judged_day(run.store) is not None:
        wanted = day if day is not None and history.is_judged(run.store, day) else None
        facts, folder = write_digest(run, wanted)
    return CycleResult(taken_in, judged, facts, folder)


def days_between(day: date | None, first: date | None, last: date | None) -> list[date] | None:
    """The days that a command names: one, a span, or None. Raises NoonmarkError for a mix, or half a span."""
    if day is not None:
        if first is not None or last is not None:
            raise NoonmarkError("--day goes without --from and --to", "the command line", "give one or the other")
        return [day]
    if first is None and last is None:
        return None
    if first is None or last is None or last < first:
        raise NoonmarkError("a span needs --from and a --to that is not before it", "the command line", "give both")
    return [first + timedelta(days=n) for n in range((last - first).days + 1)]
