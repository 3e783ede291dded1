"""From a finding's series to what its pictures show: one over days and one over a day's course, where there are both.

A detector says of each of its series the unit, the role and where its values lie: on days or at instants in UTC. Series
that lie at the same places and have one unit are drawn together. Of the units that one counts which a limit holds for,
else one with both a measured and an `expected` series, else one with any other reference, else the first. Measured
series far off the first one's range are left out. What holds one value all along is a level; where there is nothing to
compare with, the finding's threshold is one, if it has the unit.
"""

import math
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime
from typing import NamedTuple

from pydantic import TypeAdapter, ValidationError

from detectors.finding import Role
from detectors.finding import Series as EvidenceSeries
from pipeline.digest.model import ExceptionFacts

AXES = ("day", "utc")  # what lasts, then the day that shows it
MAX_SERIES = 3
MAX_LEVELS = 3
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
    role: Role = "limit"


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


_EVIDENCE_SERIES = TypeAdapter(list[EvidenceSeries])


def to_plots(one: ExceptionFacts) -> list[Plot]:
    """What to draw, at most one plot per axis, points in order; none where the evidence holds no series.

    A second plot is only drawn where it compares something.
    """
    drawn = _evidence_series(one)
    levels = [series for series in drawn if _is_level(series)]
    limited = {level.unit for level in levels}
    best: dict[str, tuple[int, Plot]] = {}
    for axis, xs, series in _candidates(drawn):
        chosen = _comparable(series, limited)
        if chosen:
            plot = _plot(axis, xs, chosen, _levels(one, chosen, levels))
            rank = _rank(series, chosen[0].unit, limited)
            if axis not in best or rank < best[axis][0]:
                best[axis] = rank, plot
    plots = [best[axis][1] for axis in AXES if axis in best]
    comparing = [plot for plot in plots if _compares(plot)]
    return comparing or plots[:1]


def _compares(plot: Plot) -> bool:
    return bool(plot.levels) or any(series.role != "measured" for series in plot.series)


def _plot(axis: str, xs: Sequence[float], chosen: Sequence[Series], levels: list[Level]) -> Plot:
    """Ends where nothing is known are cut off."""
    seen = [i for i in range(len(xs)) if any(s.values[i] is not None for s in chosen)]
    span = min(xs[i] for i in seen), max(xs[i] for i in seen)
    ranked = sorted((i for i in range(len(xs)) if span[0] <= xs[i] <= span[1]), key=xs.__getitem__)
    return Plot(
        axis, [xs[i] for i in ranked], [s._replace(values=[s.values[i] for i in ranked]) for s in chosen], levels
    )


def _evidence_series(one: ExceptionFacts) -> list[EvidenceSeries]:
    """The series of the evidence; none where it holds something else."""
    try:
        return _EVIDENCE_SERIES.validate_python(one.evidence.get("series") or [])
    except ValidationError:
        return []


def _is_level(one: EvidenceSeries) -> bool:
    return one.role in REFERENCES and len(one.at) == ALL_ALONG and one.values[0] == one.values[1] is not None


def _candidates(drawn: Sequence[EvidenceSeries]) -> Iterator[tuple[str, list[float], list[Series]]]:
    places: dict[tuple[str, ...], list[EvidenceSeries]] = {}
    for one in drawn:
        if not _is_level(one) and one.at and len(one.at) == len(one.values):
            places.setdefault(tuple(one.at), []).append(one)
    for at, ours in places.items():
        axis, xs = _axis(at)
        if axis is not None:
            yield axis, xs, [Series(one.name, one.unit, _finite(one.values), one.role) for one in ours]


def _finite(values: Sequence[float | None]) -> list[float | None]:
    return [value if value is not None and math.isfinite(value) else None for value in values]


def _comparable(series: Sequence[Series], limited: set[str]) -> list[Series]:
    """The series of the unit that tells most, measured ones first, at most MAX_SERIES."""
    units = list(dict.fromkeys(s.unit for s in series if s.known))
    if not units:
        return []
    unit = min(units, key=lambda name: _rank(series, name, limited))
    ours = sorted((s for s in series if s.unit == unit and s.known), key=lambda s: s.is_reference)
    return [one for one in ours if one.is_reference or not _is_far_off(one, ours[0])][:MAX_SERIES]


def _rank(series: Sequence[Series], unit: str, limited: set[str]) -> int:
    """How little the series of a unit tell: 0 = they stand against a limit, 3 = nothing of them was measured."""
    ours = [s for s in series if s.unit == unit and s.known]
    if all(s.is_reference for s in ours):
        return 3
    if any(s.role == "expected" for s in ours):
        return 1
    if unit in limited:
        return 0
    return 1 if any(s.is_reference for s in ours) else 2


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


def _levels(one: ExceptionFacts, series: Sequence[Series], levels: Sequence[EvidenceSeries]) -> list[Level]:
    unit, has_reference = series[0].unit, any(s.is_reference for s in series)
    # Beside an expected course, a day's expected sum or mean would only puzzle.
    wanted = [level for level in levels if level.unit == unit and not (has_reference and level.role == "expected")]
    shown = [Level(level.name, level.values[0], level.role) for level in wanted if level.values[0] is not None]
    has_level = shown or has_reference or one.unit != unit
    if not has_level and one.threshold is not None and math.isfinite(one.threshold):
        sign = -1 if (one.value or 0) < 0 < one.threshold else 1  # an offset may lie on either side
        shown.append(Level("threshold", sign * one.threshold))
    return shown[:MAX_LEVELS]
