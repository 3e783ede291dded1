"""The truth table as text."""

import re
from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from tests.benches.scoring import SEVERITIES, FaultRow, Score
from tests.simulation.faults import KINDS
from tests.simulation.significance import SEEN_SIGMAS

NUMBER = re.compile(r"-?[0-9.]+")
CLASSES = ("all", "no-export", "limited", "unlimited", "alone", "neighbours")


def table(score: Score) -> str:
    """Faults by kind, false exceptions, verdicts by class of site, and seconds."""
    parts = [f"fleets: {', '.join(score.seeds)}", _faults(score), _false(score), _verdicts(score), _seconds(score)]
    return "\n\n".join(parts)


def number(values: Iterable[float], quantile: float = 0.5, digits: int = 0) -> str:
    """A quantile of the values that are known, as text."""
    known = [v for v in values if v == v]
    return f"{np.quantile(known, quantile):.{digits}f}" if known else "-"


def _faults(score: Score) -> str:
    head = (
        "kind",
        "put in",
        "found",
        "days",
        "90 %",
        "wrong kind instead",
        "size %",
        "first day",
        "90 %",
        "loss %",
        "abs %",
        "unseen",
    )
    rows: list[tuple[str, ...]] = [head]
    for kind in (*KINDS, "all"):
        mine = [row for row in score.faults if kind in ("all", row.kind)]
        seen = [row for row in mine if row.is_visible]
        if mine:
            rows.append((kind, *_fault_cells(seen), str(len(mine) - len(seen))))
    notes = (
        "put in: faults that show on three days or more; days: from onset, or the first day on which a step shows, to\n"
        "opened_on; size: median error; first day: error in days; loss: median error told/true - 1 and its\n"
        "median size; unseen: without consequences to be seen"
    )
    visible = [row for row in score.faults if row.is_visible]
    found = sum(row.found for row in visible)
    said = found + len(score.false) + sum(bool(row.wrong) for row in visible)
    to_act_on = sum(row.is_to_act_on for row in visible)
    total = (
        f"recall {found / max(len(visible), 1):.2f}, precision {found / max(said, 1):.2f} (found / all that was said); "
        f"{to_act_on} of {found} to act on"
    )
    return aligned(rows) + "\n" + notes + "\n" + total + _by_significance(visible)


def _by_significance(visible: Sequence[FaultRow]) -> str:
    """How many faults of yield were found of those that stand out by the truth alone, and of the others."""
    weighed = [row for row in visible if row.significance == row.significance]
    if not weighed:
        return ""
    parts = []
    for name, mine in (
        ("at least", [row for row in weighed if row.significance >= SEEN_SIGMAS]),
        ("less than", [row for row in weighed if row.significance < SEEN_SIGMAS]),
    ):
        parts.append(f"{sum(row.found for row in mine)} of {len(mine)} that stand out by {name} {SEEN_SIGMAS:g} sigma")
    return "\nyield, by the truth alone (tests.simulation.significance): found " + ", and ".join(parts)


def _fault_cells(rows: Sequence[FaultRow]) -> tuple[str, ...]:
    found = [row for row in rows if row.found]
    wrong = Counter(row.wrong for row in rows if row.wrong)
    return (
        str(len(rows)),
        str(len(found)),
        number(r.days for r in found),
        number((r.days for r in found), 0.9),
        ", ".join(f"{n} {kind}" for kind, n in wrong.most_common(2)) or "-",
        number(r.size_error_pct for r in found),
        number(r.first_day_error for r in found),
        number((r.first_day_error for r in found), 0.9),
        number(r.loss_error_pct for r in found),
        number(abs(r.loss_error_pct) for r in found),
    )


def _false(score: Score) -> str:
    rows: list[tuple[str, ...]] = [("false per 1,000 site-days", "site-days", *SEVERITIES, "all", "kinds")]
    places = ("clean", "look-alike", "beside a fault")
    rows += [_false_row(score, place, [row for row in score.false if row.place == place]) for place in places]
    alikes = Counter(row.role for row in score.false if row.place == "look-alike")
    rows += [
        _false_row(score, role, [row for row in score.false if row.role == role]) for role, _ in alikes.most_common()
    ]
    apart = ("all", *places)
    quiet = [name for name in score.site_days if name not in alikes and name not in apart]
    return aligned(rows) + f"\nlook-alikes without any: {', '.join(sorted(quiet)) or '-'}"


def _false_row(score: Score, name: str, rows: Sequence[object]) -> tuple[str, ...]:
    days = score.site_days.get(name, 0)
    each = [sum(row.severity == severity for row in rows) for severity in SEVERITIES]  # type: ignore[attr-defined]
    kinds = Counter(row.kind for row in rows)  # type: ignore[attr-defined]
    rates = [f"{1000 * n / days:.2f}" if days else "-" for n in (*each, len(rows))]
    return (name, str(days), *rates, ", ".join(f"{n} {kind}" for kind, n in kinds.most_common(6)) or "-")


def _verdicts(score: Score) -> str:
    names = sorted({key.split("|")[0] for key in score.verdicts})
    rows: list[tuple[str, ...]] = [("% of site-days with a verdict", *CLASSES)]
    for name in names:
        cells = [score.verdicts.get(f"{name}|{place}", [0, 0]) for place in CLASSES]
        rows.append((name, *(f"{100 * judged / all_:.0f}" if all_ else "-" for judged, all_ in cells)))
    return aligned(rows)


def _seconds(score: Score) -> str:
    days = max(score.site_days.get("all", 0), 1)
    rows = [("processor seconds per 1,000 site-days", "")]
    rows += [
        (name, f"{1000 * spent / days:.2f}") for name, spent in sorted(score.seconds.items(), key=lambda one: -one[1])
    ]
    return aligned(rows)


def aligned(rows: Sequence[Sequence[str]]) -> str:
    """Rows of cells as columns, the first row as head; numbers to the right."""
    widths = [max(len(row[n]) for row in rows) for n in range(len(rows[0]))]
    lines = []
    for row in rows:
        cells = [
            cell.rjust(width) if n and (cell == "-" or NUMBER.fullmatch(cell)) else cell.ljust(width)
            for n, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join([lines[0], "-" * len(lines[0]), *lines[1:]])
