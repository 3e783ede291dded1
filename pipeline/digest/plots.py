"""From a finding's evidence to what its picture shows.

What a detector must do for a picture: put lists into its evidence, named `<name>_<unit>`, and say where they lie:

- beside a list `<x>_utc` of ISO instants: the hours of a day in the site's zone;
- with a figure `<name>_step_min`: the list is a local day from midnight, in steps of so many minutes;
- beside a list `<x>_day` (or `_days`) of ISO dates: days along the bottom;
- beside a list `<x>_hour`, or as `by_hour_<unit>` or `hour_count` with 24 places: hours of the day, as bars.

The first of these that there is gets drawn. Of its units that one counts which has both a measured series and an
`expected` one, else one with any other reference (a series or a single figure with `limit`, `reserve`, `neighbour` and
the like in its name, drawn dashed), else the first. Measured series far off the first one's range are left out. Where
there is no reference, the finding's threshold is drawn if it has the unit.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Any, NamedTuple

from pipeline.digest.model import Matter

AXES = ("utc", "clock", "day", "hour")  # a day's course tells most
HOURS = 24
MOST_SERIES = 3
FAR_OFF = 1.0  # ours: a series further from the first one than both usually vary would flatten both
REFERENCE_WORDS = ("expected", "limit", "model", "clear_sky", "reserve", "neighbour", "fleet", "nominal", "threshold")
UNITS = {  # the end of a key, longest first -> as written
    "kwh_per_kwp": "kWh/kWp",
    "min_per_day": "min/day",
    "s_per_day": "s/day",
    "w_m2": "W/m²",
    "kwh": "kWh",
    "kwp": "kWp",
    "degc": "°C",
    "deg": "°",
    "count": "",
    "ratio": "",
    "score": "",
    "pct": "%",
    "days": "days",
    "min": "min",
    "kw": "kW",
    "wh": "Wh",
    "hz": "Hz",
    "w": "W",
    "v": "V",
    "h": "h",
    "s": "s",
    "c": "°C",
}
BAR_UNITS = {"kWh", "Wh", "h", "", "days"}  # on days; a ratio has no unit either, but is told by its key


class Series(NamedTuple):
    name: str
    unit: str
    values: list[float | None]
    is_reference: bool
    key: str = ""

    @property
    def known(self) -> list[float]:
        return [value for value in self.values if value is not None]


class Level(NamedTuple):
    name: str
    value: float


class Plot(NamedTuple):
    axis: str  # "day" | "utc" | "clock" | "hour"
    xs: list[float]  # days: proleptic ordinal; utc: seconds since 1970; clock and hour: local hour
    series: list[Series]
    levels: list[Level]

    @property
    def has_bars(self) -> bool:
        measured = [s for s in self.series if not s.is_reference]
        is_amount = len(measured) == 1 and measured[0].unit in BAR_UNITS and not measured[0].key.endswith("_ratio")
        return self.axis == "hour" or (self.axis == "day" and is_amount)


def split_unit(key: str) -> tuple[str, str]:
    """`fed_in_w` -> (`fed in`, `W`)."""
    for ending, unit in UNITS.items():
        if key == ending or key.endswith("_" + ending):
            return key.removesuffix(ending).rstrip("_").replace("_", " "), unit
    return key.replace("_", " "), ""


def to_plot(matter: Matter) -> Plot | None:
    """What to draw, points in order of the axis; None where the evidence holds no series."""
    candidates = sorted(_candidates(matter.evidence), key=lambda found: AXES.index(found[0]))
    for axis, xs, series in candidates:
        chosen = _comparable(series, matter.evidence)
        if chosen:
            seen = [i for i in range(len(xs)) if any(s.values[i] is not None for s in chosen)]
            span = min(xs[i] for i in seen), max(xs[i] for i in seen)
            ranked = sorted((i for i in range(len(xs)) if span[0] <= xs[i] <= span[1]), key=xs.__getitem__)
            ordered = [s._replace(values=[s.values[i] for i in ranked]) for s in chosen]
            return Plot(axis, [xs[i] for i in ranked], ordered, _levels(matter, chosen))
    return None


def _candidates(evidence: Mapping[str, Any]) -> Iterator[tuple[str, list[float], list[Series]]]:
    lists = {key: value for key, value in evidence.items() if isinstance(value, list) and value}
    numeric = {key: _series(key, value) for key, value in lists.items() if _is_numbers(value)}
    for key, values in lists.items():
        axis, xs = _axis(key, values)
        if axis is not None:
            yield axis, xs, [s for k, s in numeric.items() if k != key and len(s.values) == len(values)]
    for key, step in evidence.items():
        name = key.removesuffix("_step_min")
        if name != key and isinstance(step, int | float) and step > 0:
            for one in (s for k, s in numeric.items() if k.startswith(f"{name}_")):
                yield "clock", [(i + 0.5) * step / 60 for i in range(len(one.values))], [one]
    for key, one in numeric.items():
        if (key.startswith("by_hour_") or key == "hour_count") and len(one.values) == HOURS:
            yield "hour", [float(hour) for hour in range(HOURS)], [one]


def _comparable(series: Sequence[Series], evidence: Mapping[str, Any]) -> list[Series]:
    """The series of the unit that tells most, measured ones first, at most MOST_SERIES."""
    units = list(dict.fromkeys(s.unit for s in series if s.known))

    def rank(unit: str) -> int:
        ours = [s for s in series if s.unit == unit and s.known]
        if all(s.is_reference for s in ours):
            return 3
        if any("expected" in s.key for s in ours):
            return 0
        has_level = any(split_unit(key)[1] == unit and _is_level(key, value) for key, value in evidence.items())
        return 1 if has_level or any(s.is_reference for s in ours) else 2

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


def _axis(key: str, values: list[Any]) -> tuple[str | None, list[float]]:
    try:
        if key.endswith(("_day", "_days")) or key == "day":
            return "day", [float(date.fromisoformat(v).toordinal()) for v in values]
        if key.endswith("_utc") or key == "utc":
            return "utc", [_seconds(v) for v in values]
    except (TypeError, ValueError):
        return None, []
    if (key.endswith("_hour") or key == "hour") and _is_numbers(values) and None not in values:
        return "hour", [float(v) for v in values]
    return None, []


def _seconds(text: str) -> float:
    instant = datetime.fromisoformat(text)
    return (instant if instant.tzinfo else instant.replace(tzinfo=UTC)).timestamp()


def _is_numbers(values: list[Any]) -> bool:
    known = [v for v in values if v is not None]
    return bool(known) and all(isinstance(v, int | float) and not isinstance(v, bool) for v in known)


def _series(key: str, values: list[Any]) -> Series:
    name, unit = split_unit(key.removeprefix("series_"))
    finite = [float(v) if v is not None and math.isfinite(v) else None for v in values]
    return Series(name or unit, unit, finite, any(word in key for word in REFERENCE_WORDS), key)


def _is_level(key: str, value: Any) -> bool:
    is_figure = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    return is_figure and any(word in key for word in REFERENCE_WORDS)


def _levels(matter: Matter, series: Sequence[Series]) -> list[Level]:
    unit, levels = series[0].unit, []
    has_reference = any(s.is_reference for s in series)
    for key, value in matter.evidence.items():
        name, of_unit = split_unit(key)
        # Beside an expected course, a day's expected sum or mean would only puzzle.
        if of_unit == unit and _is_level(key, value) and not (has_reference and "expected" in key):
            levels.append(Level(name, float(value)))
    if (
        not levels
        and not has_reference
        and matter.unit == unit
        and matter.threshold is not None
        and math.isfinite(matter.threshold)
    ):
        sign = -1 if (matter.value or 0) < 0 < matter.threshold else 1  # an offset may lie on either side
        levels.append(Level("threshold", sign * matter.threshold))
    return levels[:2]
