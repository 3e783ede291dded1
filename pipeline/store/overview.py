"""What `status` says of the history, from the analyst's database; without frames, so that it answers fast."""

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from pipeline.store import answers


def overview(
    folder: Path, *, good: Iterable[str], bad: Iterable[str], runs: int, silent_days: int
) -> dict[str, Any] | None:
    """Facts of the analyst's database in `folder`; None if nothing was published yet.

    `ended`: the last good and the last bad run of each job, by their outcomes; `runs`: the newest `runs` of all;
    `sites_without_data`: watched sites `silent_days` or more behind the fleet's newest day; `history`: first_day,
    last_day, readings, exports, last_judged_day, rows (relation -> how many); `exceptions`: severity -> number of
    open ones; `profile_state` and `disk_days`: the rows of these relations. Raises QueryError.
    """
    if not (folder / answers.DATABASE).exists():
        return None
    with answers.asking(folder) as put:

        def ask(sql: str, *parameters: object) -> list[dict[str, Any]]:
            return put(sql, parameters).to_dicts()

        span = ask(
            "SELECT min(day) AS first_day, max(day) AS last_day, coalesce(sum(readings), 0) AS readings FROM site_day"
        )[0]
        return {
            "ended": ask(ENDED, list(good), list(bad)),
            "runs": ask("SELECT * FROM run ORDER BY run_id DESC LIMIT ?", runs),
            "sites_without_data": [row["site_id"] for row in ask(SILENT, silent_days)],
            "history": {
                **span,
                "exports": ask("SELECT count(*) AS n FROM export_file")[0]["n"],
                "last_judged_day": ask("SELECT max(day) AS d FROM judged")[0]["d"],
                "rows": ask(ROWS)[0],
            },
            "profile_state": ask("FROM profile_state ORDER BY profile"),
            "disk_days": ask("FROM disk_day ORDER BY day"),
            "exceptions": {row["severity"]: row["n"] for row in ask(OPEN)},
        }


ENDED = """
    SELECT job, started_at, ended_at, outcome, detail FROM run
    WHERE list_contains($1, outcome) OR list_contains($2, outcome)
    QUALIFY row_number() OVER (PARTITION BY job, list_contains($1, outcome) ORDER BY run_id DESC) = 1"""
SILENT = """
    SELECT s.site_id FROM site AS s LEFT JOIN site_day AS d ON d.site_id = s.site_id AND d.readings > 0
    WHERE s.watched GROUP BY s.site_id
    HAVING max(d.day) IS NULL OR max(d.day) <= (SELECT max(day) FROM site_day) - CAST(? AS INTEGER)
    ORDER BY s.site_id"""
ROWS = """
    SELECT (SELECT count(*) FROM site_day) AS site_day, (SELECT count(*) FROM site_hour) AS site_hour,
        (SELECT count(*) FROM finding) AS finding, (SELECT count(*) FROM exception) AS exception,
        (SELECT count(*) FROM rejected_row) AS rejected_row"""
OPEN = """
    SELECT severity, count(*) AS n FROM exception WHERE status IN ('open', 'acknowledged') AND hidden_by IS NULL
    GROUP BY severity ORDER BY severity"""
