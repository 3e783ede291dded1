"""The long-running service: takes in every few minutes, judges and writes the digest once a day."""

import logging
import signal
import sys
import threading
import traceback
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger
from filelock import FileLock, Timeout

from pipeline.config.settings import Settings
from pipeline.detection.due_days import has_ended
from pipeline.digest import DigestFacts
from pipeline.errors import NoonmarkError, StoppedError, WorkspaceBusyError, alike
from pipeline.ingest.ingest import IngestResult
from pipeline.runs.check import check_or_refuse
from pipeline.runs.cycle import cycle, take_in
from pipeline.runs.digest_pages import facts_of
from pipeline.runs.mailing import Patience, mail_digest
from pipeline.runs.session import Opened, opened, published
from pipeline.store import digests, history
from pipeline.timezones.zones import tzinfo_of
from pipeline.workspace.heartbeat import BEAT_S, Heartbeat
from pipeline.workspace.places import Workspace

LOCK_WAIT_S = 300.0  # ours: a command typed by a person ends within minutes; after that the next turn will do
LOG = logging.getLogger("noonmark")


class Service:
    """Two jobs on one clock. Nothing is remembered between starts: the run ledger says what was missed."""

    def __init__(self, workspace: Workspace, settings: Settings) -> None:
        self.workspace, self.settings = workspace, settings
        self.stop = threading.Event()
        plan = settings.schedule
        self.heartbeat = Heartbeat(
            workspace, ingest_every_min=plan.ingest_every_min, digest_at=plan.digest_at, timezone=plan.timezone
        )
        self.scheduler = BackgroundScheduler(
            timezone=tzinfo_of(settings.schedule.timezone),
            # A job that is late is still wanted, once, and never beside itself (the defaults drop it after a second).
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )

    def run(self) -> None:
        """Returns after SIGTERM or SIGINT, when the job under way has come to a point where it can stop."""
        hour, minute = self.settings.schedule.digest_at.split(":")
        every = IntervalTrigger(minutes=self.settings.schedule.ingest_every_min)
        self.scheduler.add_job(self.take_in, every, next_run_time=datetime.now(UTC), id="ingest")
        self.scheduler.add_job(
            self.morning, CronTrigger(hour=int(hour), minute=int(minute), timezone=self.scheduler.timezone), id="cycle"
        )
        self.heartbeat.beat()
        self._make_up_for_the_morning()
        for name in (signal.SIGTERM, signal.SIGINT):
            signal.signal(name, lambda *_: self.stop.set())
        self.scheduler.start()
        LOG.info(
            "taking in every %g min, digest at %s %s",
            self.settings.schedule.ingest_every_min,
            self.settings.schedule.digest_at,
            self.settings.schedule.timezone,
        )
        while not self.stop.wait(BEAT_S):
            self.heartbeat.beat()
        LOG.info("stopping: the job under way comes to its next safe point")
        self.scheduler.shutdown(wait=True)
        self.heartbeat.stop()
        LOG.info("stopped")

    def _make_up_for_the_morning(self) -> None:
        """Adds the cycle if no digest was written since one was last wanted, or the mail if that is missing."""
        zone = tzinfo_of(self.settings.schedule.timezone)
        hour, minute = map(int, self.settings.schedule.digest_at.split(":"))
        now = datetime.now(zone)
        wanted = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
        if wanted > now:
            wanted -= timedelta(days=1)
        with opened(self.workspace, wait_s=LOCK_WAIT_S, is_quiet=True) as run:
            if history.last_digest_at(run.store) < wanted.astimezone(UTC):
                self.scheduler.add_job(self.morning, id="cycle made up for")
                return
            day = digests.made_since(run.store, wanted.astimezone(UTC))
            if self.settings.mail.host and day is not None and digests.mailed(run.store, day) is None:
                self._mail_soon(facts_of(run, day))

    def take_in(self) -> None:
        """One turn of the ingest; what fails is logged and recorded, not raised."""
        self._job("ingest", self._take_in)

    def morning(self) -> None:
        """One cycle, and the mail after it; what fails is logged and recorded, not raised."""
        self._job("cycle", self._morning)

    def _take_in(self, run: Opened, said: list[str]) -> None:
        result = take_in(run)
        said += ["needs a person" if result.needs_person else "done", f"{result.files} files, {result.rows_read} rows"]
        _tell(result)

    def _morning(self, run: Opened, said: list[str]) -> None:
        result = cycle(run, day=last_ended_day(run))
        _tell(result.taken_in)
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

    def _job(self, name: str, work: Callable[[Opened, list[str]], None]) -> None:
        """Runs a job under the workspace's lock, and publishes what it did."""

        def run_it() -> str:
            with opened(self.workspace, wait_s=LOCK_WAIT_S, is_quiet=True, should_stop=self.stop.is_set) as run:
                if self.stop.is_set():
                    raise StoppedError("told to stop")
                with published(run, name) as said:
                    work(run, said)
            return "; ".join(part for part in said if part)

        self._guarded(name, run_it)

    def _guarded(self, name: str, work: Callable[[], str]) -> None:
        """What goes wrong in a job is logged and noted in the heartbeat; the service goes on."""
        failure: str | None = None
        try:
            LOG.info("%s: %s", name, work())
        except StoppedError:
            LOG.info("%s: stopped at a safe point; the next start goes on from there", name)
            return
        except WorkspaceBusyError as error:
            failure = str(error)
            LOG.warning("%s: %s", name, error)
        except NoonmarkError as error:
            faults = getattr(error, "faults", [error])
            failure = f"{faults[0]}" + (f" (and {len(faults) - 1} more)" if len(faults) > 1 else "")
            for line in faults:
                LOG.error("%s: %s", name, line)
        except Exception as error:
            # A fault of one turn must not end the service: it is in the log, the run ledger and the heartbeat.
            failure = _in_one_line(error)
            LOG.error("%s failed: %s; the next turn tries again", name, failure)
        self.heartbeat.note(name, failure)


def _tell(result: IngestResult) -> None:
    """Logs what a person must see to, equal reasons in one line."""
    for what, found in (("quarantined", result.quarantined), ("skipped", result.skipped)):
        for files, reason, _ in alike(found):
            LOG.warning("%s %s: %s", what, files, reason)


def _in_one_line(error: Exception) -> str:
    """What went wrong, and where in the program."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [frame for frame in frames if "site-packages" not in Path(frame.filename).parts]
    place = (own or frames)[-1]
    return " ".join(f"{type(error).__name__}: {error} ({Path(place.filename).name} line {place.lineno})".split())


def last_ended_day(run: Opened) -> date:
    """The latest day that has ended at every watched site, some hours ago."""
    now = datetime.now(UTC) - timedelta(hours=run.settings.detect.judge_after_h)
    day = now.date() + timedelta(days=1)
    while not has_ended(run.store, day, now):
        day -= timedelta(days=1)
    return day


def serve(workspace: Workspace) -> None:
    """Runs the service until it is told to stop. Raises WorkspaceBusyError if one runs here already."""
    settings = check_or_refuse(workspace).settings
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(message)s", stream=sys.stdout, force=True)
    logging.getLogger("apscheduler").setLevel(logging.WARNING)
    lock = FileLock(Path(workspace.root) / ".noonmark.schedule.lock")
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise WorkspaceBusyError(
            "a schedule runs in this workspace already", str(workspace.root), "stop it first"
        ) from error
    try:
        Service(workspace, settings).run()
    finally:
        lock.release()
