"""A page per site: its last month against what was expected, its last week, what is known of it, and its exceptions."""

from datetime import date
from typing import NamedTuple

from pipeline.digest.amounts import count
from pipeline.digest.charts import Frame, Picture, draw
from pipeline.digest.links import BELOW
from pipeline.digest.model import DigestFacts, ExceptionFacts, Facts
from pipeline.digest.plots import Level, Plot, Series
from pipeline.digest.rendering import environment


class Entry(NamedTuple):
    """One line of what is known of a site."""

    label: str
    value: str


class Course(Facts):
    """Values over days (proleptic ordinals) or instants (seconds since 1970, UTC)."""

    xs: list[float]
    values: dict[str, list[float | None]]


NO_COURSE = Course(xs=[], values={})


class SiteFacts(Facts):
    """What a site's page shows."""

    site_id: str
    site_name: str
    region: str
    timezone: str
    day: date
    reserve_pct: float | None = None
    registered: list[Entry]
    model: list[Entry]
    days: Course  # actual, expected: kWh
    week: Course  # the last seven days by the hour: pv_w, load_w, grid_w, battery_w, soc_pct
    clock: Course  # offset: minutes, stamped minus true
    exceptions: list[ExceptionFacts]  # open ones first, then closed ones, the latest first


def to_site_html(facts: DigestFacts, site: SiteFacts) -> str:
    """The page of one site, to lie in sites/ beside the digest."""
    return (
        environment()
        .get_template("site.html.j2")
        .render(
            facts=facts,
            site=site,
            links=BELOW,
            yields=_yields(site),
            curves=_curves(site),
            clock=_clock(site),
            heading=heading(site),
        )
    )


def _drawn(plot: Plot | None, frame: Frame) -> list[Picture]:
    known = plot and any(series.known for series in plot.series)
    return [draw(plot, frame)] if plot and known else []


def _series(course: Course, wanted: dict[str, tuple[str, str]], scale: float = 1.0) -> list[Series]:
    """Of each wanted key (name, role) that is known anywhere; `unit` is set by the caller."""
    made = []
    for key, (name, role) in wanted.items():
        values = [None if v is None else v * scale for v in course.values.get(key, [])]
        if any(v is not None for v in values):
            made.append(Series(name, "", values, role))  # type: ignore[arg-type]
    return made


def _plot(axis: str, course: Course, wanted: dict[str, tuple[str, str]], unit: str, scale: float = 1.0) -> Plot | None:
    series = [one._replace(unit=unit) for one in _series(course, wanted, scale)]
    return Plot(axis, course.xs, series, []) if series and course.xs else None


def _yields(site: SiteFacts) -> list[Picture]:
    wanted = {"actual": ("measured", "measured"), "expected": ("expected", "expected")}
    first = min((one.first_day for one in site.exceptions if one.closed_on is None), default=None)
    frame = Frame(f"{site.site_name}: energy of each day", site.timezone, f"{site.site_id}-days", first)
    return _drawn(_plot("day", site.days, wanted, "kWh"), frame)


def _curves(site: SiteFacts) -> list[Picture]:
    powers = {
        "pv_w": ("generation", "measured"),
        "load_w": ("load", "measured"),
        "grid_w": ("grid, import positive", "measured"),
    }
    found = _drawn(
        _plot("utc", site.week, powers, "kW", 1 / 1000),
        Frame(f"{site.site_name}: the last week by the hour", site.timezone, f"{site.site_id}-week"),
    )
    charge = _plot("utc", site.week, {"soc_pct": ("state of charge", "measured")}, "%")
    if charge is not None and site.reserve_pct is not None:
        charge = charge._replace(levels=[Level("reserve", site.reserve_pct)])
    return found + _drawn(charge, Frame(f"{site.site_name}: battery", site.timezone, f"{site.site_id}-soc"))


def _clock(site: SiteFacts) -> list[Picture]:
    plot = _plot("day", site.clock, {"offset": ("offset of the stamps", "measured")}, "min")
    if plot is not None:
        plot = plot._replace(levels=[Level("right", 0.0, "reference")])
    return _drawn(plot, Frame(f"{site.site_name}: offset of its stamps", site.timezone, f"{site.site_id}-clock"))


def heading(site: SiteFacts) -> str:
    """What the page says first."""
    still_open = sum(one.closed_on is None for one in site.exceptions)
    return f"{count(still_open, 'open exception')}, {len(site.exceptions) - still_open:,} closed"
