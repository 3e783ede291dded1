"""The known name that a mistyped one was probably meant to be."""

import difflib
from collections.abc import Iterable

# ours: below this likeness (difflib's, 0-1) a guess misleads; one or two slips in a word stay above it
LIKENESS = 0.6


def nearest_name(name: str, known: Iterable[str]) -> str | None:
    """The most similar of the known names, capitals aside; None if none is similar."""
    by_folded = {other.casefold(): other for other in known}
    folded = name.strip().casefold()
    if folded in by_folded:
        return by_folded[folded]
    found = difflib.get_close_matches(folded, by_folded, n=1, cutoff=LIKENESS)
    if found:
        return by_folded[found[0]]
    # a zone's city alone, a column without its unit
    ends = [other for fold, other in by_folded.items() if folded and fold.endswith(("/" + folded, "_" + folded))]
    return ends[0] if len(ends) == 1 else None


def name_mend(name: str, known: Iterable[str], otherwise: str) -> str:
    """`write X` with the nearest known name, else what `otherwise` says."""
    found = nearest_name(name, known)
    return f"write {found}" if found else otherwise
