"""The long-running service: takes in every few minutes, judges and writes the digest once a day."""

import logging
import signal
import sys
import threading
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from apscheduler.triggers.interval import IntervalTrigger
from filelock import FileLock, Timeout

from pipeline.config.settings import Settings
from pipeline.detection import run_detectors
from pipeline.errors import NoonmarkError, StoppedError, WorkspaceBusyError
from pipeline.runs.check import check_or_refuse
from pipeline.runs.cycle import Opened, cycle, opened, publish, recorded, take_in
from pipeline.store import history
from pipeline.workspace.places import Workspace

LOCK_WAIT_S = 300.0  # ours: a command typed by a person ends within minutes; after that the next turn will do
LOG = logging.getLogger("noonmark")


class Service:
    """Two jobs on one clock. Nothing is remembered between starts: the run ledger says what was missed."""

    def __init__(self, workspace: Workspace, settings: Settings) -> None:
        self.workspace, self.settings = workspace, settings
        self.stop = threading.Event()
        self.scheduler = BackgroundScheduler(
            timezone=ZoneInfo(settings.schedule.timezone),
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
        if self.has_missed_a_morning():
            self.scheduler.add_job(self.morning, id="cycle made up for")
        for name in (signal.SIGTERM, signal.SIGINT):
            signal.signal(name, lambda *_: self.stop.set())
        self.scheduler.start()
        LOG.info(
            "taking in every %g min, digest at %s %s",
            self.settings.schedule.ingest_every_min,
            self.settings.schedule.digest_at,
            self.settings.schedule.timezone,
        )
        self.stop.wait()
        LOG.info("stopping: the job under way comes to its next safe point")
        self.scheduler.shutdown(wait=True)
        LOG.info("stopped")

    def has_missed_a_morning(self) -> bool:
        """Whether no digest was written since the last time one was wanted."""
        zone = ZoneInfo(self.settings.schedule.timezone)
        hour, minute = map(int, self.settings.schedule.digest_at.split(":"))
        now = datetime.now(zone)
        wanted = now.replace(hour=hour, minute=minute, second=0, microsecond=0)
        if wanted > now:
            wanted -= timedelta(days=1)
        with opened(self.workspace, wait_s=LOCK_WAIT_S, is_quiet=True) as run:
            return history.last_digest_at(run.store) < wanted.astimezone(UTC)

    def take_in(self) -> None:
        self._job("ingest", self._take_in)

    def morning(self) -> None:
        self._job("cycle", self._morning)

    def _take_in(self, run: Opened, said: list[str]) -> None:
        result = take_in(run)
        said += ["needs a person" if result.needs_person else "done", f"{result.files} files, {result.rows_read} rows"]
        for file, reason in result.quarantined:
            LOG.warning("quarantined %s: %s", file, reason)

    def _morning(self, run: Opened, said: list[str]) -> None:
        result = cycle(run, day=last_ended_day(run), is_mailed=bool(self.settings.mail.host))
        said += [
            "needs a person" if result.needs_person else "done",
            "" if result.facts is None else result.facts.headline,
        ]

    def _job(self, name: str, work: Callable[[Opened, list[str]], None]) -> None:
        """Runs a job under the workspace's lock; what goes wrong is logged and recorded, the service goes on."""
        try:
            with opened(self.workspace, wait_s=LOCK_WAIT_S, is_quiet=True, should_stop=self.stop.is_set) as run:
                if self.stop.is_set():
                    return
                try:
                    with recorded(run.store, name) as said:
                        work(run, said)
                finally:
                    publish(run)
            LOG.info("%s: %s", name, "; ".join(part for part in said if part))
        except StoppedError:
            LOG.info("%s: stopped at a safe point; the next start goes on from there", name)
        except WorkspaceBusyError as error:
            LOG.warning("%s: %s", name, error)
        except NoonmarkError as error:
            for line in getattr(error, "faults", [error]):
                LOG.error("%s: %s", name, line)
        except Exception:
            # A fault of one turn must not end the service: it is in the log whole, and in the run ledger.
            LOG.exception("%s failed; the next turn tries again", name)


def last_ended_day(run: Opened) -> date:
    """The latest day that has ended at every watched site, some hours ago."""
    now = datetime.now(UTC) - timedelta(hours=run.settings.detect.judge_after_h)
    day = now.date() + timedelta(days=1)
    while not run_detectors.has_ended(run.store, day, now):
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
