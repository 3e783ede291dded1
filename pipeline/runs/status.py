"""What a workspace looks like from outside; nothing is locked, nothing changed."""

from datetime import UTC, datetime
from typing import Any

from pipeline.errors import QueryError
from pipeline.ingest import arrivals
from pipeline.runs import job_health
from pipeline.runs.checked import last_checked
from pipeline.store.overview import overview
from pipeline.workspace.heartbeat import read_heartbeat
from pipeline.workspace.places import Workspace

RUNS = 8  # the last ones shown
SILENT_DAYS = 2  # ours: days behind the fleet's newest after which a site counts as without data


def status(workspace: Workspace) -> dict[str, Any]:
    """Last runs, files waiting, quarantined files, sites without data, size of the history.

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
        "quarantined": [{"file": file, "reason": reason} for file, reason in arrivals.quarantined(workspace)],
        "runs": [],
        "sites_without_data": checked.watched,
        "history": {
            "readings": 0,
            "exports": 0,
            "first_day": None,
            "last_day": None,
            "last_judged_day": None,
            "bytes": 0,
        },
        "exceptions": {},
        "as_of": now.isoformat(timespec="seconds"),
    }
    ended: list[dict[str, Any]] = []
    unreadable: list[str] = []
    try:
        known = overview(workspace.reader, good=job_health.GOOD, bad=job_health.BAD, runs=RUNS, silent_days=SILENT_DAYS)
    except QueryError as error:
        unreadable = [f"the analyst's database cannot be read: {error.what}; the next run writes it anew"]
        known = None
    if known is not None:
        ended = known.pop("ended")
        known["history"]["bytes"] = workspace.database.stat().st_size if workspace.database.exists() else 0
        facts.update(known)
    beat = read_heartbeat(workspace)
    jobs = job_health.jobs(ended, beat)
    faults = [f"{len(checked.faults)} faults in what people wrote; every run is refused"] if checked.faults else []
    return facts | {
        "jobs": [job._asdict() for job in jobs],
        "schedule": beat,
        "problems": [*faults, *unreadable, *job_health.problems(jobs, beat, now)],
    }
