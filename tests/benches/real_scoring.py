"""Holds what the pipeline said of real series against what was put in and what they are known to hold."""

import json
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta

import polars as pl

from tests.benches.living import Lived
from tests.benches.real_cases import Case
from tests.benches.scoring import ALSO_TRUE, LATE_DAYS, SEVERITIES, Run
from tests.benches.table import aligned, number
from tests.support.real_sites import RealSite

MOST_CHARACTERS = 200  # of a value in the evidence
NAN = float("nan")


@dataclass
class FalseAlarm:
    """An exception at a series that was left as it is; `why` names the true error that it tells, if it is one."""

    run: Run
    why: str


@dataclass
class PutIn:
    """A fault that was put in, and what became of it."""

    case: str
    site_id: str
    found: bool = False
    days: float = NAN  # from onset to the night on which it opened
    wrong: str = ""  # the kind said instead
    is_unclear: bool = False  # the same was said of the series as it is


def untouched(site: RealSite, runs: Sequence[Run]) -> list[FalseAlarm]:
    """Each exception once, with the known error that explains it."""
    out: dict[str, FalseAlarm] = {}
    for run in runs:
        why = next((k.why for k in site.known if k.kinds & run.kinds and k.first <= run.begin <= k.last), "")
        out.setdefault(run.exception_id, FalseAlarm(run, why))
    return list(out.values())


def judge(case: Case, site: RealSite, days: int, runs: Sequence[Run], before: Sequence[Run]) -> PutIn:
    """Whether the fault was found at the site, held against `before`, what was said of the series as it is."""
    row = PutIn(case.name, site.site_id)
    onset = case.onset(site, days)
    lasts = days if case.lasts_days is None else case.lasts_days
    late = onset + timedelta(days=lasts + LATE_DAYS)
    mine = [run for run in runs if onset <= run.begin < late or (run.begin < onset <= run.end)]
    old = {kind for run in before for kind in run.kinds if run.end >= onset and run.begin < late}
    right = [run for run in mine if case.kinds(site) & run.kinds and run.begin >= onset]
    if right and not case.kinds(site) & old:
        row.found, row.days = True, float((min(run.begin for run in right) - onset).days)
        return row
    row.is_unclear = bool(case.kinds(site) & old)
    also = set().union(*(ALSO_TRUE.get(kind, set()) for kind in case.right))
    said = [kind for run in mine for kind in sorted(run.kinds & (case.family | also)) if kind not in old]
    row.wrong = next((kind for kind in said if kind not in case.kinds(site)), "")
    return row


def untouched_table(site_days: dict[str, int], alarms: Sequence[FalseAlarm]) -> str:
    """Per series the exceptions that nothing explains and the true ones; then the rate."""
    rows = [("left as it is", "site-days", "false", "kinds", "known true errors that were told")]
    for site_id, days in site_days.items():
        mine = [alarm for alarm in alarms if alarm.run.site_id == site_id]
        false = [alarm for alarm in mine if not alarm.why]
        true = "; ".join(f"{_kinds([alarm])}: {alarm.why}" for alarm in mine if alarm.why) or "-"
        rows.append((site_id, str(days), str(len(false)), _kinds(false), true))
    total = sum(site_days.values())
    false = [alarm for alarm in alarms if not alarm.why]
    each = [sum(alarm.run.severity == severity for alarm in false) for severity in SEVERITIES]
    rates = ", ".join(f"{_rate(n, total)} {severity}" for n, severity in zip(each, SEVERITIES, strict=True))
    return aligned(rows) + f"\nfalse per 1,000 site-days: {_rate(len(false), total)} ({rates}) in {total} site-days"


def _rate(count: int, site_days: int) -> str:
    return f"{1000 * count / max(site_days, 1):.2f}"


def _kinds(alarms: Sequence[FalseAlarm]) -> str:
    kinds = Counter(alarm.run.last["kind"] for alarm in alarms)
    return ", ".join(f"{n} {kind}" for kind, n in kinds.most_common()) or "-"


def fault_table(rows: Sequence[PutIn]) -> str:
    """A row per fault."""
    out = [("fault", "put in", "found", "days", "90 %", "wrong kind instead", "unclear", "not found at")]
    for name in (*dict.fromkeys(row.case for row in rows), "all"):
        mine = [row for row in rows if name in ("all", row.case)]
        found = [row for row in mine if row.found]
        wrong = Counter(row.wrong for row in mine if row.wrong)
        missed = [row.site_id for row in mine if not row.found]
        out.append((
            name, str(len(mine)), str(len(found)), number(r.days for r in found), number((r.days for r in found), 0.9),
            ", ".join(f"{n} {kind}" for kind, n in wrong.most_common(3)) or "-",
            str(sum(row.is_unclear for row in mine)), "-" if name == "all" else ", ".join(missed) or "-",
        ))  # fmt: skip
    return aligned(out) + (
        "\ndays: from onset to the night on which it opened; unclear: the same kind was open at the series as it is, "
        "not counted as found"
    )


def explained(lived: Lived, head: str, runs: Sequence[Run]) -> list[str]:
    """What stands behind the exceptions, and which detectors gave no verdict."""
    out = [f"\n{head}"]
    for run in runs:
        held = json.loads(run.last.get("evidence") or "{}")
        shown = "; ".join(f"{key} {str(value)[:MOST_CHARACTERS]}" for key, value in held.items())
        out.append(f"  {run.exception_id} {'/'.join(sorted(run.kinds))} [{run.severity}] {run.begin} to {run.end}: "
                   f"{run.last['summary']}\n    {shown}")  # fmt: skip
    silent = lived.not_judged.filter(pl.col("site_id") == head.split()[0])
    counts = silent.group_by("detector", "reason").len().sort("len", descending=True).head(6)
    return out + [f"  not judged by {name} on {n} days: {reason}" for name, reason, n in counts.iter_rows()]
