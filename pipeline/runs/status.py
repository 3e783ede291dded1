"""What a workspace looks like from outside; nothing is locked, nothing changed."""

from datetime import UTC, datetime
from typing import Any

from pipeline.ingest import arrivals
from pipeline.runs.check import check
from pipeline.runs.cycle import quarantined
from pipeline.store import reader
from pipeline.workspace.places import Workspace

RUNS = 8  # the last ones shown
SILENT_DAYS = 2  # ours: days behind the fleet's newest after which a site counts as without data


def status(workspace: Workspace) -> dict[str, Any]:
    """Last runs, files waiting, quarantined files, sites without data, size of the history."""
    checked = check(workspace)
    facts: dict[str, Any] = {
        "workspace": str(workspace.root),
        "faults": [str(fault) for fault in checked.faults],
        "notices": [str(notice) for notice in checked.notices],
        "sites": len(checked.register.sites),
        "profiles": sorted(checked.profiles),
        "waiting": len(arrivals.find(workspace, ()).arrivals) if workspace.inbox.is_dir() else 0,
        "quarantined": [{"file": file, "reason": reason} for file, reason in quarantined(workspace)],
        "runs": [],
        "sites_without_data": sorted(site.site_id for site in checked.register.sites.values() if site.watched),
        "history": {
            "readings": 0,
            "exports": 0,
            "first_day": None,
            "last_day": None,
            "last_judged_day": None,
            "bytes": 0,
        },
        "exceptions": {},
        "as_of": datetime.now(UTC).isoformat(timespec="seconds"),
    }
    if (workspace.reader / reader.DATABASE).exists():
        facts.update(_from_history(workspace))
    return facts


def _from_history(workspace: Workspace) -> dict[str, Any]:
    def ask(sql: str) -> list[dict[str, Any]]:
        return reader.ask(workspace.reader, sql).to_dicts()

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
