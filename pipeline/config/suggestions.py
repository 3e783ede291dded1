"""The known name that a mistyped one was probably meant to be."""

import difflib
from collections.abc import Iterable

# ours: below this likeness (difflib's, 0-1) a guess misleads; one or two typing errors in a word stay above it
LIKENESS = 0.6
ABBREVIATIONS = {  # an example of a zone where each is used, with its change of clocks; from memory
    "cet": "Europe/Vienna", "cest": "Europe/Vienna", "mez": "Europe/Vienna", "mesz": "Europe/Vienna",
    "wet": "Europe/Lisbon", "west": "Europe/Lisbon", "eet": "Europe/Athens", "eest": "Europe/Athens",
    "bst": "Europe/London", "edt": "America/New_York", "cst": "America/Chicago", "cdt": "America/Chicago",
    "mdt": "America/Denver", "pst": "America/Los_Angeles", "pdt": "America/Los_Angeles",
    "aest": "Australia/Sydney", "aedt": "Australia/Sydney", "ist": "Asia/Kolkata",
}  # fmt: skip


def nearest_name(name: str, known: Iterable[str]) -> str | None:
    """The most similar of the known names, capitals aside; None if none is similar."""
    by_folded = {other.casefold(): other for other in known}
    folded = name.strip().casefold()
    if folded in by_folded:
        return by_folded[folded]
    found = difflib.get_close_matches(folded, by_folded, n=1, cutoff=LIKENESS)
    if found:
        return by_folded[found[0]]
    # a zone's city alone, a column without its unit, the last word of several
    ends = [other for fold, other in by_folded.items() if folded and fold.endswith(("/" + folded, "_" + folded))]
    return ends[0] if len(ends) == 1 else None


def word_of(name: str, choices: Iterable[str]) -> str | None:
    """The one choice of which the name is a word, as `start` is of `interval start`; None if none or several."""
    word = name.strip().casefold()
    found = [choice for choice in choices if word in choice.casefold().split()]
    return found[0] if len(found) == 1 else None


def name_remedy(name: str, known: Iterable[str], otherwise: str) -> str:
    """`write X` with the nearest known name, else what `otherwise` says."""
    found = nearest_name(name, known)
    return f"write {found}" if found else otherwise


def zone_remedy(name: str, words: Iterable[str], zones: Iterable[str], otherwise: str) -> str:
    """As `name_remedy`, of a zone; an abbreviation means several zones and none for certain, so an example is named."""
    if name.strip().casefold() in ABBREVIATIONS:
        return (
            f"write the IANA name of the place, such as {ABBREVIATIONS[name.strip().casefold()]}: {name} is ambiguous"
        )
    places = [zone for zone in zones if "/" in zone or zone.casefold() == name.strip().casefold()]
    region, slash, place = name.strip().casefold().rpartition("/")
    own = {zone.rpartition("/")[2]: zone for zone in places if zone.casefold().startswith(region + slash)}
    if slash and own:  # what all zones of a region begin with makes none of them likely
        found = nearest_name(place, own)
        return f"write {own[found]}" if found else otherwise
    return name_remedy(name, [*words, *places], otherwise)
