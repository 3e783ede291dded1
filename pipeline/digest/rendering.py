"""What all pages share: the templates' environment, and how figures, days and states are worded."""

from collections.abc import Sequence
from datetime import date
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pipeline.digest.amounts import count
from pipeline.digest.links import installer_file
from pipeline.digest.model import ExceptionFacts, InstallerRevisits, MapRow
from pipeline.digest.not_judged import lines as not_judged_lines
from pipeline.digest.text import names, state, totals

BANDS = (  # performance in %: below -> class, a sample, words; ours: the steps a desk can act on differently
    (50, "p0", "32", "below 50 %"),
    (75, "p1", "61", "50 to 74"),
    (90, "p2", "83", "75 to 89"),
    (116, "p3", "98", "90 to 115"),
    (float("inf"), "p4", "124", "116 and more"),
)


@cache
def environment() -> Environment:
    """The templates, with their filters; everything is escaped that is not marked as safe."""
    made = Environment(
        loader=PackageLoader("pipeline.digest"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= {"day": long_day, "short": short_day, "band": band, "count": count, "names": names}
    made.filters |= {"capitalize_first": capitalize_first, "sum_revisits": sum_revisits}
    made.filters |= {"within_region": within_region, "not_judged_lines": not_judged_lines}
    made.globals |= {"state": state, "totals": totals, "spare_a_visit": spare_a_visit, "installer_file": installer_file}
    return made


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


def within_region(row: MapRow) -> str:
    """The site's name without its region's at the head: in a narrow column the rest tells sites apart."""
    return row.site_name.removeprefix(f"{row.region}, ") or row.site_name


def band(value: int | None, has_readings: bool) -> Markup:
    """The class attribute of a cell of the map, with a space before it; nothing where it stands on the bare page."""
    if value is None:
        return Markup("" if has_readings else ' class="pd"')
    css = next(css for below, css, _, _ in BANDS if value < below)
    return Markup("" if css == "p3" else f' class="{css}"')


def spare_a_visit(one: ExceptionFacts) -> list[str]:
    """What the desk should look at first: zones that would explain an offset, the profile's interval label."""
    hints = []
    claimed, zones = one.evidence.get("claimed_zone_name"), one.evidence.get("zones_text")
    if claimed and zones:
        hints.append(f"Zone entered for its exports: {claimed}. What would explain the offset: {zones}.")
    hints += [
        f"{capitalize_first(str(one.evidence[key]))}."
        for key in ("interval_mark_text", "saving_instead_text")
        if one.evidence.get(key)
    ]
    return hints
