"""What a workspace looks like from outside; nothing is locked, nothing changed."""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any

from pipeline.counted import counted
from pipeline.errors import QueryError
from pipeline.ingest import arrivals, quarantine
from pipeline.runs import disk, job_health
from pipeline.runs.checked import last_checked
from pipeline.store.overview import overview
from pipeline.workspace.heartbeat import read_heartbeat
from pipeline.workspace.places import Workspace

RUNS = 8  # the last ones shown
LATE_TIMES, LATE_H = 1.5, 1.0  # ours: a delivery is late after its usual gap and half of it again, and an hour
SILENT_DAYS = 2  # ours: days behind the fleet's newest after which a site counts as without data


def status(workspace: Workspace) -> dict[str, Any]:
    """Last runs, files waiting, quarantined files, sites without data, size of the history; what comes next.

    `data`: of each profile, how old its newest reading is, when its last export came, and whether the next one is late
    by its own rhythm. `disk`: see runs.disk.facts. `next_runs`: job -> instant, of a service that lives.
    `problems` holds what keeps the jobs from their work, a sentence each: faults in what people wrote, jobs that fail
    or are overdue, a service that is gone.
    """
    now = datetime.now(UTC)
    checked = last_checked(workspace)
    facts: dict[str, Any] = {
        "workspace": str(workspace.root),
        "faults": checked.faults,
        "notices": checked.notices,
        "sites": checked.sites,
        "profiles": checked.profiles,
        "waiting": len(arrivals.find(workspace, ()).arrivals) if workspace.inbox.is_dir() else 0,
        "quarantined": [{"file": file, "reason": reason} for file, reason in quarantine.quarantined(workspace)],
        "runs": [],
        "sites_without_data": checked.watched,
        "history": {
            "readings": 0,
            "exports": 0,
            "first_day": None,
            "last_day": None,
            "last_judged_day": None,
            "bytes": 0,
            "rows": {},
        },
        "exceptions": {},
        "data": [],
        "as_of": now.isoformat(timespec="seconds"),
    }
    ended: list[dict[str, Any]] = []
    unreadable: list[str] = []
    try:
        known = overview(workspace.reader, good=job_health.GOOD, bad=job_health.BAD, runs=RUNS, silent_days=SILENT_DAYS)
    except QueryError as error:
        unreadable = [f"the analyst's database cannot be read: {error.what}; the next run writes it anew"]
        known = None
    disk_days: list[dict[str, Any]] = []
    if known is not None:
        ended, disk_days = known.pop("ended"), known.pop("disk_days")
        state = known.pop("profile_state")
        facts["data"] = [_of_profile(row, now) for row in state if row["profile"] in checked.profiles]
        known["history"]["bytes"] = workspace.database.stat().st_size if workspace.database.exists() else 0
        facts.update(known)
    beat = read_heartbeat(workspace)
    jobs = job_health.jobs(ended, beat)
    held = disk.facts(workspace.root, disk_days)
    recurring = [job.last_good_at for job in jobs if job.job in job_health.RECURRING and job.last_good_at is not None]
    last_good = max(recurring, default=None)
    is_alive = beat is not None and not beat["stopped_at"]
    faults = []
    if checked.faults:
        told = f"{counted(len(checked.faults), 'fault')} in what people wrote, so every run is refused"
        faults = [f"{told}: {checked.faults[0]}; `noonmark check` lists all"]
    return facts | {
        "jobs": [job._asdict() for job in jobs],
        "last_good_run_at": last_good,
        "next_runs": dict(beat.get("next_runs", {})) if beat is not None and is_alive else {},
        "disk": held,
        "schedule": beat,
        "problems": [*faults, *unreadable, *job_health.problems(jobs, beat, now), *_full_soon(held)],
    }


def _of_profile(row: Mapping[str, Any], now: datetime) -> dict[str, Any]:
    """A row of profile_state with its ages in hours."""
    since_h = _hours(now - row["last_taken_in_at"].replace(tzinfo=UTC))
    usual = row["usual_gap_h"]
    newest = row["newest_utc"]
    return {
        **row,
        "lag_h": None if newest is None else _hours(now - newest.replace(tzinfo=UTC)),
        "last_arrival_h_ago": since_h,
        "is_late": None if usual is None else since_h > LATE_TIMES * usual + LATE_H,
    }


def _hours(span: timedelta) -> float:
    return round(span.total_seconds() / 3600, 2)


def _full_soon(held: Mapping[str, Any]) -> Iterable[str]:
    days = held["days_until_full"]
    if days is not None and days < disk.FULL_SOON_DAYS:
        yield f"the disk is full in {counted(days, 'day')} at the present growth; `noonmark archive --pack` makes room"
