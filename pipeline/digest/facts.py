"""What the digest says, as data: the page, the text and the JSON are three ways of writing these facts.

Every figure carries the SQL that gives it from the relations that analysts may query.
"""

import json
import statistics
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import polars as pl

from detectors.finding import Kind
from pipeline.digest.model import (
    DigestFacts,
    Figure,
    FleetMap,
    Hidden,
    IngestFacts,
    InstallerRevisits,
    MapRow,
    Matter,
    Money,
    NotJudgedGroup,
    Revisit,
    count,
    money_text,
    plain,
)
from pipeline.exceptions.revisits import order, revisits

MAP_DAYS = 30  # as far back as the page's map of days reaches
TOP = 20  # exceptions with a picture, unless the settings say otherwise


def build_facts(
    day: date,
    exceptions_now: pl.DataFrame,
    exceptions_yesterday: pl.DataFrame,
    sites: pl.DataFrame,
    site_days: pl.DataFrame,
    not_judged: pl.DataFrame,
    ingest: IngestFacts | Mapping[str, Any],
    kinds: Mapping[str, Kind],
    *,
    title: str = "",
    top: int = TOP,
    installers: Mapping[str, str] | None = None,
    reasons: Mapping[str, Mapping[str, str]] | None = None,
    rates: Mapping[str, float] | None = None,
) -> DigestFacts:
    """The facts of `day`: exceptions folded to the end of `day` and of the day before, DAYS of the trailing 30 days,
    NOT_JUDGED of the day. `installers` names them by installer_id, `reasons` are the detectors' sentences by code,
    `rates` what a unit of each currency is worth."""
    ingest = ingest if isinstance(ingest, IngestFacts) else IngestFacts.model_validate(dict(ingest))
    register = {row["site_id"]: row for row in sites.iter_rows(named=True)}
    known = exceptions_now.filter(pl.col("site_id").is_in(list(register)), pl.col("kind").is_in(list(kinds)))
    before = {row["exception_id"]: row for row in exceptions_yesterday.iter_rows(named=True)}
    hides: dict[str, list[Hidden]] = defaultdict(list)
    shown: list[Matter] = []
    for row in order(known, rates).iter_rows(named=True):
        if row["hidden_by"] is not None:
            hides[row["hidden_by"]].append(
                Hidden(exception_id=row["exception_id"], title=kinds[row["kind"]].title, severity=row["severity"])
            )
        else:
            site, kind = register[row["site_id"]], kinds[row["kind"]]
            group = [name for name, about in kinds.items() if (about.group or name) == (kind.group or row["kind"])]
            shown.append(_matter(row, before.get(row["exception_id"]), site, kind, group, installers or {}))
    shown = [m.model_copy(update={"hides": hides[m.exception_id]}) if m.exception_id in hides else m for m in shown]

    in_view = [m for m in shown if m.status in ("open", "acknowledged")]
    new = [m for m in in_view if m.came]
    old = [m for m in in_view if not m.came]
    pictured = {m.exception_id for m in (new + old)[: max(top, 0)]}
    new = [_with_picture(m, pictured) for m in new]
    still_open = sorted((_with_picture(m, pictured) for m in old), key=lambda m: m.opened_on)
    closed = [m for m in shown if m.status == "closed" and _was_open(before.get(m.exception_id))]
    day_of_fleet = site_days.filter(pl.col("day") == day)
    return DigestFacts(
        title=plain(title) or "Noonmark digest",
        day=day,
        top=top,
        headline=_headline(new, in_view, closed, sites),
        figures=_figures(day, new, in_view, sites, day_of_fleet, not_judged),
        new=new,
        still_open=still_open,
        snoozed=[m for m in shown if m.status == "snoozed"],
        closed=closed,
        revisits=_revisits(exceptions_now, sites, kinds, register, installers or {}),
        not_judged=_not_judged(not_judged, sites, reasons or {}),
        not_judged_sql=f"SELECT code, reason, detector, site_id FROM not_judged WHERE day = DATE '{day}' ORDER BY ALL",
        map=_fleet_map(day, site_days, sites),
        map_sql="SELECT site_id, day, performance_pct, specific_yield_kwh_per_kwp FROM site_day "
        f"WHERE day BETWEEN DATE '{day - timedelta(days=MAP_DAYS - 1)}' AND DATE '{day}' ORDER BY site_id, day",
        ingest=ingest,
        ingest_sql=_ingest_sql(ingest),
    )


def _ingest_sql(told: IngestFacts) -> str:
    """Gives the rejected rows of the exports that the digest tells."""
    upper = "" if told.until_export_id is None else f" AND export_id <= {told.until_export_id}"
    return (
        "SELECT reason, COUNT(*) AS rejected_rows FROM rejected_row "
        f"WHERE export_id > {told.after_export_id}{upper} GROUP BY reason ORDER BY 2 DESC"
    )


def quoted(text: str) -> str:
    """A SQL string literal."""
    return "'" + text.replace("'", "''") + "'"


def _was_open(row: Mapping[str, Any] | None) -> bool:
    return row is not None and row["status"] != "closed"


def _came(before: Mapping[str, Any] | None) -> str:
    """Why an exception that is in view today was not in view yesterday; empty if it was."""
    if before is None:
        return "new"
    if before["status"] == "closed":
        return "came back"
    if before["status"] == "snoozed":
        return "put off until today"
    return "was hidden behind another matter" if before["hidden_by"] is not None else ""


_COPIED = (
    *("exception_id", "site_id", "kind", "severity", "status", "opened_on", "first_day", "last_day", "days_open"),
    *("finding_days", "closed_on", "reopened", "snoozed_until", "loss_kwh", "value", "threshold"),
)


def _matter(
    row: Mapping[str, Any],
    before: Mapping[str, Any] | None,
    site: Mapping[str, Any],
    kind: Kind,
    group: Sequence[str],
    installers: Mapping[str, str],
) -> Matter:
    texts: dict[str, Any] = {key: plain(row[key]) for key in ("note", "summary", "measured", "expected", "unit")}
    return Matter(
        **{key: row[key] for key in _COPIED},
        **texts,
        site_name=plain(site["name"]) or row["site_id"],
        installer_id=site["installer_id"],
        installer=plain(installers.get(site["installer_id"] or "")) or site["installer_id"] or "",
        timezone=site["timezone"] or "UTC",
        title=kind.title,
        cost=Money(amount=row["cost"], currency=row["currency"] or "?"),
        likely_cause=kind.cause,
        next_step=kind.next_step,
        needs_revisit=kind.revisit,
        came=_came(before) if row["status"] in ("open", "acknowledged") else "",
        evidence=_evidence(row["evidence"]),
        sql=f"SELECT * FROM finding WHERE site_id = {quoted(row['site_id'])} "
        f"AND kind IN ({', '.join(quoted(name) for name in group)}) "
        f"AND day BETWEEN DATE '{min(row['first_day'], row['opened_on'])}' AND DATE '{row['last_day']}' ORDER BY day",
    )


def _evidence(text: str | None) -> dict[str, Any]:
    try:
        evidence = json.loads(text or "{}")
    except json.JSONDecodeError:
        return {}
    return evidence if isinstance(evidence, dict) else {}


def _with_picture(matter: Matter, pictured: set[str]) -> Matter:
    return matter.model_copy(update={"has_picture": matter.exception_id in pictured})


def _headline(new: Sequence[Matter], in_view: Sequence[Matter], closed: Sequence[Matter], sites: pl.DataFrame) -> str:
    watched = sites.filter(pl.col("watched").fill_null(True)).height
    concerned = len({m.site_id for m in in_view})
    urgent_new = sum(m.severity == "urgent" for m in new)
    urgent_old = sum(m.severity == "urgent" for m in in_view) - urgent_new
    if not in_view:
        first = f"Nothing needs a look today: none of {count(watched, 'watched site')} has an open matter"
        return first + (f"; {count(len(closed), 'matter')} closed." if closed else ".")
    if new:
        first = f"{count(len(new), 'matter')} new since yesterday"
        if urgent_new:
            first += ", urgent" if len(new) == 1 else f", {urgent_new:,} of them urgent"
    else:
        first = "Nothing new since yesterday"
    if urgent_old:
        first += f"; {urgent_old:,} urgent from before still open"
    needs = "needs" if concerned == 1 else "need"
    return f"{first}; {concerned:,} of {count(watched, 'watched site')} {needs} a look."


def _figures(
    day: date,
    new: Sequence[Matter],
    in_view: Sequence[Matter],
    sites: pl.DataFrame,
    today: pl.DataFrame,
    not_judged: pl.DataFrame,
) -> list[Figure]:
    view = "status IN ('open', 'acknowledged') AND hidden_by IS NULL"
    watched = sites.filter(pl.col("watched").fill_null(True))["site_id"]
    reporting = today.filter(pl.col("site_id").is_in(watched.to_list()), pl.col("readings") > 0)
    doubtful = not_judged.filter(pl.col("site_id").is_in(watched.to_list()))["site_id"].n_unique()
    urgent = [m for m in in_view if m.severity == "urgent"]
    ids = ", ".join(quoted(m.exception_id) for m in new) or "NULL"
    came_back = sum(m.came != "new" for m in new)
    return [
        Figure(
            label="new",
            value=f"{len(new):,}",
            note=f"{came_back:,} of them back from before" if came_back else "since yesterday",
            sql=f"SELECT * FROM exception WHERE exception_id IN ({ids})",
        ),
        Figure(
            label="urgent",
            value=f"{len(urgent):,}",
            note=f"at {count(len({m.site_id for m in urgent}), 'site')}",
            sql=f"SELECT COUNT(*) FROM exception WHERE {view} AND severity = 'urgent'",
        ),
        Figure(
            label="open in all",
            value=f"{len(in_view):,}",
            note=f"at {count(len({m.site_id for m in in_view}), 'site')}",
            sql=f"SELECT COUNT(*), COUNT(DISTINCT site_id) FROM exception WHERE {view}",
        ),
        Figure(
            label="lost by what is open",
            value=f"{sum(m.loss_kwh for m in in_view):,.1f} kWh",
            note=money_text(in_view),
            sql=f"SELECT currency, SUM(loss_kwh), SUM(cost) FROM exception WHERE {view} GROUP BY currency",
        ),
        Figure(
            label="sites with readings",
            value=f"{reporting.height:,} of {len(watched):,}",
            note=f"{doubtful:,} not judged in some respect" if doubtful else "all of them judged",
            sql="SELECT COUNT(*) FROM site_day JOIN site USING (site_id) "
            f"WHERE watched AND readings > 0 AND day = DATE '{day}'",
        ),
    ]


def _revisits(
    exceptions: pl.DataFrame,
    sites: pl.DataFrame,
    kinds: Mapping[str, Kind],
    register: Mapping[str, Mapping[str, Any]],
    names: Mapping[str, str],
) -> list[InstallerRevisits]:
    severity = dict(exceptions.select("exception_id", "severity").iter_rows())
    by_installer: dict[str | None, list[Revisit]] = defaultdict(list)
    for row in revisits(exceptions, sites, kinds).iter_rows(named=True):
        if row["site_id"] not in register:
            continue
        extra = {
            "site_name": plain(register[row["site_id"]]["name"]) or row["site_id"],
            "title": kinds[row["kind"]].title,
            "severity": severity[row["exception_id"]],
        }
        by_installer[row["installer_id"] or None].append(Revisit(**row, **extra))
    return [
        InstallerRevisits(installer_id=key, name=plain(names.get(key or "")) or key or "no installer known", revisits=v)
        for key, v in sorted(by_installer.items(), key=lambda item: (item[0] is None, item[0] or ""))
    ]


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


def _not_judged(
    not_judged: pl.DataFrame, sites: pl.DataFrame, sentences: Mapping[str, Mapping[str, str]]
) -> list[NotJudgedGroup]:
    """One group per reason, whatever its figures; `sentences` = detector -> code -> sentence."""
    watched = sites.filter(pl.col("watched").fill_null(True))["site_id"].to_list()
    groups: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for row in not_judged.filter(pl.col("site_id").is_in(watched)).iter_rows(named=True):
        template = sentences.get(row["detector"], {}).get(row["code"] or "", "")
        groups[(template and row["code"], template or row["reason"])].append(row)
    folded = [
        NotJudgedGroup(
            code=code or None,
            reason=_sentence(template, rows) if code else plain(template),
            detectors=sorted({row["detector"] for row in rows}),
            sites=sorted({row["site_id"] for row in rows}),
        )
        for (code, template), rows in groups.items()
    ]
    return sorted(folded, key=lambda group: (-len(group.sites), group.reason))


def _sentence(template: str, rows: Sequence[Mapping[str, Any]]) -> str:
    """`voltage known for {coverage_pct:.0f} % of the week` of several sites: `... for 12 to 54 % ...`."""
    told = [json.loads(row["values"] or "{}") for row in rows]
    names = {name for values in told for name in values}
    return plain(template.format(**{name: _Several([values.get(name) for values in told]) for name in names}))


def _fleet_map(day: date, site_days: pl.DataFrame, sites: pl.DataFrame) -> FleetMap:
    """Performance in %; a site with no known performance in the span is set against the fleet's median of the day."""
    first = day - timedelta(days=MAP_DAYS - 1)
    days = [first + timedelta(days=i) for i in range(MAP_DAYS)]
    watched = sites.filter(pl.col("watched").fill_null(True)).select("site_id", "name")
    fleet = site_days.filter(pl.col("day").is_between(first, day)).join(watched, on="site_id", how="inner")
    median = pl.col("specific_yield_kwh_per_kwp").median().over("day")
    fleet = fleet.with_columns(
        relative=pl.when(median > 0).then(pl.col("specific_yield_kwh_per_kwp") / median * 100),
        is_known=pl.col("performance_pct").is_not_null().any().over("site_id"),
    ).with_columns(shown=pl.when("is_known").then("performance_pct").otherwise("relative"))
    rows = []
    for (site_id, name, is_known), part in fleet.group_by("site_id", "name", "is_known"):
        by_day = dict(part.select("day", "shown").iter_rows())
        values = [_percent(by_day.get(d)) for d in days]
        if any(value is not None for value in values):
            basis = "performance" if is_known else "fleet"
            rows.append(
                MapRow(site_id=str(site_id), site_name=plain(str(name)) or str(site_id), basis=basis, values=values)
            )
    rows.sort(key=lambda row: (_recent(row.values), row.site_id))
    columns = [[v for v in column if v is not None] for column in zip(*(row.values for row in rows), strict=True)]
    medians = [_percent(statistics.median(c)) if c else None for c in columns] or [None] * MAP_DAYS
    return FleetMap(days=days, median=medians, rows=rows)


def _percent(value: float | None) -> int | None:
    return None if value is None or value != value or abs(value) == float("inf") else round(value)


def _recent(values: Sequence[int | None]) -> float:
    known = [value for value in values[-7:] if value is not None]
    return sum(known) / len(known) if known else float("inf")
