"""What a workspace looks like from outside; nothing is locked, nothing changed."""

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from pipeline.errors import QueryError
from pipeline.ingest import arrivals
from pipeline.runs import job_health
from pipeline.runs.checked import last_checked
from pipeline.store import answers
from pipeline.workspace.heartbeat import read_heartbeat
from pipeline.workspace.places import Workspace

RUNS = 8  # the last ones shown
SILENT_DAYS = 2  # ours: days behind the fleet's newest after which a site counts as without data
ENDED = f"""
    SELECT job, started_at, ended_at, outcome, detail FROM run
    WHERE outcome IN {(*job_health.GOOD, *job_health.BAD)}
    QUALIFY row_number() OVER (PARTITION BY job, outcome IN {job_health.GOOD} ORDER BY run_id DESC) = 1"""


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
    if (workspace.reader / answers.DATABASE).exists():
        try:
            with answers.asking(workspace.reader) as put:
                ended = put(ENDED, ()).to_dicts()
                facts.update(_from_history(workspace, lambda sql: put(sql, ()).to_dicts()))
        except QueryError as error:
            unreadable = [f"the analyst's database cannot be read: {error.what}; the next run writes it anew"]
    beat = read_heartbeat(workspace)
    jobs = job_health.jobs(ended, beat)
    faults = [f"{len(checked.faults)} faults in what people wrote; every run is refused"] if checked.faults else []
    return facts | {
        "jobs": [job._asdict() for job in jobs],
        "schedule": beat,
        "problems": [*faults, *unreadable, *job_health.problems(jobs, beat, now)],
    }


def _from_history(workspace: Workspace, ask: Callable[[str], list[dict[str, Any]]]) -> dict[str, Any]:
    span = ask(
        "SELECT min(day) AS first_day, max(day) AS last_day, coalesce(sum(readings), 0) AS readings FROM site_day"
    )[0]
    return {
        "runs": ask(f"SELECT * FROM run ORDER BY run_id DESC LIMIT {RUNS}"),
        "sites_without_data": [row["site_id"] for row in ask(
            f"""
            SELECT s.site_id FROM site AS s LEFT JOIN site_day AS d ON d.site_id = s.site_id AND d.readings > 0
            WHERE s.watched GROUP BY s.site_id
            HAVING max(d.day) IS NULL OR max(d.day) <= (SELECT max(day) FROM site_day) - {SILENT_DAYS}
            ORDER BY s.site_id
            """
        )],
        "history": {
            **span,
            "exports": ask("SELECT count(*) AS n FROM export_file")[0]["n"],
            "last_judged_day": ask("SELECT max(day) AS d FROM judged")[0]["d"],
            "bytes": workspace.database.stat().st_size if workspace.database.exists() else 0,
        },
        "exceptions": {
            row["severity"]: row["n"]
            for row in ask(
                """
                SELECT severity, count(*) AS n FROM exception WHERE status IN ('open', 'acknowledged')
                GROUP BY severity ORDER BY severity
                """
            )
        },
    }  # fmt: skip
