"""What could not be judged, in the desk's words: what is new since the day before, then a line per lasting reason."""

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import polars as pl

from pipeline.digest.amounts import count
from pipeline.digest.model import NotJudgedGroup, plain

AREAS = {  # family of detectors -> what it looks at
    "battery": "the battery",
    "clock": "the clock",
    "data_quality": "the readings",
    "grid": "the grid connection",
    "yields": "the yield",
}


MOST_REASONS = 3  # of one line


class Line(NamedTuple):
    """What was not judged at some sites, as page and text tell it."""

    is_new: bool
    names: list[str]  # of the sites
    what: str
    reason: str


def lines(groups: Iterable[NotJudgedGroup]) -> list[Line]:
    """A line each for what the same sites share: a site without a day's readings is one cause with many reasons.

    The reason that most detectors give comes first.
    """
    shared: dict[tuple[bool, tuple[str, ...]], list[NotJudgedGroup]] = defaultdict(list)
    for group in groups:
        shared[group.is_new, tuple(group.sites)].append(group)
    told = []
    for (is_new, _), mine in shared.items():
        reasons = list(dict.fromkeys(one.reason for one in sorted(mine, key=lambda one: -len(one.detectors))))
        more = f"; {count(len(reasons) - MOST_REASONS, 'more reason')}" if len(reasons) > MOST_REASONS else ""
        what = sorted({area for one in mine for area in one.what.split(", ")})
        told.append(Line(is_new, mine[0].names, ", ".join(what), "; ".join(reasons[:MOST_REASONS]) + more))
    return told


class _Several:
    """The values that one place in a sentence takes over several sites: a range of figures, or the names."""

    def __init__(self, values: Sequence[Any]) -> None:
        self.values = list(dict.fromkeys(value for value in values if value is not None))

    def __format__(self, spec: str) -> str:
        if not self.values:
            return "unknown"
        if any(isinstance(value, str) for value in self.values):
            return plain(", ".join(sorted(map(str, self.values))))
        low, high = format(min(self.values), spec), format(max(self.values), spec)
        return low if low == high else f"{low} to {high}"


def not_judged_groups(
    today: pl.DataFrame,
    before: pl.DataFrame,
    sites: pl.DataFrame,
    sentences: Mapping[str, Mapping[str, str]],
    families: Mapping[str, str],
) -> list[NotJudgedGroup]:
    """New ones first, then the most sites; `sentences` = detector -> code -> sentence, `families` = detector -> family.

    Sites whose reason is new since the day before stand in a group of their own. What several detectors of one reason
    did not judge is named by what they look at.
    """
    names = dict(sites.filter(pl.col("watched").fill_null(True)).select("site_id", "name").iter_rows())
    known = {(row["site_id"], _reason(row, sentences)) for row in before.iter_rows(named=True)}
    rows_of: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for row in today.iter_rows(named=True):
        if row["site_id"] in names:
            rows_of[_reason(row, sentences)].append(row)
    folded = []
    for reason, rows in rows_of.items():
        parts: dict[bool, list[dict[str, Any]]] = defaultdict(list)
        for row in rows:
            parts[(row["site_id"], reason) not in known].append(row)
        folded += [_group(*reason, part, names, families, is_new=is_new) for is_new, part in parts.items()]
    return sorted(folded, key=lambda group: (not group.is_new, -len(group.sites), group.reason))


def _reason(row: Mapping[str, Any], sentences: Mapping[str, Mapping[str, str]]) -> tuple[str, str]:
    """(code, template) where the reason has a code, else ("", sentence)."""
    template = sentences.get(row["detector"], {}).get(row["code"] or "", "")
    return (row["code"] if template else "", template or row["reason"])


def _group(
    code: str,
    template: str,
    rows: Sequence[Mapping[str, Any]],
    names: Mapping[str, str],
    families: Mapping[str, str],
    *,
    is_new: bool,
) -> NotJudgedGroup:
    sites = sorted({row["site_id"] for row in rows})
    detectors = sorted({row["detector"] for row in rows})
    areas = dict.fromkeys(AREAS[families[name]] for name in detectors if families.get(name) in AREAS)
    return NotJudgedGroup(
        code=code or None,
        reason=_sentence(template, rows) if code else plain(template),
        what=", ".join(sorted(areas)) or "some of its rules",
        detectors=detectors,
        sites=sites,
        names=[plain(names[site]) or site for site in sites],
        is_new=is_new,
    )


def _sentence(template: str, rows: Sequence[Mapping[str, Any]]) -> str:
    """`voltage known for {coverage_pct:.0f} % of the week` of several sites: `... for 12 to 54 % ...`."""
    each = [json.loads(row["values"] or "{}") for row in rows]
    names = {name for values in each for name in values}
    several = {name: _Several([values.get(name) for values in each]) for name in names}
    try:
        return plain(template.format(**several))
    except KeyError:  # the reason has another sentence by now
        return plain(rows[0]["reason"])
