"""The desk's lists, from the analyst's database: exceptions, what was decided of one, revisits.

Each raises QueryError if nothing was published yet.
"""

from pathlib import Path
from typing import Any

from pipeline.store import answers
from pipeline.store.answers import Answer


def exceptions(folder: Path) -> Answer:
    """Every exception with its last decision: open ones first, those hidden behind a cause after the others.

    Within a severity by what a day costs, or by energy where the open ones have several currencies.
    """
    return answers.ask(
        folder,
        """
        SELECT exception_id, severity, status, kind, site_id, site.name AS site_name, opened_on, first_day, days_open,
            round(loss_per_day_kwh, 1) AS kwh_per_day, round(loss_kwh, 1) AS loss_kwh,
            round(cost, 2) AS cost, exception.currency, summary, hidden_by, decided_by, decided_for
        FROM exception
        LEFT JOIN site USING (site_id)
        LEFT JOIN (
            SELECT exception_id, arg_max(decided_by, decided_at) AS decided_by,
                arg_max_null(decided_for, decided_at) AS decided_for
            FROM decision GROUP BY exception_id
        ) USING (exception_id)
        ORDER BY status = 'closed', hidden_by IS NOT NULL, array_position(['urgent', 'soon', 'watch'], severity),
            CASE WHEN (SELECT count(DISTINCT currency) FROM exception) <= 1 THEN cost_per_day END
                DESC NULLS LAST,
            loss_per_day_kwh DESC NULLS LAST, opened_on, exception_id
        """,
    )


def exception(folder: Path, exception_id: str) -> dict[str, Any] | None:
    """The exception, column by column, or None."""
    found = answers.ask(folder, "SELECT * FROM exception WHERE exception_id = $1", [exception_id]).to_dicts()
    return found[0] if found else None


def decisions(folder: Path, exception_id: str) -> list[dict[str, Any]]:
    """decided_at (UTC), action, until, decided_by, decided_for and note of each decision of it, oldest first."""
    return answers.ask(
        folder,
        """
        SELECT decided_at, action, until, decided_by, decided_for, note FROM decision
        WHERE exception_id = $1 ORDER BY decided_at
        """,
        [exception_id],
    ).to_dicts()


def is_installer(folder: Path, installer_id: str) -> bool:
    """Whether the register knows an installer of this id, by its own file or by a site."""
    found = answers.ask(
        folder,
        """
        SELECT count(*) AS n FROM (SELECT installer_id FROM installer UNION ALL SELECT installer_id FROM site)
        WHERE installer_id = $1
        """,
        [installer_id],
    )
    return bool(found.to_dicts()[0]["n"])


def revisits(folder: Path, installer_id: str | None) -> Answer:
    """What one installer (None: everyone) has to see to, by installer, the longest open first."""
    return answers.ask(
        folder,
        """
        SELECT * FROM revisit WHERE $1 IS NULL OR installer_id = $1
        ORDER BY installer_id NULLS LAST, since, exception_id
        """,
        [installer_id],
    )
