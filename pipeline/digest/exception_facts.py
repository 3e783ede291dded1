"""One exception as the desk sees it: what changed, what it costs, what to do, from the desk or with a visit."""

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

from detectors.finding import Kind, begins_at, cause_of, filled, next_step_of, title_of, visit_if_of
from pipeline.digest.losses import losses_of
from pipeline.digest.model import WAS, Event, ExceptionFacts, Hidden, Setting, plain
from pipeline.exceptions.revisits import evidence_of, needs_visit

NOT_REGISTERED = "as agreed: the register does not say"


class Known(NamedTuple):
    """What is known of an exception besides its row."""

    before: Mapping[str, Any] | None  # its row at the digest before
    events: Sequence[Mapping[str, Any]]
    decisions: Sequence[Mapping[str, Any]]
    hides: list[Hidden]


_COPIED = (
    *("exception_id", "site_id", "kind", "severity", "status", "opened_on", "first_day", "last_day", "days_open"),
    *("finding_days", "closed_on", "reopened", "snoozed_until", "value", "threshold"),
)


def exception_facts(
    day: date,
    row: Mapping[str, Any],
    site: Mapping[str, Any],
    kinds: Mapping[str, Kind],
    known: Known,
    region: str,
    installers: Mapping[str, str],
) -> ExceptionFacts:
    """The facts of one row of EXCEPTIONS as they stood at the end of `day`."""
    kind = kinds[row["kind"]]
    evidence = evidence_of(row["evidence"])
    values = {**site, **evidence}
    texts: dict[str, Any] = {key: plain(row[key]) for key in ("note", "summary", "measured", "expected", "unit")}
    is_visit = needs_visit(kind, row["severity"], evidence)
    return ExceptionFacts(
        **{key: row[key] for key in _COPIED},
        **texts,
        **_decided(known, day),
        site_name=plain(site["name"]) or row["site_id"],
        region=region,
        installer_id=site["installer_id"],
        installer=plain(installers.get(site["installer_id"] or "")) or site["installer_id"] or "",
        timezone=site["timezone"] or "UTC",
        title=plain(title_of(kind, evidence)),
        change=_change(known.before, row, kinds) if row["status"] in ("open", "acknowledged") else "",
        age_days=max((day - row["first_day"]).days + 1, 1),
        loss=losses_of(row),
        likely_cause=plain(cause_of(kind, evidence)),
        next_step=plain(next_step_of(kind, evidence)),
        where=begins_at(kind, evidence),
        is_visit=is_visit,
        setting=_setting(kind, values),
        command=_one_line(filled(kind.command, values)),
        visit_if=plain(visit_if_of(kind, evidence)) if not is_visit else "",
        hides=known.hides,
        hides_why=kind.hides_why if known.hides else "",
        evidence=evidence,
        events=[
            Event(**{k: one[k] for k in ("at", "event")}, by=plain(one["by"]), note=plain(one["note"]))
            for one in known.events
        ],
        sql=_sql(row, [name for name, about in kinds.items() if (about.group or name) == (kind.group or row["kind"])]),
    )


def _change(before: Mapping[str, Any] | None, row: Mapping[str, Any], kinds: Mapping[str, Kind]) -> str:
    """What changed since the digest before; empty if nothing did."""
    if before is None:
        return "new"
    if before["status"] == "closed":
        return "came back"
    if before["status"] == "snoozed":
        return "put off until today"
    if before["hidden_by"] is not None:
        return "its cause is gone"
    if before["kind"] != row["kind"]:
        return f"{WAS}“{kinds[before['kind']].title if before['kind'] in kinds else before['kind']}”"
    return f"{WAS}{before['severity']}" if before["severity"] != row["severity"] else ""


def _decided(known: Known, day: date) -> dict[str, Any]:
    """Who decided last, up to that day, and for whom."""
    past = [one for one in known.decisions if one["on_day"] <= day]
    if not past:
        return {}
    person = next((one["decided_for"] for one in reversed(past) if one.get("decided_for")), None)
    last = past[-1]
    return {"decided_by": plain(last["decided_by"]), "decided_on": last["on_day"], "decided_for": plain(person)}


def _setting(kind: Kind, values: Mapping[str, Any]) -> Setting | None:
    what, now = plain(filled(kind.setting, values)), plain(filled(kind.now, values))
    if not what or not now:
        return None
    return Setting(what=what, now=now, should_be=plain(filled(kind.should_be, values)) or NOT_REGISTERED)


def _one_line(command: str) -> str:
    return " ".join(plain(command).split())


def quoted(text: str) -> str:
    """A SQL string literal."""
    return "'" + text.replace("'", "''") + "'"


def _sql(row: Mapping[str, Any], group: Sequence[str]) -> str:
    return (
        f"SELECT * FROM finding WHERE site_id = {quoted(row['site_id'])} "
        f"AND kind IN ({', '.join(quoted(name) for name in group)}) "
        f"AND day BETWEEN DATE '{min(row['first_day'], row['opened_on'])}' AND DATE '{row['last_day']}' ORDER BY day"
    )
