"""Which jobs are well: a failure is told until a good run comes, and what should have run and did not is overdue."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from pipeline.runs.job_health import jobs, problems

NOW = datetime(2026, 5, 7, 12, 0, tzinfo=UTC)


def ago(hours: float) -> datetime:
    return NOW - timedelta(hours=hours)


def run(job: str, outcome: str, hours: float, detail: str = "") -> dict[str, Any]:
    ended = None if outcome == "killed" else ago(hours)
    return {"job": job, "outcome": outcome, "started_at": ago(hours), "ended_at": ended, "detail": detail}


def beat(**changed: Any) -> dict[str, Any]:
    usual = {
        "started_at": ago(48).isoformat(), "beat_at": ago(0.005).isoformat(), "stopped_at": None,
        "ingest_every_min": 5, "digest_at": "06:30", "timezone": "UTC", "jobs": {},
    }  # fmt: skip
    return usual | changed


WELL = [run("ingest", "done", 0.1), run("cycle", "needs a person", 5.4)]


def said(runs: list[dict[str, Any]], heartbeat: dict[str, Any] | None = None) -> list[str]:
    return problems(jobs(runs, heartbeat), heartbeat, NOW)


def test_jobs_that_are_well() -> None:
    assert said([]) == []
    assert said(WELL) == []
    assert said(WELL, beat()) == []


@pytest.mark.parametrize("outcome", ["failed", "killed"])
def test_a_failed_morning_is_told_until_a_good_one(outcome: str) -> None:
    failed = [run("cycle", "done", 30), run("cycle", outcome, 5.4, "OSError: no space")]
    after = [run("ingest", "done", 0.1)]  # forty minutes of good ingests do not hide it
    (told,) = said(failed + after)
    assert "the last cycle failed" in told
    (found,) = [job for job in jobs(failed + after, None) if job.job == "cycle"]
    assert (found.last_good_at, found.last_failed_at, found.is_failing) == (ago(30), ago(5.4), True)
    assert said([run("cycle", outcome, 5.4), run("cycle", "done", 5)]) == []
    assert said([run("detect", outcome, 5.4), run("cycle", "done", 5)]) == []  # which detects too
    assert said([run("retime", outcome, 1)]) == []  # told to the person who typed it


def test_a_job_that_fails_before_it_is_in_the_ledger_is_known_from_the_heartbeat() -> None:
    told = {"last_good_at": ago(20).isoformat(), "last_failed_at": ago(0.1).isoformat(), "failure": "sites.csv line 2"}
    found = said([run("ingest", "done", 20), run("cycle", "done", 5.4)], beat(jobs={"ingest": told}))
    assert any("the last ingest failed" in line and "sites.csv line 2" in line for line in found)
    without_zone = {**run("ingest", "done", 20), "ended_at": ago(20).replace(tzinfo=None)}  # as analysts see it
    (ingest,) = [job for job in jobs([without_zone], beat(jobs={"ingest": told})) if job.job == "ingest"]
    assert ingest.is_failing and ingest.last_good_at == ago(20)


def test_what_is_overdue() -> None:
    (told,) = said([run("ingest", "done", 7), run("cycle", "done", 5.4)], beat())
    assert "ingest is overdue" in told
    (told,) = said([run("ingest", "done", 0.1), run("cycle", "done", 25)], beat())
    assert "cycle is overdue: it was wanted at 2026-05-07 06:30 UTC" in told
    assert said([run("ingest", "done", 0.1), run("cycle", "done", 25)], beat(timezone="America/New_York")) == []
    assert said([run("ingest", "done", 7)], beat(started_at=ago(0.1).isoformat())) == []  # it has only just begun


def test_a_service_that_is_gone() -> None:
    (told,) = said(WELL, beat(beat_at=ago(1).isoformat()))
    assert "last alive at 2026-05-07 11:00 UTC" in told
    old = [run("ingest", "done", 70), run("cycle", "done", 70)]
    assert said(old, beat(beat_at=ago(70).isoformat(), stopped_at=ago(70).isoformat())) == []  # nobody wants it
