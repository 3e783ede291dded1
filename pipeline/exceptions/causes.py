"""Causes hide their effects: one exception is shown per cause."""

from collections import defaultdict
from collections.abc import Mapping
from typing import Any

from detectors.finding import Kind


def hide_effects(table: list[dict[str, Any]], kinds: Mapping[str, Kind]) -> None:
    """Sets hidden_by of every open effect to the open cause at its site that is hidden by no other.

    What a kind hides says its `Kind`; of several causes the first in the order of `kinds` counts.
    """
    by_site: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in table:
        if row["status"] != "closed":
            by_site[row["site_id"]].append(row)
    for rows in by_site.values():
        causes = [
            row for kind in kinds for row in rows
            if row["kind"] == kind and kinds[kind].hides and kinds[kind].hides_if in (None, row["severity"])
        ]  # fmt: skip
        for row in rows:
            row["hidden_by"] = _hider(row, causes, kinds)


def _hider(row: dict[str, Any], causes: list[dict[str, Any]], kinds: Mapping[str, Kind]) -> str | None:
    over = [cause for cause in causes if cause is not row and row["kind"] in kinds[cause["kind"]].hides]
    is_hidden = {
        cause["exception_id"]: any(cause["kind"] in kinds[other["kind"]].hides for other in causes) for cause in over
    }
    ranked = sorted(over, key=lambda cause: is_hidden[cause["exception_id"]])
    return ranked[0]["exception_id"] if ranked else None
