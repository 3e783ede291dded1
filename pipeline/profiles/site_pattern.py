"""Regular expressions on the names of exports, by an engine whose time grows with the name's length and no faster.

Names come from outside, and a pattern with a repeat inside a repeat can take Python's own engine years on one of them.
"""

from typing import Any

import re2

OPTIONS = re2.Options()
OPTIONS.log_errors = False


class PatternError(ValueError):
    """Why the pattern can't be used."""


def compiled(pattern: str) -> Any:
    """The pattern, with `search` and `groupindex` as Python's own; raises PatternError."""
    try:
        return re2.compile(pattern, OPTIONS)
    except re2.error as error:
        said = error.args[0] if error.args else error
        raise PatternError(said.decode("utf-8", "replace") if isinstance(said, bytes) else str(said)) from error


def site_in(pattern: Any, place: str) -> str | None:
    """What the group `site` finds in the text, without blanks around it; None if nothing."""
    found = pattern.search(place.encode("utf-8", "replace").decode("utf-8"))
    name = found.groupdict().get("site") if found else None
    return name.strip() if name else None
