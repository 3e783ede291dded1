"""From findings to exceptions: what stays open over days, and what a person decided about it.

An exception is a pure fold over the whole history (findings, judged days, decisions), so a day that is judged anew,
late data or a re-run give what living through it would have given.

The life of one exception is told in pipeline/exceptions/course.py. Per site and group of kinds (`Kind.group`; most
kinds are a group of their own) its kind is its present diagnosis, the one of the latest day with a finding: of several
findings on a day the kind that comes first in the order of trust, of one kind the worst.

Sites that are not watched, or not in the register, and kinds that no detector claims raise nothing.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, timedelta
from itertools import chain, groupby
from operator import itemgetter
from typing import Any

import numpy as np
import polars as pl

from detectors.finding import Kind
from pipeline.exceptions import losses as day_losses
from pipeline.exceptions.causes import hide_effects
from pipeline.exceptions.changes import Folded, Found, Opened
from pipeline.exceptions.course import Course
from pipeline.exceptions.revisits import SEVERITIES
from pipeline.frames import EVENTS, EXCEPTIONS

TOLD = ("severity", "summary", "evidence", "measured", "expected", "value", "unit", "threshold")
TellingOf = Callable[[Iterable[int]], pl.DataFrame]  # numbers of findings -> [number, *TOLD]


def fold(
    findings: pl.DataFrame,
    judged: pl.DataFrame,
    not_judged: pl.DataFrame,
    decisions: pl.DataFrame,
    sites: pl.DataFrame,
    kinds: Mapping[str, Kind],
    detectors: Mapping[str, str],
    *,
    day: date,
    losses: pl.DataFrame | None = None,
    first_days: Mapping[str, date] | None = None,
) -> Folded:
    """EXCEPTIONS as they stood at the end of `day`, closed ones included, ordered by exception_id, and their EVENTS.

    `kinds` in their order of trust; `detectors` names the detector of each kind; `losses` are LOSSES (None: each
    finding tells of its own day alone); `first_days` tells of each site the first day that could be judged. Later rows
    and decisions are left out of account.
    """
    return fold_at(
        findings, judged, not_judged, decisions, sites, kinds, detectors,
        days=[day], losses=losses, first_days=first_days,
    )[0]  # fmt: skip


def fold_at(
    findings: pl.DataFrame,
    judged: pl.DataFrame,
    not_judged: pl.DataFrame,
    decisions: pl.DataFrame,
    sites: pl.DataFrame,
    kinds: Mapping[str, Kind],
    detectors: Mapping[str, str],
    *,
    days: Sequence[date],
    losses: pl.DataFrame | None = None,
    first_days: Mapping[str, date] | None = None,
    telling_of: TellingOf | None = None,
) -> list[Folded]:
    """`fold` at the end of each of `days`, in rising order, in one pass.

    With `telling_of` the findings are without TOLD but for severity, summary and value, and have a `number`: of years
    of them, what a few say is read.
    """
    day = days[-1]
    watched = sites.filter(pl.col("watched").fill_null(True))
    currency = dict(watched.select("site_id", "currency").iter_rows())
    losses = day_losses.of_findings(findings) if losses is None else losses
    if telling_of is None:
        findings = findings.sort("evidence", nulls_last=True).with_row_index("number")
        telling_of = _telling_of(findings)
    rows = _sorted_findings(findings, currency, kinds, day)
    judged_days = _judged_days(judged, rows["site_id"].unique(), day)
    skipped_days = _skipped_days(not_judged, judged_days.keys(), day)
    decided = _decisions_by_prefix(decisions, day)
    groups = {kind: about.group or kind for kind, about in kinds.items()}
    losses_at = day_losses.in_force_at(losses, groups, days)
    first_days = first_days or {}

    tables: list[list[dict[str, Any]]] = [[] for _ in days]
    events: list[list[dict[str, Any]]] = [[] for _ in days]
    ordinals = [one.toordinal() for one in days]
    for (site_id, group), of_group in groupby(rows.iter_rows(), itemgetter(0, 1)):
        prefix = f"{site_id}-{group}-"
        own = [Found(*row) for _, _, *row in of_group]
        skipped = {one.kind: skipped_days.get((site_id, detectors.get(one.kind, one.kind))) for one in own}
        course = Course(prefix, kinds, own, decided.get(prefix, []), judged_days[site_id], skipped)
        for place, (on, stand) in enumerate(zip(days, course.run(ordinals), strict=True)):
            not_before = first_days.get(site_id)
            for one in stand:
                row = _row(one, site_id, detectors, currency[site_id], on, not_before)
                lost = losses_at[place].get((site_id, group), day_losses.NO_LOSSES)
                clear = course.clear[row["kind"]]
                clear = clear[clear > row["found_from"].toordinal()]  # before it, the fault was there unfound
                row |= day_losses.sum_up(lost, clear, first=row["first_day"], last=row["last_day"])._asdict()
                tables[place].append(row)
                events[place] += one.events
                not_before = row["last_day"] + timedelta(days=1)  # what came before is the exception's before it
    told = telling_of({row["number"] for table in tables for row in table})
    by_number = {row["number"]: row for row in told.iter_rows(named=True)}
    for row in chain.from_iterable(tables):
        row |= by_number[row["number"]]
    for table in tables:
        hide_effects(table, kinds)
    return [
        Folded(
            pl.DataFrame([{name: row[name] for name in EXCEPTIONS} for row in table], schema=EXCEPTIONS).sort(
                "exception_id"
            ),
            pl.DataFrame(event_rows, schema=EVENTS, orient="row").sort("exception_id", "event_no"),
        )
        for table, event_rows in zip(tables, events, strict=True)
    ]


def _telling_of(findings: pl.DataFrame) -> TellingOf:
    return lambda numbers: findings.filter(pl.col("number").is_in(list(numbers))).select("number", *TOLD)


def _sorted_findings(
    findings: pl.DataFrame, sites: Iterable[str], kinds: Mapping[str, Kind], day: date
) -> pl.DataFrame:
    """[site_id, group, and Found's] one row per site, group and day: of several kinds the most trusted, of one kind
    the worst."""
    rank = pl.col("severity").replace_strict({s: i for i, s in enumerate(SEVERITIES)}, default=9, return_dtype=pl.Int8)
    order = {kind: i for i, kind in enumerate(kinds)}
    groups = {kind: about.group or kind for kind, about in kinds.items()}
    by = ("site_id", "group", "day")
    return (
        findings.filter(
            pl.col("day") <= day, pl.col("site_id").is_in(list(sites)), pl.col("kind").is_in(list(kinds.keys()))
        )
        .with_columns(
            group=pl.col("kind").replace_strict(groups, return_dtype=pl.String),
            trust=pl.col("kind").replace_strict(order, return_dtype=pl.Int32),
        )
        .sort(*by, "trust", rank, -pl.col("value").abs(), "summary", "number", nulls_last=True)
        .unique(by, keep="first", maintain_order=True)
        .select("site_id", "group", "number", _ordinal("day"), "kind", "severity", _ordinal("since"))
    )


def _ordinal(name: str) -> pl.Expr:
    return pl.col(name).cast(pl.Int32) + date(1970, 1, 1).toordinal()


def _judged_days(judged: pl.DataFrame, sites: pl.Series, day: date) -> dict[str, np.ndarray]:
    wanted = judged.filter(pl.col("day") <= day, pl.col("site_id").is_in(sites.implode()))
    held = _days_by(wanted, "site_id")
    none = np.empty(0, dtype=np.int32)
    return {site: held.get((site,), none) for site in sites}


def _skipped_days(not_judged: pl.DataFrame, sites: Iterable[str], day: date) -> dict[tuple[Any, ...], np.ndarray]:
    wanted = not_judged.filter(pl.col("day") <= day, pl.col("site_id").is_in(list(sites)))
    return _days_by(wanted, "site_id", "detector")


def _days_by(rows: pl.DataFrame, *by: str) -> dict[tuple[Any, ...], np.ndarray]:
    """The days of each, as ordinals in rising order, each once."""
    days = rows.select(*by, _ordinal("day")).unique().sort(*by, "day").partition_by(*by, as_dict=True)
    return {key: part["day"].to_numpy() for key, part in days.items()}


def _decisions_by_prefix(decisions: pl.DataFrame, day: date) -> dict[str, list[dict[str, Any]]]:
    by_prefix = defaultdict(list)
    in_order = decisions.filter(pl.col("on_day") <= day).sort(
        "on_day", "decided_at", "exception_id", "action", "until", "note", nulls_last=True
    )
    for row in in_order.iter_rows(named=True):
        prefix, dash, _ = row["exception_id"].rpartition("-")
        by_prefix[prefix + dash].append(row)
    return by_prefix


def _row(
    one: Opened, site_id: str, detectors: Mapping[str, str], currency: str | None, day: date, not_before: date | None
) -> dict[str, Any]:
    """The row of EXCEPTIONS but for its losses and TOLD, with `found_from`, the first day with a finding, and the
    `number` of the latest finding."""
    latest = one.findings[-1]
    is_snoozed = one.closed_on is None and one.snoozed_until is not None and day < one.snoozed_until
    return {
        "exception_id": one.exception_id,
        "site_id": site_id,
        "kind": latest.kind,
        "number": latest.number,
        "status": "snoozed" if is_snoozed else one.status,
        "opened_on": date.fromordinal(one.opened_on),
        "first_day": day_losses.first_day(one.findings, not_before=not_before),
        "found_from": date.fromordinal(one.findings[0].day),
        "last_day": date.fromordinal(latest.day),
        "days_open": (one.closed_on or day.toordinal()) - one.opened_on,
        "currency": currency,
        "closed_on": None if one.closed_on is None else date.fromordinal(one.closed_on),
        "reopened": one.reopened,
        "snoozed_until": one.snoozed_until if is_snoozed else None,
        "note": one.note,
        "hidden_by": None,
        "finding_days": len(one.findings),
        "clear_days": one.clear,
        "detector": detectors.get(latest.kind, latest.kind),
    }
