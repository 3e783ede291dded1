"""Causes hide their effects: one exception is shown per cause."""

import json
from collections import defaultdict
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

from detectors.finding import OVER, Kind
from detectors.provisional import CORRECTION_KEY


def hide_effects(table: list[dict[str, Any]], kinds: Mapping[str, Kind]) -> None:
    """Sets hidden_by of every effect to the cause at its site that is hidden by no other.

    What a kind hides says its `Kind`; of several causes the first in the order of `kinds` counts. While both are open,
    the cause hides the effect whichever was opened first. Where one of them is closed, it hides an effect whose days
    with a finding (`found_from` to `last_day`) all lie in those of the cause (`first_day` to `last_day`): an effect
    that was opened before its cause was known, or that takes longer to close. A cause that says itself since when it is
    over (OVER) is like a closed one from then on. What was found on a corrected line is no
    effect of the clock.
    """
    by_site: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in table:
        by_site[row["site_id"]].append(row)
    for rows in by_site.values():
        causes = [
            row for kind in kinds for row in rows
            if row["kind"] == kind and kinds[kind].hides and kinds[kind].hides_if in (None, row["severity"])
        ]  # fmt: skip
        for row in rows:
            row["hidden_by"] = _hider(row, causes, kinds)


def _hider(row: dict[str, Any], causes: list[dict[str, Any]], kinds: Mapping[str, Kind]) -> str | None:
    over = [cause for cause in causes if _hides(cause, row, kinds)]
    is_hidden = {cause["exception_id"]: any(_hides(other, cause, kinds) for other in causes) for cause in over}
    is_closed = {cause["exception_id"]: cause["status"] == "closed" for cause in over}
    ranked = sorted(over, key=lambda cause: (is_hidden[cause["exception_id"]], is_closed[cause["exception_id"]]))
    return ranked[0]["exception_id"] if ranked else None


def _hides(cause: dict[str, Any], effect: dict[str, Any], kinds: Mapping[str, Kind]) -> bool:
    if cause is effect or effect["kind"] not in kinds[cause["kind"]].hides:
        return False
    if "time" in kinds[cause["kind"]].makes_unreliable and CORRECTION_KEY in (effect["evidence"] or ""):
        return False  # it was found on a corrected line: the clock does not explain it
    until = _until(cause)
    if until is None and effect["status"] != "closed":
        return True
    is_over = until is not None and effect["last_day"] > until
    return bool(cause["first_day"] <= effect["found_from"] and not is_over)


def _until(cause: dict[str, Any]) -> date | None:
    """The last day that the cause explains; None while it goes on."""
    evidence = cause["evidence"] or ""
    if OVER in evidence:
        return date.fromisoformat(json.loads(evidence)[OVER]) - timedelta(days=1)
    return cause["last_day"] if cause["status"] == "closed" else None
