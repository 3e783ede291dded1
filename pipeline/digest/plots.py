"""From a finding's series to what its picture shows.

A detector says of each of its series the unit, the role and where its values lie: on days or at instants in UTC. Series
that lie at the same places and have one unit are drawn together. A day's course is drawn before days. Of the units that
one counts which has both a measured series and an `expected` one, else one with any other reference (roles `limit` and
`reference`), else the first. Measured series far off the first one's range are left out. A limit, an expectation or a
reference that holds one value all along is a dashed level; where there is nothing to compare with, the finding's
threshold is one, if it has the unit.
"""

import math
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime
from typing import NamedTuple

from pydantic import TypeAdapter, ValidationError

from detectors.finding import Role
from detectors.finding import Series as Told
from pipeline.digest.model import Matter

AXES = ("utc", "day")  # a day's course tells most
MOST_SERIES = 3
FAR_OFF = 1.0  # ours: a series further from the first one than both usually vary would flatten both
REFERENCES = ("expected", "limit", "reference")  # roles that are drawn dashed; `corrected` is drawn like `measured`
BAR_UNITS = {"kWh", "Wh", "h", "count", "days"}  # amounts of a day
UNWRITTEN = {"count", "ratio"}  # units that no axis shows
ALL_ALONG = 2  # places of a level: where it begins and ends


class Series(NamedTuple):
    name: str
    unit: str
    values: list[float | None]
    role: Role

    @property
    def is_reference(self) -> bool:
        return self.role in REFERENCES

    @property
    def known(self) -> list[float]:
        return [value for value in self.values if value is not None]


class Level(NamedTuple):
    name: str
    value: float


class Plot(NamedTuple):
    axis: str  # "day" | "utc"
    xs: list[float]  # days: proleptic ordinal; utc: seconds since 1970
    series: list[Series]
    levels: list[Level]

    @property
    def unit(self) -> str:
        """As an axis shows it."""
        return "" if self.series[0].unit in UNWRITTEN else self.series[0].unit

    @property
    def has_bars(self) -> bool:
        measured = [s for s in self.series if not s.is_reference]
        return self.axis == "day" and len(measured) == 1 and measured[0].unit in BAR_UNITS


_TOLD = TypeAdapter(list[Told])


def to_plot(matter: Matter) -> Plot | None:
    """What to draw, points in order of the axis; None where the evidence holds no series."""
    told = _told(matter)
    levels = [one for one in told if _is_level(one)]
    candidates = sorted(_candidates(told), key=lambda found: AXES.index(found[0]))
    for axis, xs, series in candidates:
        chosen = _comparable(series, {one.unit for one in levels})
        if chosen:
            seen = [i for i in range(len(xs)) if any(s.values[i] is not None for s in chosen)]
            span = min(xs[i] for i in seen), max(xs[i] for i in seen)
            ranked = sorted((i for i in range(len(xs)) if span[0] <= xs[i] <= span[1]), key=xs.__getitem__)
            ordered = [s._replace(values=[s.values[i] for i in ranked]) for s in chosen]
            return Plot(axis, [xs[i] for i in ranked], ordered, _levels(matter, chosen, levels))
    return None


def _told(matter: Matter) -> list[Told]:
    """The series of the evidence; none where it holds something else."""
    try:
        return _TOLD.validate_python(matter.evidence.get("series") or [])
    except ValidationError:
        return []


def _is_level(one: Told) -> bool:
    return one.role in REFERENCES and len(one.at) == ALL_ALONG and one.values[0] == one.values[1] is not None


def _candidates(told: Sequence[Told]) -> Iterator[tuple[str, list[float], list[Series]]]:
    places: dict[tuple[str, ...], list[Told]] = {}
    for one in told:
        if not _is_level(one) and one.at and len(one.at) == len(one.values):
            places.setdefault(tuple(one.at), []).append(one)
    for at, ours in places.items():
        axis, xs = _axis(at)
        if axis is not None:
            yield axis, xs, [Series(one.name, one.unit, _finite(one.values), one.role) for one in ours]


def _finite(values: Sequence[float | None]) -> list[float | None]:
    return [value if value is not None and math.isfinite(value) else None for value in values]


def _comparable(series: Sequence[Series], with_level: set[str]) -> list[Series]:
    """The series of the unit that tells most, measured ones first, at most MOST_SERIES."""
    units = list(dict.fromkeys(s.unit for s in series if s.known))

    def rank(unit: str) -> int:
        ours = [s for s in series if s.unit == unit and s.known]
        if all(s.is_reference for s in ours):
            return 3
        if any(s.role == "expected" for s in ours):
            return 0
        return 1 if unit in with_level or any(s.is_reference for s in ours) else 2

    if not units:
        return []
    unit = min(units, key=rank)
    ours = sorted((s for s in series if s.unit == unit and s.known), key=lambda s: s.is_reference)
    return [one for one in ours if one.is_reference or not _is_far_off(one, ours[0])][:MOST_SERIES]


def _is_far_off(one: Series, first: Series) -> bool:
    """Whether their usual ranges (10 to 90 % of the values) lie further apart than they are wide together."""
    (a, b), (c, d) = _usual_range(one.known), _usual_range(first.known)
    return max(c - b, a - d) > FAR_OFF * (b - a + d - c)


def _usual_range(values: list[float]) -> tuple[float, float]:
    ranked, tenth = sorted(values), len(values) // 10
    return ranked[tenth], ranked[-1 - tenth]


def _axis(at: Sequence[str]) -> tuple[str | None, list[float]]:
    try:
        if all("T" in one for one in at):
            return "utc", [_seconds(one) for one in at]
        return "day", [float(date.fromisoformat(one).toordinal()) for one in at]
    except ValueError:
        return None, []


def _seconds(text: str) -> float:
    instant = datetime.fromisoformat(text)
    return (instant if instant.tzinfo else instant.replace(tzinfo=UTC)).timestamp()


def _levels(matter: Matter, series: Sequence[Series], levels: Sequence[Told]) -> list[Level]:
    unit, has_reference = series[0].unit, any(s.is_reference for s in series)
    # Beside an expected course, a day's expected sum or mean would only puzzle.
    wanted = [one for one in levels if one.unit == unit and not (has_reference and one.role == "expected")]
    shown = [Level(one.name, one.values[0]) for one in wanted if one.values[0] is not None]
    if (
        not shown
        and not has_reference
        and matter.unit == unit
        and matter.threshold is not None
        and math.isfinite(matter.threshold)
    ):
        sign = -1 if (matter.value or 0) < 0 < matter.threshold else 1  # an offset may lie on either side
        shown.append(Level("threshold", sign * matter.threshold))
    return shown[:2]
