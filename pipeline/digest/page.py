"""The digest as one HTML page that stands alone: no script, nothing fetched, pictures inline."""

from collections.abc import Sequence
from datetime import date

from jinja2 import Environment, PackageLoader, StrictUndefined

from pipeline.digest import charts, text
from pipeline.digest.model import DigestFacts, FleetMap, InstallerRevisits, MapRow, Matter, count

MAP_ROWS = 60  # ours: what can be looked through on one screen; the sites behind are the better ones
MOST_LISTED = 200  # ours: rows of one table; a longer list is read with the command or the SQL beside it
BANDS = (  # performance in %: below -> class, words; ours: the steps a desk can act on differently
    (50, "p0", "below 50"),
    (75, "p1", "50 to 74"),
    (90, "p2", "75 to 89"),
    (116, "p3", "90 to 115"),
    (float("inf"), "p4", "116 and more"),
)


def to_html(facts: DigestFacts) -> str:
    """The page, below 2 MB for 2,000 sites."""
    environment = Environment(
        loader=PackageLoader("pipeline.digest"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"day": long_day, "short": short_day, "band": band, "count": count, "names": text.names}
    environment.filters |= {"capitalize_first": capitalize_first, "sum_revisits": sum_revisits}
    pictured = [m for m in (*facts.new, *facts.still_open) if m.has_picture]
    return environment.get_template("digest.html.j2").render(
        facts=facts,
        new_cards=[m for m in facts.new if m.has_picture],
        new_rows=[m for m in facts.new if not m.has_picture],
        old_cards=[m for m in facts.still_open if m.has_picture],
        old_rows=[m for m in facts.still_open if not m.has_picture],
        pictures={m.exception_id: charts.picture(m, number) for number, m in enumerate(pictured, start=1)},
        captions={m.exception_id: charts.caption(m) for m in pictured},
        map_rows=map_rows(facts.map, (*facts.new, *facts.still_open)),
        bands=BANDS,
        most=MOST_LISTED,
        losses=text.losses,
        totals=text.totals,
        state=text.state,
        closing=text.closing,
        severities=("urgent", "soon", "watch"),
    )


def capitalize_first(words: str) -> str:
    """The words with a capital at their head, all else as it is."""
    return words[:1].upper() + words[1:]


def sum_revisits(groups: Sequence[InstallerRevisits]) -> int:
    """How many revisits there are in all."""
    return sum(len(group.revisits) for group in groups)


def long_day(day: date) -> str:
    """`Thursday 12 March 2026`."""
    return f"{day:%A} {day.day} {day:%B %Y}"


def short_day(day: date) -> str:
    """`12 Mar`."""
    return f"{day.day} {day:%b}"


def band(value: int | None) -> str:
    """The class of a cell of the map."""
    if value is None:
        return "pn"
    return next(css for below, css, _ in BANDS if value < below)


def map_rows(fleet: FleetMap, matters: Sequence[Matter]) -> list[MapRow]:
    """At most MAP_ROWS sites: those with an open matter and the lowest first, in the map's own order."""
    concerned = {m.site_id for m in matters}
    ranked = sorted(range(len(fleet.rows)), key=lambda i: (fleet.rows[i].site_id not in concerned, i))
    return [fleet.rows[i] for i in sorted(ranked[:MAP_ROWS])]
