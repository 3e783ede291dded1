"""The service: takes in by itself, makes up for a missed morning, is alone, and ends in order on SIGTERM."""

import errno
import json
import logging
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from apscheduler.jobstores.base import JobLookupError

from pipeline.commands import start
from pipeline.commands.cli import main
from pipeline.config.settings import Settings
from pipeline.errors import QueryError
from pipeline.ingest import arrivals
from pipeline.runs import schedule
from pipeline.runs.schedule import Service
from pipeline.runs.service_time import stop_requested
from pipeline.runs.status import status
from pipeline.store import reader
from pipeline.workspace.heartbeat import read_heartbeat
from pipeline.workspace.places import Workspace
from tests.support import desk
from tests.support.places import ROOT

pytestmark = pytest.mark.usefixtures("few_detectors")

PATIENCE_S = 600  # a deadline, not a wait: everything below goes on as soon as it can
# The service judges every day from the first reading to yesterday: few of them, whatever the date.
DAYS = [datetime.now(UTC).date() - timedelta(days=n) for n in (3, 2)]


def command(space: Workspace, *arguments: str) -> list[str]:
    return [sys.executable, "-m", "pipeline.commands.cli", "-w", str(space.root), *arguments]


@contextmanager
def service(space: Workspace) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        command(space, "schedule"), cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def rows(space: Workspace, sql: str) -> list[dict[str, object]]:
    try:
        return reader.ask(space.reader, sql).to_dicts()
    except QueryError:
        return []


def wait_for(what: str, space: Workspace, sql: str) -> list[dict[str, object]]:
    """The rows once there are any; asked for again whenever something was published."""
    until, asked_of, database = time.monotonic() + PATIENCE_S, 0, space.reader / reader.DATABASE
    while True:
        published = database.stat().st_mtime_ns if database.exists() else 0
        if published != asked_of:
            with suppress(QueryError):
                if found := reader.ask(space.reader, sql).to_dicts():
                    return found
                asked_of = published
        assert time.monotonic() < until, f"{what} did not come"
        time.sleep(0.2)


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    made = desk.make(tmp_path / "desk", days=DAYS)
    six_hours_ago = datetime.now(UTC) - timedelta(hours=6)  # no morning comes while the test runs
    made.settings_file.write_text(
        "[ingest]\nsettle_s = 0\n[schedule]\ningest_every_min = 0.02\n"
        f'digest_at = "{six_hours_ago:%H:%M}"\ntimezone = "UTC"\n',
        encoding="utf-8",
    )
    return made


@pytest.fixture(autouse=True)
def _handlers() -> Iterator[None]:
    """Puts back what handles signals."""
    before, hook = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}, sys.unraisablehook
    yield
    sys.unraisablehook = hook
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.fixture
def refused(space: Workspace, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    """Exit status and errors of a start that must be refused: a service that begins all the same ends at once."""

    def start() -> tuple[int, str]:
        monkeypatch.setattr(Service, "run", lambda _: None)
        monkeypatch.setattr(logging, "basicConfig", lambda **_: None)
        status = main(["-w", str(space.root), "schedule"])
        return status, capsys.readouterr().err

    return start


@pytest.mark.slow
def test_the_service_takes_in_judges_and_ends_in_order(space: Workspace, refused) -> None:
    with service(space) as process:
        wait_for("the missed morning", space, "FROM run WHERE job = 'cycle' AND outcome <> 'running'")
        assert wait_for("a judged day", space, f"FROM judged WHERE day = '{DAYS[-1]}'")
        desk.write(space.inbox, "R-1", DAYS[0], desk.lines(DAYS[0], feeds_in=False))  # a correction
        wait_for("the correction", space, "FROM export_file WHERE rows_replaced > 0")
        status_of_second, said = refused()
        assert status_of_second == 3
        assert said.startswith("noonmark: a schedule runs in this workspace already")
        process.send_signal(signal.SIGTERM)
        out, _ = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0
    assert out.rstrip().endswith("stopped")
    assert "Traceback" not in out
    assert not rows(space, "FROM run WHERE outcome IN ('running', 'killed')")
    beat = read_heartbeat(space)
    assert beat is not None
    assert beat["stopped_at"]
    assert {"ingest", "cycle"} <= beat["jobs"].keys()
    assert status(space)["problems"] == []


@pytest.mark.slow
def test_jobs_that_fail_before_they_are_recorded_are_told(space: Workspace) -> None:
    assert main(["-w", str(space.root), "cycle"]) == 0
    with service(space) as process:
        wait_for("the first turn", space, "FROM run WHERE job = 'ingest'")
        space.sites_file.write_text(desk.SITES.replace("Europe/Vienna,10,,", "Europe/Vienna,ten,,"), encoding="utf-8")
        until = time.monotonic() + PATIENCE_S
        while not any("the last ingest failed" in line for line in status(space)["problems"]):
            assert time.monotonic() < until, "the failing ingest was not told"
            time.sleep(0.2)
        process.kill()
    assert main(["-w", str(space.root), "status"]) == 1


@pytest.mark.slow
def test_a_morning_that_was_not_missed_is_not_made_up_for(space: Workspace, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["-w", str(space.root), "cycle", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["digest"]
    with service(space) as process:
        # The service takes turns: after four of them, a morning to make up for would have had its own.
        wait_for("the fourth turn", space, "SELECT 1 FROM run WHERE job = 'ingest' HAVING count(*) >= 4")
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=PATIENCE_S)
    assert [row["n"] for row in rows(space, "SELECT count(*) AS n FROM run WHERE job = 'cycle'")] == [1]


def test_files_that_are_not_taken_in_are_logged_equal_ones_in_one_line(
    space: Workspace, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    for path in space.inbox.iterdir():
        path.unlink()
    for number in range(5):
        (space.inbox / f"strange_{number}.bin").write_text(f"{number}", encoding="utf-8")
    (space.inbox / "locked").mkdir()
    known = os.scandir

    def refusing(path: Path) -> Iterator[os.DirEntry[str]]:
        if Path(path).name == "locked":
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        return known(path)

    monkeypatch.setattr(arrivals.os, "scandir", refusing)
    Service(space, Settings()).take_in()
    said = [record.getMessage() for record in caplog.records if record.levelno >= logging.WARNING]
    assert len(said) == 2
    assert "quarantined strange_0.bin and 4 more files: no profile matches its name" in said[0]
    assert "skipped" in said[1]
    assert "locked: the folder can't be read (Permission denied)" in said[1]


def test_an_unforeseen_error_is_one_line_and_the_next_turn_goes_on(
    space: Workspace, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    service = Service(space, Settings())
    with monkeypatch.context() as broken:
        broken.setattr(schedule, "take_in", lambda _: 1 // 0)
        service.take_in()
    (told,) = [record for record in caplog.records if record.levelno >= logging.ERROR]
    assert told.exc_info is None
    assert "\n" not in told.getMessage()
    assert "ZeroDivisionError" in told.getMessage()
    assert "test_schedule.py line" in told.getMessage()
    assert "the last ingest failed" in status(space)["problems"][0]
    service.take_in()
    assert status(space)["problems"] == []


def test_a_job_that_plans_another_one_while_the_service_ends_does_not_hold_it_up(tmp_path: Path) -> None:
    tmp_path.joinpath("sites.csv").touch()
    service, is_under_way = Service(Workspace(tmp_path), Settings()), threading.Event()
    planned: list[str] = []

    def job() -> None:
        is_under_way.set()
        while service.scheduler.running:
            time.sleep(0.001)
        service.scheduler.add_job(print, id="another")  # as a morning does with its mail
        planned.append("another")

    service.scheduler.add_job(job)
    service.scheduler.start()
    is_under_way.wait(PATIENCE_S)
    ending = threading.Thread(target=service.end, daemon=True)
    ending.start()
    ending.join(20)
    assert not ending.is_alive()
    assert planned == ["another"]


def test_a_service_that_ends_amid_a_look_at_its_jobs_says_nothing(tmp_path: Path) -> None:
    tmp_path.joinpath("sites.csv").touch()
    service = Service(Workspace(tmp_path), Settings())
    service.scheduler.start()
    with pytest.raises(JobLookupError):
        service.scheduler.remove_job("none of that name")
    service.end()
    service.scheduler.remove_job("none of that name")  # as its own thread does with a job that ran once


def test_an_interrupt_that_was_lost_while_the_service_started_ends_it() -> None:
    interrupt = start._Interrupt()
    interrupt.is_loaded = True
    signal.signal(signal.SIGINT, interrupt)
    assert not stop_requested().is_set()
    signal.signal(signal.SIGINT, interrupt)
    with suppress(KeyboardInterrupt):  # as a destructor does
        signal.raise_signal(signal.SIGINT)
    assert stop_requested().is_set()


def test_a_fault_in_the_register_refuses_the_start(space: Workspace, refused) -> None:
    space.sites_file.write_text(desk.SITES.replace("Europe/Vienna,10,,", "Europe/Vienna,ten,,"), encoding="utf-8")
    status_of_start, said = refused()
    assert status_of_start == 2
    assert "sites.csv line 2 column installed_kwp" in said
