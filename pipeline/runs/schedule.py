"""The long-running service: takes in every few minutes, judges and writes the digest once a day."""

import logging
import sys
import threading
import traceback
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from apscheduler.executors.pool import BasePoolExecutor
from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger
from filelock import FileLock, Timeout

from pipeline.config.settings import Settings
from pipeline.counted import counted
from pipeline.detection.due_days import has_ended
from pipeline.digest import DigestFacts
from pipeline.errors import NoonmarkError, StoppedError, WorkspaceBusyError
from pipeline.runs import logs
from pipeline.runs.check import check_or_refuse
from pipeline.runs.cycle import cycle, take_in
from pipeline.runs.digest_pages import facts_of
from pipeline.runs.mailing import Patience, mail_digest
from pipeline.runs.mornings import EachMorning, last_morning
from pipeline.runs.service_time import Backoff, Clocks, stop_requested
from pipeline.runs.session import LOCK_WAIT_S, Opened, opened, published
from pipeline.store import digests, history
from pipeline.timezones.zones import tzinfo_of
from pipeline.workspace.heartbeat import BEAT_S, Heartbeat
from pipeline.workspace.places import Workspace

AGAIN_S = 300.0  # ours: a cycle that failed is tried again after so long, then after twice as long each time
CLOCK_SET_S = 60.0  # ours: beyond what a busy machine or a correction of its clock by little steps makes
THREADS = 4  # two jobs, the repetition of one that failed, and a mail that waits for its server
LOG = logging.getLogger("noonmark")


class _Threads(BasePoolExecutor):
    """Lets the scheduler run its jobs on threads that are ours to wait for."""

    def __init__(self, pool: ThreadPoolExecutor) -> None:
        super().__init__(pool)


class _Scheduler(BackgroundScheduler):
    """Ends without a word where it is ended amid a look at its jobs."""

    def remove_job(self, job_id: str, jobstore: str | None = None) -> None:
        """Takes a job from the plan. Raises JobLookupError if it is not there, unless all were taken at the end."""
        try:
            super().remove_job(job_id, jobstore)
        except JobLookupError:
            if self.running:
                raise


class Service:
    """Two jobs on one clock. Nothing is remembered between starts: the run ledger says what was missed."""

    def __init__(self, workspace: Workspace, settings: Settings, stop: threading.Event | None = None) -> None:
        """`stop`: set when the service is to end."""
        self.workspace, self.settings = workspace, settings
        self.stop = stop or threading.Event()
        plan = settings.schedule
        self.heartbeat = Heartbeat(
            workspace, ingest_every_min=plan.ingest_every_min, digest_at=plan.digest_at, timezone=plan.timezone
        )
        self.threads = ThreadPoolExecutor(THREADS)
        self.scheduler = _Scheduler(
            executors={"default": _Threads(self.threads)},
            timezone=tzinfo_of(settings.schedule.timezone),
            # A job that is late is still wanted, once, and never beside itself (the defaults drop it after a second).
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        self.backoffs = {"ingest": Backoff(60 * plan.ingest_every_min), "cycle": Backoff(AGAIN_S)}

    def run(self) -> None:
        """Returns once told to stop, when the job under way has come to a point where it can."""
        self._plan()
        self.heartbeat.beat()
        self._make_up_for_the_morning()
        self.scheduler.start()
        LOG.info(
            "taking in every %g min, digest at %s %s",
            self.settings.schedule.ingest_every_min,
            self.settings.schedule.digest_at,
            self.settings.schedule.timezone,
        )
        before = Clocks.now()
        while not self.stop.wait(BEAT_S):
            before = self._look_at_the_clock(before)
            self.heartbeat.beat(next_runs=self._next_runs())
        LOG.info("stopping: the job under way comes to its next safe point")
        self.end()
        self.heartbeat.stop()
        LOG.info("stopped")

    def end(self) -> None:
        """Begins no job any more, and returns when those under way have ended."""
        # The scheduler itself would wait with its locks held: for ever, where a job that ends plans another one.
        self.scheduler.shutdown(wait=False)
        self.threads.shutdown(wait=True)

    def _plan(self) -> None:
        """Both jobs by the clock as it stands."""
        plan = self.settings.schedule
        every = IntervalTrigger(minutes=plan.ingest_every_min)
        self.scheduler.add_job(self._turn, every, next_run_time=datetime.now(UTC), id="ingest", replace_existing=True)
        self.scheduler.add_job(
            self.morning, EachMorning(plan.digest_at, plan.timezone), id="cycle", replace_existing=True
        )

    def _look_at_the_clock(self, before: Clocks) -> Clocks:
        """Plans anew where this machine's clock was set back: what was planned by it before would come too late.

        Where it was set forward, or the machine slept, what is late by it runs at once.
        """
        now = Clocks.now()
        set_by_s = (now.wall_s - before.wall_s) - (now.steady_s - before.steady_s)
        if abs(set_by_s) > CLOCK_SET_S:
            event = logs.event("clock", set_by_s=round(set_by_s))
            LOG.warning("this machine's clock was set by %+.0f s", set_by_s, extra=event)
        if set_by_s < -CLOCK_SET_S:
            self._plan()
        return now

    def _next_runs(self) -> dict[str, str]:
        """Job -> when it is next run, the sooner of its turn and its repetition after a failure."""
        found: dict[str, datetime] = {}
        for job in self.scheduler.get_jobs():
            name, at = job.id.partition(" ")[0], getattr(job, "next_run_time", None)
            if at is not None:
                found[name] = min(at, found.get(name, at))
        return {name: at.astimezone(UTC).isoformat(timespec="seconds") for name, at in sorted(found.items())}

    def _make_up_for_the_morning(self) -> None:
        """Adds the cycle if no digest was written since one was last wanted, or the mail if that is missing."""
        plan, now = self.settings.schedule, datetime.now(UTC)
        wanted = last_morning(now, plan.digest_at, plan.timezone)
        with opened(self.workspace, wait_s=LOCK_WAIT_S, is_quiet=True) as run:
            if history.last_digest_at(run.store, until=now) < wanted:
                self.scheduler.add_job(self.morning, id="cycle made up for")
                return
            day = digests.made_since(run.store, wanted)
            if self.settings.mail.host and day is not None and digests.is_mail_wanted(run.store, day):
                self._mail_soon(facts_of(run, day))

    def _turn(self) -> None:
        """A turn of the ingest, unless the last one failed a short while ago."""
        if self.backoffs["ingest"].is_over():
            self.take_in()

    def take_in(self) -> None:
        """One turn of the ingest; what fails is logged and recorded, not raised."""
        self._job("ingest", self._take_in)

    def morning(self) -> None:
        """One cycle, and the mail after it; one that fails is logged, recorded and tried again the same day."""
        wait_s = self._job("cycle", self._morning)
        if wait_s > 0:
            at = datetime.now(UTC) + timedelta(seconds=wait_s)
            self.scheduler.add_job(self.morning, "date", run_date=at, id="cycle again", replace_existing=True)
        else:
            with suppress(JobLookupError):
                self.scheduler.remove_job("cycle again")

    def _take_in(self, run: Opened, said: list[str]) -> None:
        result = take_in(run)
        said += [
            "needs a person" if result.needs_person else "done",
            f"{counted(result.files, 'file')}, {counted(result.rows_read, 'row')}",
        ]
        logs.tell_files(result)

    def _morning(self, run: Opened, said: list[str]) -> None:
        result = cycle(run, day=last_ended_day(run))
        logs.tell_files(result.taken_in)
        said += [
            "needs a person" if result.needs_person else "done",
            "" if result.facts is None else result.facts.headline,
        ]
        if self.settings.mail.host and result.facts is not None:
            self._mail_soon(result.facts)

    def _mail_soon(self, facts: DigestFacts) -> None:
        """Mails on a thread of its own, which waits for the workspace and holds it only to keep how it ended."""
        self.scheduler.add_job(self.mail, args=[facts], id="mail", replace_existing=True)

    def mail(self, facts: DigestFacts) -> None:
        """Mails a digest that was not mailed yet; tries again, ever more rarely, while the server is not there."""
        patience = Patience(
            self.settings.mail.retry_for_min * 60, self.stop.wait, self.stop, lambda said: LOG.warning("mail: %s", said)
        )
        self._guarded("mail", lambda: mail_digest(self.workspace, self.settings, facts, patience=patience).said)

    def _job(self, name: str, work: Callable[[Opened, list[str]], None]) -> float:
        """Runs a job under the workspace's lock, and publishes what it did; seconds to wait until it is tried again."""

        def run_it() -> None:
            with opened(self.workspace, wait_s=LOCK_WAIT_S, is_quiet=True, should_stop=self.stop.is_set) as run:
                if self.stop.is_set():
                    raise StoppedError("told to stop")
                with published(run, name) as said:
                    work(run, said)

        is_ended, failure = self._guarded(name, run_it)
        return self.backoffs[name].note(is_good=failure is None) if is_ended else 0.0

    def _guarded(self, name: str, work: Callable[[], str | None]) -> tuple[bool, str | None]:
        """What goes wrong in a job is logged and noted in the heartbeat; the service goes on.

        (Whether the job came to an end; what it failed of, or None).
        """
        failure: str | None = None
        try:
            if (said := work()) is not None:
                LOG.info("%s: %s", name, said, extra=logs.event("job", job=name, outcome="done", detail=said))
        except StoppedError:
            LOG.info("%s: stopped at a safe point; the next start goes on from there", name)
            return False, None
        except WorkspaceBusyError as error:
            failure = str(error)
            LOG.warning("%s: %s", name, error, extra=logs.event("job", job=name, outcome="busy", detail=failure))
        except NoonmarkError as error:
            faults = getattr(error, "faults", [error])
            failure = f"{faults[0]}" + (f" (and {len(faults) - 1} more)" if len(faults) > 1 else "")
            for line in faults:
                LOG.error("%s: %s", name, line, extra=logs.event("fault", job=name, detail=str(line)))
        except Exception as error:
            # A fault of one turn must not end the service: it is in the log, the run ledger and the heartbeat.
            failure = _in_one_line(error)
            LOG.error("%s failed: %s", name, failure, extra=logs.event("fault", job=name, detail=failure))
        self.heartbeat.note(name, failure)
        return True, failure


def _in_one_line(error: Exception) -> str:
    """What went wrong, and where in the program."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if "site-packages" not in Path(frame.filename).parts]
    place = (own or frames)[-1]
    return " ".join(f"{type(error).__name__}: {error} ({Path(place.filename).name} line {place.lineno})".split())


def last_ended_day(run: Opened) -> date:
    """The latest day that has ended at most watched sites, some hours ago."""
    now = datetime.now(UTC) - timedelta(hours=run.settings.detect.judge_after_h)
    day = now.date() + timedelta(days=1)
    while not has_ended(run.store, day, now):
        day -= timedelta(days=1)
    return day


def serve(workspace: Workspace, *, log_format: str = logs.TEXT) -> None:
    """Runs the service until SIGTERM or SIGINT. Raises WorkspaceBusyError if one runs here already."""
    stop = stop_requested()
    settings = check_or_refuse(workspace).settings
    logs.set_up(log_format, sys.stdout, is_verbose=True)
    lock = FileLock(Path(workspace.root) / ".noonmark.schedule.lock")
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise WorkspaceBusyError(
            "a schedule runs in this workspace already", str(workspace.root), "stop it first"
        ) from error
    try:
        Service(workspace, settings, stop).run()
    finally:
        lock.release()
