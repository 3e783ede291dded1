"""The digest as plain text, for the mail and the terminal; no line is wider than 100 columns."""

import textwrap
from collections.abc import Iterable, Sequence

from pipeline.digest.model import DigestFacts, Matter, Money, count, money_by_currency

WIDTH = 100
LABEL = 16  # columns in front of what a matter says
MOST_NAMES = 12  # sites listed by name in one line
MOST_LINES = 100  # of one list: a mail that is longer is not read


def to_text(facts: DigestFacts) -> str:
    """The whole digest, ending in a newline."""
    blocks = [_top(facts)]
    if facts.new:
        full = [_matter(m) for m in facts.new if m.has_picture]
        short = "\n".join(_lines([m for m in facts.new if not m.has_picture]))
        entries = full + ([short] if short else [])
        blocks.append(_section(f"New since yesterday ({len(facts.new):,})", entries, "\n\n"))
    lists = {
        "Still open, oldest first": facts.still_open,
        "Put off": facts.snoozed,
        "Closed since yesterday": facts.closed,
    }
    blocks += [_section(f"{name} ({len(part):,})", _lines(part)) for name, part in lists.items() if part]
    if facts.revisits:
        blocks.append(_section("Revisits by installer", _revisits(facts)))
    if facts.not_judged:
        blocks.append(_section("Not judged, and why", _not_judged(facts)))
    blocks.append(_section("What came in", _ingest(facts)))
    return "\n\n".join(blocks) + "\n"


def subject(facts: DigestFacts) -> str:
    """The mail's subject, on one line."""
    urgent = sum(m.severity == "urgent" for m in (*facts.new, *facts.still_open))
    words = [f"{len(facts.new):,} new", f"{urgent:,} urgent", f"{len(facts.new) + len(facts.still_open):,} open"]
    return f"{facts.title} {facts.day}: {', '.join(words)}"


def closing(matter: Matter) -> str:
    """How a closed matter was closed."""
    if matter.closed_on is None:
        return ""
    return f"closed {matter.closed_on}, open for {count(matter.days_open, 'day')}"


def state(matter: Matter) -> str:
    """What a person decided about an open matter, or nothing."""
    if matter.status == "snoozed":
        return f"put off until {matter.snoozed_until}"
    return "" if matter.status == "open" else matter.status


def _wrap(text: str, indent: int = 0, first: int | None = None) -> str:
    lines = textwrap.wrap(
        text,
        WIDTH,
        initial_indent=" " * (0 if first is None else first),
        subsequent_indent=" " * indent,
        break_on_hyphens=False,
    )
    return "\n".join(lines)


def _section(heading: str, entries: Iterable[str], gap: str = "\n") -> str:
    return "\n".join([heading, "-" * len(heading), gap.join(entries)])


def _top(facts: DigestFacts) -> str:
    heading = f"{facts.title}, {facts.day:%A} {facts.day.day} {facts.day:%B %Y}"
    figures = [f"  {f.value:>16}  {f.label} ({f.note})" for f in facts.figures]
    return "\n".join([_wrap(heading), "", _wrap(facts.headline), "", *(_wrap(f, 20, 0) for f in figures)])


def _labelled(label: str, text: str) -> str:
    return _wrap(f"{label + ':':<{LABEL - 3}} {text}", LABEL, 2) if text else ""


def losses(loss_kwh: float, cost: Money) -> str:
    """Energy and money lost so far."""
    if loss_kwh < 0.05 and cost.amount < 0.005:
        return "no loss of energy measured"
    return f"{loss_kwh:,.1f} kWh, {cost} so far"


def _matter(m: Matter) -> str:
    came = "" if m.came == "new" else f" ({m.came})"
    span = f"since {m.first_day}, seen on {count(m.finding_days, 'day')}"
    lines = [
        _wrap(f"{m.severity.upper()}  {m.site_name} [{m.site_id}]: {m.title}{came}", 8),
        _labelled("Seen", m.summary),
        _labelled("Measured", m.measured),
        _labelled("Expected", m.expected),
        _labelled("Costs", f"{losses(m.loss_kwh, m.cost)}; {span}"),
        _labelled("Likely cause", m.likely_cause),
        _labelled("Next step", m.next_step),
        _labelled("Revisit", f"by {m.installer or 'an installer: none is in the register'}" if m.needs_revisit else ""),
        _labelled("Hides", ", ".join(h.title for h in m.hides)),
        _labelled("Id", m.exception_id),
    ]
    return "\n".join(line for line in lines if line)


def _lines(matters: Sequence[Matter]) -> list[str]:
    lines = [_line(m) for m in matters[:MOST_LINES]]
    rest = len(matters) - len(lines)
    return [*lines, f"and {rest:,} more: see digest.html or digest.json"] if rest else lines


def _line(m: Matter) -> str:
    age = closing(m) or f"open for {count(m.days_open, 'day')}"
    hides = f"; hides {', '.join(h.title for h in m.hides)}" if m.hides else ""
    decided = f"; {state(m)}" if state(m) and m.status != "closed" else ""
    note = f"; note: {m.note}" if m.note else ""
    head = f"{m.severity:<6}  {m.site_name} [{m.site_id}]: {m.title}; {age}"
    return _wrap(f"{head}; {losses(m.loss_kwh, m.cost)}{decided}{hides}{note} ({m.exception_id})", 8)


def _revisits(facts: DigestFacts) -> Iterable[str]:
    for group in facts.revisits:
        yield _wrap(f"{group.name}: {count(len(group.revisits), 'revisit')}")
        for r in group.revisits:
            yield _wrap(f"{r.site_name} [{r.site_id}]: {r.title}, since {r.since} ({r.exception_id})", 4, 2)


def names(sites: Sequence[str], most: int = MOST_NAMES) -> str:
    """`a, b, c and 4 more`."""
    more = f" and {len(sites) - most:,} more" if len(sites) > most else ""
    return ", ".join(sites[:most]) + more


def _not_judged(facts: DigestFacts) -> Iterable[str]:
    for group in facts.not_judged:
        detectors = ", ".join(group.detectors)
        yield _wrap(f"{count(len(group.sites), 'site')}: {group.reason} ({detectors}): {names(group.sites)}", 2)


def _ingest(facts: DigestFacts) -> Iterable[str]:
    came = facts.ingest
    yield f"{count(came.files, 'file')}, {count(came.rows, 'row')}"
    if came.rejected_rows:
        yield f"{count(came.rejected_rows, 'row')} rejected"
    for reason in came.rejected:
        yield _wrap(f"{count(reason.rows, 'row')}: {reason.reason}", 4, 2)
    for file in came.quarantined:
        yield _wrap(f"quarantined: {file.file}: {file.reason}", 2)
    if came.sites_without_data:
        yield _wrap(f"without data: {names(came.sites_without_data)}", 2)


def totals(matters: Sequence[Matter]) -> str:
    """Sums of energy and, per currency, of money."""
    money = " + ".join(str(m) for m in money_by_currency(matters) if m.amount >= 0.005)
    return f"{sum(m.loss_kwh for m in matters):,.1f} kWh" + (f", {money}" if money else "")
