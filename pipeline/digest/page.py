"""The digest as one HTML page that stands alone: nothing fetched, pictures inline, whole without a script."""

from collections.abc import Sequence

from pipeline.digest.charts import pictures
from pipeline.digest.links import HERE
from pipeline.digest.model import DigestFacts, ExceptionFacts, FleetMap, MapRow
from pipeline.digest.rendering import BANDS, environment

MAP_ROWS = 60  # ours: what can be looked through on one screen; the sites behind are the better ones
MAX_LISTED = 200  # ours: rows of one table; a longer list is read with the command or the SQL beside it
FIRST = 10  # ours: rows of the table at the top, unless more are urgent
FILTER_FROM = 12  # ours: fewer exceptions are seen at a glance


def to_html(facts: DigestFacts) -> str:
    """The page, below 1 MB for 1,000 sites with 80 exceptions."""
    cards = [one for one in facts.exceptions if one.has_card]
    return (
        environment()
        .get_template("digest.html.j2")
        .render(
            facts=facts,
            links=HERE,
            first=first_today(facts.exceptions),
            cards=cards,
            rest=[one for one in facts.exceptions if not one.has_card],
            pictures={one.exception_id: pictures(one) for one in cards},
            map_rows=map_rows(facts.map, facts.exceptions),
            bands=BANDS,
            most=MAX_LISTED,
            filter_from=FILTER_FROM,
        )
    )


def first_today(worst_first: Sequence[ExceptionFacts]) -> list[ExceptionFacts]:
    """Every urgent one, then the costliest, FIRST in all."""
    urgent = sum(one.severity == "urgent" for one in worst_first)
    return list(worst_first[: max(urgent, FIRST)])


def map_rows(fleet: FleetMap, exceptions: Sequence[ExceptionFacts]) -> list[MapRow]:
    """At most MAP_ROWS sites: those with an open exception and the first of the map, in the map's own order."""
    concerned = {one.site_id for one in exceptions}
    ranked = sorted(range(len(fleet.rows)), key=lambda i: (fleet.rows[i].site_id not in concerned, i))
    return [fleet.rows[i] for i in sorted(ranked[:MAP_ROWS])]
