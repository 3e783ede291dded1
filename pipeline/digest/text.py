"""The digest as plain text, for the terminal and the plain part of the mail; no line is wider than 100 columns."""

import textwrap
from collections.abc import Iterable, Sequence
from datetime import date

from pipeline.digest.amounts import count, money_text
from pipeline.digest.headline import worst
from pipeline.digest.links import full
from pipeline.digest.model import DigestFacts, ExceptionFacts, Losses
from pipeline.digest.not_judged import lines as not_judged_lines

WIDTH = 100
LABEL = 16  # columns in front of what an exception says
MAX_NAMES = 12  # sites listed by name in one line
MAX_LINES = 100  # of one list: a mail that is longer is not read


def to_text(facts: DigestFacts) -> str:
    """The whole digest, ending in a newline."""
    blocks = [top(facts), *(_wrap(cause.text) for cause in facts.common_causes)]
    full_ones = [_entry(one) for one in facts.exceptions if one.has_card]
    short = "\n".join(_lines([one for one in facts.exceptions if not one.has_card]))
    entries = full_ones + ([short] if short else [])
    if entries:
        blocks.append(_section(f"Exceptions, worst first ({len(facts.exceptions):,})", entries, "\n\n"))
    lists = {"Put off": facts.snoozed, "Closed since the last digest": facts.closed}
    blocks += [_section(f"{name} ({len(part):,})", _lines(part)) for name, part in lists.items() if part]
    if facts.revisits:
        blocks.append(_section("Visits by installer", _revisits(facts)))
    if facts.not_judged:
        blocks.append(_section("Not judged, and why", _not_judged(facts)))
    blocks.append(_section("What came in", _ingest(facts)))
    return "\n\n".join(blocks) + "\n"


def to_short_text(facts: DigestFacts, first: Sequence[ExceptionFacts]) -> str:
    """The mail's plain part: the sentence, a line per exception of the table, the link; ending in a newline."""
    blocks = [_wrap(facts.headline), *(_wrap(cause.text) for cause in facts.common_causes)]
    if first:
        blocks.append("\n".join(_line(one) for one in first))
    rest = len(facts.exceptions) - len(first)
    if rest > 0:
        blocks.append(f"and {rest:,} more on the page.")
    link = full(facts.url, facts.day)
    blocks.append(f"The page: {link}" if link else "The page is attached.")
    return "\n\n".join(blocks) + "\n"


def subject(facts: DigestFacts) -> str:
    """The mail's subject, on one line: the worst two by name, and the day."""
    day = f"{facts.day.day} {facts.day:%B}"
    if not facts.exceptions:
        return f"{facts.title}: nothing needs a look, {day}"
    urgent = facts.count_of("urgent")
    rest = len(facts.exceptions) - len(facts.exceptions[:2])
    more = f" and {rest:,} more" if rest else ""
    return f"{facts.title}: {f'{urgent:,} urgent, ' if urgent else ''}{worst(facts.exceptions)}{more}, {day}"


def closing(one: ExceptionFacts) -> str:
    """How a closed exception was closed."""
    if one.closed_on is None:
        return ""
    by = f" by {one.decided_by}" if one.decided_by and one.decided_on == one.closed_on else ""
    return f"closed{by} on {_day(one.closed_on)}, open for {count(one.days_open, 'day')}"


def state(one: ExceptionFacts) -> str:
    """Where an exception stands, and who has it."""
    if one.closed_on is not None:
        return closing(one)
    by = f" by {one.decided_by} on {_day(one.decided_on)}" if one.decided_by and one.decided_on else ""
    person = f", with {one.decided_for}" if one.decided_for else ""
    if one.status == "snoozed" and one.snoozed_until is not None:
        return f"put off until {_day(one.snoozed_until)}{by}{person}"
    return f"{one.status}{by if one.status != 'open' else ''}{person}"


def losses(loss: Losses) -> str:
    """Energy and money, per day and so far."""
    if not loss.is_known:
        return loss.instead
    return (
        f"{loss.per_day_kwh:,.1f} kWh, {loss.per_day} per day; {loss.so_far_kwh:,.1f} kWh, {loss.so_far} so far; "
        f"{loss.if_left} in all if left 30 days more"
    )


def totals(exceptions: Sequence[ExceptionFacts]) -> str:
    """Energy and money of a list, per day."""
    kwh = sum(one.loss.per_day_kwh for one in exceptions)
    return f"{kwh:,.1f} kWh and {money_text(one.loss.per_day for one in exceptions)} per day"


def names(sites: Sequence[str], max_count: int = MAX_NAMES) -> str:
    """`a; b; c and 4 more`; names may hold commas."""
    more = f" and {len(sites) - max_count:,} more" if len(sites) > max_count else ""
    return "; ".join(sites[:max_count]) + more


def _day(day: date) -> str:
    return f"{day.day} {day:%B}"


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


def top(facts: DigestFacts) -> str:
    """Title, sentence and figures."""
    heading = f"{facts.title}, {facts.day:%A} {facts.day.day} {facts.day:%B %Y}"
    figures = [f"  {f.value:>16}  {f.label} ({f.note})" for f in facts.figures]
    return "\n".join([_wrap(heading), "", _wrap(facts.headline), "", *(_wrap(f, 20, 0) for f in figures)])


def _labelled(label: str, text: str) -> str:
    return _wrap(f"{label + ':':<{LABEL - 3}} {text}", LABEL, 2) if text else ""


def remedy(one: ExceptionFacts) -> str:
    """From the desk, with a visit, or only to be watched."""
    if one.is_visit:
        return f"visit by {one.installer or 'an installer: none is in the register'}"
    if one.severity == "watch":
        return "nobody is sent: only to be watched"
    return f"from the desk; a visit only if {one.visit_if}" if one.visit_if else "from the desk"


def _entry(one: ExceptionFacts) -> str:
    change = f" ({one.change})" if one.change else ""
    setting = one.setting and f"{one.setting.what}: now {one.setting.now}, should be {one.setting.should_be}"
    lines = [
        _wrap(f"{one.severity.upper()}  {one.site_name} [{one.site_id}]: {one.title}{change}", 8),
        _labelled("Seen", one.summary),
        _labelled("Since", f"{one.first_day}, {count(one.age_days, 'day')}; {state(one)}"),
        _labelled("Note", one.note),
        _labelled("Costs", losses(one.loss)),
        _labelled("Measured", one.measured),
        _labelled("Expected", one.expected),
        _labelled("Likely cause", one.likely_cause),
        _labelled("Next step", one.next_step),
        _labelled("Remedy", remedy(one)),
        _labelled("Setting", setting or ""),
        _labelled("Command", one.command),
        _labelled("Explains", ", ".join(h.title for h in one.hides)),
        _labelled("Id", one.exception_id),
    ]
    return "\n".join(line for line in lines if line)


def _lines(exceptions: Sequence[ExceptionFacts]) -> list[str]:
    lines = [_line(one) for one in exceptions[:MAX_LINES]]
    rest = len(exceptions) - len(lines)
    return [*lines, f"and {rest:,} more: see digest.html or digest.json"] if rest else lines


def _line(one: ExceptionFacts) -> str:
    hides = f"; explains {', '.join(h.title for h in one.hides)}" if one.hides else ""
    note = f"; note: {one.note}" if one.note else ""
    change = f" ({one.change})" if one.change else ""
    cost = f"{one.loss.per_day_kwh:,.1f} kWh, {one.loss.per_day} per day" if one.loss.is_known else one.loss.instead
    head = f"{one.severity:<6}  {one.site_name} [{one.site_id}]: {one.title}{change}; since {one.first_day}"
    who = "visit" if one.is_visit else "watch" if one.severity == "watch" else "desk"
    return _wrap(f"{head}; {cost}; {who}; {state(one)}{hides}{note} ({one.exception_id})", 8)


def _revisits(facts: DigestFacts) -> Iterable[str]:
    for group in facts.revisits:
        yield _wrap(f"{group.name}: {count(len(group.revisits), 'visit')}")
        for r in group.revisits:
            yield _wrap(f"{r.site_name} [{r.site_id}]: {r.title}, since {r.since} ({r.exception_id})", 4, 2)


def _not_judged(facts: DigestFacts) -> Iterable[str]:
    for line in not_judged_lines(facts.not_judged):
        new = "New: " if line.is_new else ""
        yield _wrap(f"{new}{count(len(line.names), 'site')}: {line.reason} ({line.what}): {names(line.names)}", 2)


def _ingest(facts: DigestFacts) -> Iterable[str]:
    came = facts.ingest
    yield f"{count(came.files, 'file')}, {count(came.rows, 'row')}"
    if came.rejected_rows:
        yield f"{count(came.rejected_rows, 'row')} rejected"
    for reason in came.rejected:
        yield _wrap(f"{count(reason.rows, 'row')}: {reason.reason}", 4, 2)
    for file in came.quarantined:
        more = f" and {file.count - 1:,} more" if file.count > 1 else ""
        yield _wrap(f"quarantined: {file.file}{more}: {file.reason}", 2)
    if came.sites_without_data:
        yield _wrap(f"without data: {names(came.sites_without_data, 40)}", 2)
