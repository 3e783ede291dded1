"""The morning in one sentence, five figures, and the causes that several sites share."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import date

import polars as pl

from detectors.finding import Kind
from pipeline.digest.amounts import count, money_text
from pipeline.digest.exception_facts import quoted
from pipeline.digest.model import CommonCause, ExceptionFacts, Figure, is_new

WORST = 2  # named in the first sentence and in the mail's subject
CLOCK = "clock"  # the group of its kinds
COMMON = 3  # ours: sites of one cause that are told in one line


def lowered(title: str) -> str:
    """The title amid a sentence: its first letter small, unless its first word is an abbreviation."""
    return title if title[:2].isupper() and title[1:2].isalpha() else title[:1].lower() + title[1:]


def worst(in_view: Sequence[ExceptionFacts]) -> str:
    """`Farm Stall (no readings arrive) and Smithy (feeds the grid beyond its limit)`."""
    return " and ".join(f"{one.site_name} ({lowered(one.title)})" for one in in_view[:WORST])


def headline(in_view: Sequence[ExceptionFacts], closed: Sequence[ExceptionFacts], sites: pl.DataFrame) -> str:
    """The worst two by name, then how many there are."""
    watched = sites.filter(pl.col("watched").fill_null(True)).height
    if not in_view:
        nobody = f"none of {watched:,} watched sites has an" if watched != 1 else "the one watched site has no"
        first = f"Nothing needs a look today: {nobody} open exception"
        return first + (f"; {count(len(closed), 'exception')} closed." if closed else ".")
    urgent = [one for one in in_view if one.severity == "urgent"]
    first = f"Urgent: {worst(urgent)}" if urgent else f"Worst: {worst(in_view)}"
    if urgent and (others := in_view[len(urgent) : WORST]):
        first += f"; then {worst(others)}"
    concerned = len({one.site_id for one in in_view})
    new = sum(is_new(one) for one in in_view)
    changed = sum(bool(one.change) for one in in_view) - new
    since = f"{new:,} new" if new else "nothing new"
    if changed:
        since += f", {changed:,} changed"
    if closed:
        since += f", {len(closed):,} closed"
    needs = "needs" if concerned == 1 else "need"
    of_them = f"{concerned:,} of {watched:,} watched sites" if watched != 1 else "The one watched site"
    return f"{first}. {of_them} {needs} a look; {since} since the last digest."


def figures(
    day: date,
    in_view: Sequence[ExceptionFacts],
    sites: pl.DataFrame,
    today: pl.DataFrame,
    not_judged: pl.DataFrame,
    conditions: tuple[str, str] = ("", ""),
) -> list[Figure]:
    """The figures at the head of the page, each with the SQL that gives it.

    `conditions`: what a narrowed digest sets behind others in SQL over `exception`, and over relations of sites.
    """
    of_exceptions, of_sites = conditions
    view = f"status IN ('open', 'acknowledged') AND hidden_by IS NULL{of_exceptions}"
    watched = sites.filter(pl.col("watched").fill_null(True))["site_id"]
    reporting = today.filter(pl.col("site_id").is_in(watched.to_list()), pl.col("readings") > 0)
    doubtful = not_judged.filter(pl.col("site_id").is_in(watched.to_list()))["site_id"].n_unique()
    urgent = [one for one in in_view if one.severity == "urgent"]
    new = [one for one in in_view if is_new(one)]
    visits = sum(one.is_visit for one in in_view)
    ids = ", ".join(quoted(one.exception_id) for one in new) or "NULL"
    return [
        Figure(
            label="urgent",
            value=f"{len(urgent):,}",
            note=f"at {count(len({one.site_id for one in urgent}), 'site')}",
            sql=f"SELECT COUNT(*) FROM exception WHERE {view} AND severity = 'urgent'",
        ),
        Figure(
            label="new",
            value=f"{len(new):,}",
            note="since the last digest",
            sql=f"SELECT * FROM exception WHERE exception_id IN ({ids})",
        ),
        Figure(
            label="open in all",
            value=f"{len(in_view):,}",
            note=f"{count(visits, 'visit')}, the rest from the desk" if visits else "none needs a visit",
            sql=f"SELECT COUNT(*), COUNT(DISTINCT site_id) FROM exception WHERE {view}",
        ),
        Figure(
            label="lost per day",
            value=f"{sum(one.loss.per_day_kwh for one in in_view):,.1f} kWh",
            note=money_text(one.loss.per_day for one in in_view),
            sql="SELECT currency, SUM(loss_per_day_kwh), SUM(cost_per_day) FROM exception "
            f"WHERE {view} GROUP BY currency",
        ),
        Figure(
            label="sites with readings",
            value=f"{reporting.height:,} of {len(watched):,}",
            note=f"{doubtful:,} not judged in some respect" if doubtful else "all of them judged",
            sql="SELECT COUNT(*) FROM site_day JOIN site USING (site_id) "
            f"WHERE watched AND readings > 0 AND day = DATE '{day}'{of_sites}",
        ),
    ]


def common_causes(
    in_view: Sequence[ExceptionFacts], sites: pl.DataFrame, kinds: Mapping[str, Kind], began: Mapping[str, date]
) -> list[CommonCause]:
    """Exceptions of one kind that began on one day at COMMON sites or more of one profile, else of one region.

    What was there on a site's first day of all (`began`) shares no day with others. Wrong clocks share a cause where
    they are to be set alike, which those that were never right may be.
    """
    profile = dict(sites.select("site_id", "profile").iter_rows())
    groups: dict[tuple[str, date, str, str], list[ExceptionFacts]] = defaultdict(list)
    for one in in_view:
        shared = f"of profile {profile[one.site_id]}" if profile.get(one.site_id) else f"around {one.region}"
        is_clock = kinds[one.kind].group == CLOCK
        alike = one.setting.should_be if is_clock and one.setting else ""
        if is_clock or one.first_day > began.get(one.site_id, date.min):
            groups[one.kind, one.first_day, shared, alike].append(one)
    return [
        CommonCause(
            text=f"{len(members):,} sites {shared} since {since}: {lowered(kinds[kind].title)}. One cause is likely.",
            kind=kind,
            since=since,
            exception_ids=[one.exception_id for one in members],
        )
        for (kind, since, shared, _), members in groups.items()
        if len({one.site_id for one in members}) >= COMMON
    ]
