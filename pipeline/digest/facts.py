"""What the digest says, as data: page, text, mail and JSON are ways of writing these facts.

Every figure carries the SQL that gives it from the relations that analysts may query.
"""

from collections import defaultdict
from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any, NamedTuple

import polars as pl

from detectors.finding import Kind, title_of
from pipeline.digest.exception_facts import Known, exception_facts
from pipeline.digest.fleet_map import MAP_DAYS, fleet_map
from pipeline.digest.headline import common_causes, figures, headline
from pipeline.digest.model import DigestFacts, ExceptionFacts, Hidden, IngestFacts, InstallerRevisits, Revisit, plain
from pipeline.digest.narrowing import WHOLE, Narrowed
from pipeline.digest.not_judged import not_judged_groups
from pipeline.digest.regions import regions
from pipeline.exceptions.revisits import evidence_of, order, revisits
from pipeline.frames import DECISIONS, EVENTS, NOT_JUDGED

TOP = 20  # exceptions with a card, unless the settings say otherwise
IN_VIEW = ("open", "acknowledged")


class Rules(NamedTuple):
    """What the detectors say of themselves."""

    kinds: Mapping[str, Kind]
    reasons: Mapping[str, Mapping[str, str]] = {}  # detector -> code -> sentence
    families: Mapping[str, str] = {}  # detector -> family


class Around(NamedTuple):
    """What stands around the day: other digests, names, and where the digests can be opened."""

    title: str = ""
    top: int = TOP
    url: str = ""
    made_at: datetime = datetime(1970, 1, 1, tzinfo=UTC)
    previous_day: date | None = None
    next_day: date | None = None
    installers: Mapping[str, str] = {}  # installer_id -> name
    rates: Mapping[str, float] = {}  # currency -> what a unit of it is worth in a common one


ALONE = Around()  # a digest beside which nothing is known


class DayState(NamedTuple):
    """The exceptions of a day as the store and the fold tell them."""

    now: pl.DataFrame  # EXCEPTIONS at the end of the day
    before: pl.DataFrame  # at the end of the day of the digest before
    events: pl.DataFrame = EVENTS.to_frame()
    decisions: pl.DataFrame = DECISIONS.to_frame()
    not_judged: pl.DataFrame = NOT_JUDGED.to_frame()  # of the day
    not_judged_before: pl.DataFrame = NOT_JUDGED.to_frame()  # of the day before
    began: Mapping[str, date] = {}  # site -> the first day that could be judged


def build_facts(
    day: date,
    state: DayState,
    sites: pl.DataFrame,
    site_days: pl.DataFrame,
    ingest: IngestFacts | Mapping[str, Any],
    rules: Rules,
    around: Around = ALONE,
    narrowed: Narrowed = WHOLE,
) -> DigestFacts:
    """The facts of `day`, of the part of the fleet that is asked for; `site_days`: DAYS of the trailing MAP_DAYS."""
    ingest = ingest if isinstance(ingest, IngestFacts) else IngestFacts.model_validate(dict(ingest))
    region_of = regions(sites)
    sites = narrowed.of_sites(sites, region_of)
    state = state._replace(now=narrowed.of_exceptions(state.now))
    site_days = site_days.join(sites.select("site_id"), on="site_id", how="semi")
    today = site_days.filter(pl.col("day") == day)
    of_exceptions, of_sites = narrowed.sql(sites), narrowed.sql_of_sites(sites)
    shown = _shown(day, state, sites, rules.kinds, region_of, around)
    in_view = [one for one in shown if one.status in IN_VIEW]
    cards = {one.exception_id for one in in_view[: max(around.top, 0)]}
    in_view = [one.model_copy(update={"has_card": one.exception_id in cards}) for one in in_view]
    before = {row["exception_id"]: row["status"] for row in state.before.iter_rows(named=True)}
    closed = [one for one in shown if one.status == "closed" and before.get(one.exception_id, "closed") != "closed"]
    return DigestFacts(
        title=plain(around.title) or "Noonmark digest",
        day=day,
        made_at=around.made_at,
        previous_day=around.previous_day,
        next_day=around.next_day,
        url=around.url,
        top=around.top,
        headline=headline(in_view, closed, sites),
        figures=figures(
            day,
            in_view,
            sites,
            today,
            state.not_judged.join(sites, on="site_id", how="semi"),
            (of_exceptions, of_sites),
        ),
        exceptions=in_view,
        common_causes=common_causes(in_view, sites, rules.kinds, state.began),
        snoozed=[one for one in shown if one.status == "snoozed"],
        closed=closed,
        revisits=_revisits(state.now, sites, rules.kinds, around.installers),
        not_judged=not_judged_groups(state.not_judged, state.not_judged_before, sites, rules.reasons, rules.families),
        not_judged_sql=f"SELECT code, reason, detector, site_id FROM not_judged WHERE day = DATE '{day}'{of_sites} "
        "ORDER BY ALL",
        map=fleet_map(day, site_days, sites, region_of),
        map_sql="SELECT site_id, day, performance_pct, specific_yield_kwh_per_kwp FROM site_day "
        f"WHERE day BETWEEN DATE '{day - timedelta(days=MAP_DAYS - 1)}' AND DATE '{day}'{of_sites} "
        "ORDER BY site_id, day",
        ingest=ingest,
        ingest_sql=_ingest_sql(ingest),
    )


def _shown(
    day: date,
    state: DayState,
    sites: pl.DataFrame,
    kinds: Mapping[str, Kind],
    region_of: Mapping[str, str],
    around: Around,
) -> list[ExceptionFacts]:
    """All exceptions that are not hidden behind a cause, worst first, each with what it hides."""
    register = {row["site_id"]: row for row in sites.iter_rows(named=True)}
    known = state.now.filter(pl.col("site_id").is_in(list(register)), pl.col("kind").is_in(list(kinds)))
    rows = list(order(known, around.rates).iter_rows(named=True))
    hides: dict[str, list[Hidden]] = defaultdict(list)
    for row in rows:
        if row["hidden_by"] is not None:
            title = plain(title_of(kinds[row["kind"]], evidence_of(row["evidence"])))
            hidden = Hidden(exception_id=row["exception_id"], title=title, severity=row["severity"])
            hides[row["hidden_by"]].append(hidden)
    before = {row["exception_id"]: row for row in state.before.iter_rows(named=True)}
    events, decisions = _by_exception(state.events), _by_exception(state.decisions)
    made = []
    for row in rows:
        if row["hidden_by"] is None:
            own = row["exception_id"]
            history = Known(before.get(own), events.get(own, []), decisions.get(own, []), hides.get(own, []))
            place = (region_of.get(row["site_id"], ""), around.installers)
            made.append(exception_facts(day, row, register[row["site_id"]], kinds, history, *place))
    return made


def _by_exception(frame: pl.DataFrame) -> dict[str, list[dict[str, Any]]]:
    grouped: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in frame.iter_rows(named=True):
        grouped[row["exception_id"]].append(row)
    return grouped


def _ingest_sql(ingest: IngestFacts) -> str:
    """Gives the rejected rows of the exports that the digest tells."""
    upper = "" if ingest.until_export_id is None else f" AND export_id <= {ingest.until_export_id}"
    return (
        "SELECT reason, COUNT(*) AS rejected_rows FROM rejected_row "
        f"WHERE export_id > {ingest.after_export_id}{upper} GROUP BY reason ORDER BY 2 DESC"
    )


def _revisits(
    exceptions: pl.DataFrame, sites: pl.DataFrame, kinds: Mapping[str, Kind], names: Mapping[str, str]
) -> list[InstallerRevisits]:
    register = {row["site_id"]: row for row in sites.iter_rows(named=True)}
    by_id = {row["exception_id"]: row for row in exceptions.iter_rows(named=True)}
    by_installer: dict[str | None, list[Revisit]] = defaultdict(list)
    for row in revisits(exceptions, sites, kinds).iter_rows(named=True):
        if row["site_id"] in register:
            kind, own = kinds[row["kind"]], by_id[row["exception_id"]]
            title = plain(title_of(kind, evidence_of(own["evidence"])))
            found = _revisit(row, register[row["site_id"]], kind, own["severity"], title)
            by_installer[row["installer_id"] or None].append(found)
    return [
        InstallerRevisits(installer_id=key, name=plain(names.get(key or "")) or key or "no installer known", revisits=v)
        for key, v in sorted(by_installer.items(), key=lambda item: (item[0] is None, item[0] or ""))
    ]


def _revisit(row: Mapping[str, Any], site: Mapping[str, Any], kind: Kind, severity: str, title: str) -> Revisit:
    return Revisit(
        **row,
        site_name=plain(site["name"]) or row["site_id"],
        title=title,
        severity=severity,
        step_list=list(kind.steps or (kind.next_step,)),
        bring=list(kind.bring),
        proof=kind.proof,
        cautions=list(kind.cautions),
        address=plain(site["address"]),
        contact=plain(site["contact"]),
        phone=plain(site["phone"]),
        access_note=plain(site["access_note"]),
        latitude=site["latitude"],
        longitude=site["longitude"],
    )
