"""The service: takes in by itself, makes up for a missed morning, is alone, and ends in order on SIGTERM."""

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from pipeline.commands.cli import main
from pipeline.errors import QueryError
from pipeline.runs.status import status
from pipeline.store import reader
from pipeline.workspace.heartbeat import read_heartbeat
from pipeline.workspace.places import Workspace
from tests.support import desk
from tests.support.places import ROOT

PATIENCE_S = 60


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
    until = time.monotonic() + PATIENCE_S
    while not (found := rows(space, sql)):
        assert time.monotonic() < until, f"{what} did not come"
        time.sleep(0.2)
    return found


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    made = desk.make(tmp_path / "desk")
    made.settings_file.write_text(
        '[ingest]\nsettle_s = 0\n[schedule]\ningest_every_min = 0.02\ndigest_at = "00:00"\ntimezone = "UTC"\n',
        encoding="utf-8",
    )
    return made


def test_the_service_takes_in_judges_and_ends_in_order(space: Workspace) -> None:
    with service(space) as process:
        wait_for("the missed morning", space, "FROM run WHERE job = 'cycle' AND outcome <> 'running'")
        assert wait_for("a judged day", space, "FROM judged WHERE day = '2026-05-06'")
        desk.write(space.inbox, "R-1", desk.DAYS[0], desk.lines(desk.DAYS[0], feeds_in=False))  # a correction
        wait_for("the correction", space, "FROM export_file WHERE rows_replaced > 0")
        busy = subprocess.run(
            command(space, "schedule"), cwd=ROOT, capture_output=True, text=True, check=False, timeout=PATIENCE_S
        )
        assert busy.returncode == 3
        assert busy.stderr.startswith("noonmark: a schedule runs in this workspace already")
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


def test_a_morning_that_was_not_missed_is_not_made_up_for(space: Workspace) -> None:
    done = subprocess.run(command(space, "cycle", "--json"), cwd=ROOT, capture_output=True, text=True, check=False)
    assert json.loads(done.stdout)["digest"]
    with service(space) as process:
        # The service takes turns: after four of them, a morning to make up for would have had its own.
        wait_for("the fourth turn", space, "SELECT 1 FROM run WHERE job = 'ingest' HAVING count(*) >= 4")
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=PATIENCE_S)
    assert [row["n"] for row in rows(space, "SELECT count(*) AS n FROM run WHERE job = 'cycle'")] == [1]


def test_a_fault_in_the_register_refuses_the_start(space: Workspace) -> None:
    space.sites_file.write_text(desk.SITES.replace("Europe/Vienna,10,,", "Europe/Vienna,ten,,"), encoding="utf-8")
    ran = subprocess.run(
        command(space, "schedule"), cwd=ROOT, capture_output=True, text=True, check=False, timeout=PATIENCE_S
    )
    assert ran.returncode == 2
    assert "sites.csv line 2 column installed_kwp" in ran.stderr
