"""The truth table in the form in which DEVELOPERS.md shows it."""

from collections import Counter
from collections.abc import Sequence

from tests.benches.scoring import SEVERITIES, FalseRow, FaultRow, Score
from tests.benches.table import CLASSES, number
from tests.simulation.faults import KINDS

PLACES = ("clean", "look-alike", "beside a fault")


def figures(fleets: Sequence[Score]) -> str:
    """Markdown: fleet by fleet, then kinds, false exceptions, verdicts and seconds of all together."""
    pool = Score()
    for fleet in fleets:
        pool.add(fleet)
    parts = [_fleets([*fleets, pool]), _kinds(pool.faults), _false(pool), _verdicts(pool), _seconds(pool)]
    return "\n\n".join(parts) + "\n"


def _markdown(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [f"| {' | '.join(row)} |" for row in (head, ["---"] * len(head), *rows)]
    return "\n".join(lines)


def _rate(rows: Sequence[FalseRow], days: int) -> str:
    return f"{1000 * len(rows) / days:.1f}" if days else "-"


def _fleets(scores: Sequence[Score]) -> str:
    rows = []
    for score in scores:
        seen = [row for row in score.faults if row.is_visible]
        found = sum(row.found for row in seen)
        said = found + sum(bool(row.wrong) for row in seen) + len(score.false)
        rates = [_rate([r for r in score.false if r.place == p], score.site_days.get(p, 0)) for p in PLACES]
        name = score.seeds[0] if len(score.seeds) == 1 else "together"
        recall, precision = found / max(len(seen), 1), found / max(said, 1)
        rows.append([name, str(len(seen)), str(found), f"{recall:.2f}", f"{precision:.2f}", *rates])
    head = ["seed and first day", "faults", "found", "recall", "precision", *(f"false, {place}" for place in PLACES)]
    return _markdown(head, rows) + "\n\nFalse exceptions are per 1,000 site-days."


def _kinds(faults: Sequence[FaultRow]) -> str:
    rows = []
    for kind in KINDS:
        seen = [row for row in faults if row.kind == kind and row.is_visible]
        found = [row for row in seen if row.found]
        wrong = Counter(row.wrong for row in seen if row.wrong).most_common(3)
        days, first = [r.days for r in found], [r.first_day_error for r in found]
        rows.append(
            [
                kind,
                f"{len(found)} of {len(seen)}",
                f"{number(days)} / {number(days, 0.9)}",
                ", ".join(f"{n} {name}" for name, n in wrong) or "-",
                number(r.size_error_pct for r in found),
                f"{number(first)} / {number(first, 0.9)}",
                number((1 + r.loss_error_pct / 100 for r in found), digits=2),
            ]
        )
    head = ["kind", "found", "days to open, median / 90 %", "wrong kind instead", "size, error %",
            "first day, error (d), median / 90 %", "loss told / true"]  # fmt: skip
    unseen = Counter(row.kind for row in faults if not row.is_visible)
    named = ", ".join(f"{n} {kind}" for kind, n in unseen.most_common())
    return _markdown(head, rows) + f"\n\nPut in without consequences to be seen, and not counted: {named or 'none'}."


def _false(pool: Score) -> str:
    rows = []
    for place in PLACES:
        mine, days = [row for row in pool.false if row.place == place], pool.site_days.get(place, 0)
        kinds = ", ".join(f"{n} {kind}" for kind, n in Counter(row.kind for row in mine).most_common(8))
        rates = [_rate([row for row in mine if row.severity == severity], days) for severity in SEVERITIES]
        rows.append([place, str(days), *rates, kinds or "-"])
    alikes = Counter(row.role for row in pool.false if row.place == "look-alike")
    by_name = "; ".join(f"{name} {1000 * n / pool.site_days[name]:.0f}" for name, n in alikes.most_common())
    quiet = sorted(set(pool.site_days) - set(alikes) - {"all", *PLACES})
    head = ["false per 1,000 site-days", "site-days", *SEVERITIES, "kinds"]
    return f"{_markdown(head, rows)}\n\nBy look-alike: {by_name or 'none'}. None at: {'; '.join(quiet) or '-'}."


def _verdicts(pool: Score) -> str:
    rows = []
    for name in sorted({key.split("|")[0] for key in pool.verdicts}):
        cells = [pool.verdicts.get(f"{name}|{place}", [0, 0]) for place in CLASSES]
        rows.append([name, *(f"{100 * judged / all_:.0f}" if all_ else "-" for judged, all_ in cells)])
    return _markdown(["% of site-days with a verdict", *CLASSES], rows)


def _seconds(pool: Score) -> str:
    days = max(pool.site_days.get("all", 0), 1)
    spent = sorted(pool.seconds.items(), key=lambda one: -one[1])
    named = ", ".join(f"{name} {1000 * s / days:.1f}" for name, s in spent if 1000 * s / days >= 0.3)
    return f"Processor seconds per 1,000 site-days: {named}."
