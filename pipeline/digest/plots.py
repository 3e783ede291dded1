"""From a finding's evidence to what its picture shows.

What a detector must do for a picture: put lists of equal length into its evidence, one of them the axis,

- `<x>_day`: ISO dates: days along the bottom; energies and counts as bars, all else as lines;
- `<x>_utc`: ISO instants: the hours of a day in the site's zone;
- `<x>_hour` or `hour_count`: hours of the day, as bars;

and the others named `<name>_<unit>`. The first axis with a series is drawn, with the series that share the first one's
unit. Names with `expected`, `limit`, `model` and the like are drawn dashed, and so are single figures of that unit
(`limit_w`, `reserve_pct`); failing these, the finding's threshold.
"""

import math
from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import Any, NamedTuple

from pipeline.digest.model import Matter

MOST_SERIES = 3
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
BAR_UNITS = {"kWh", "Wh", "h", "", "days"}


class Series(NamedTuple):
    name: str
    unit: str
    values: list[float | None]
    is_reference: bool


class Level(NamedTuple):
    name: str
    value: float


class Plot(NamedTuple):
    axis: str  # "day" | "utc" | "hour"
    xs: list[float]  # days: proleptic ordinal; utc: seconds since 1970; hours: hour
    series: list[Series]
    levels: list[Level]

    @property
    def has_bars(self) -> bool:
        measured = [s for s in self.series if not s.is_reference]
        return self.axis == "hour" or (self.axis == "day" and len(measured) == 1 and measured[0].unit in BAR_UNITS)


def split_unit(key: str) -> tuple[str, str]:
    """`fed_in_w` -> (`fed in`, `W`)."""
    for ending, unit in UNITS.items():
        if key == ending or key.endswith("_" + ending):
            return key.removesuffix(ending).rstrip("_").replace("_", " "), unit
    return key.replace("_", " "), ""


def to_plot(matter: Matter) -> Plot | None:
    lists = {key: value for key, value in matter.evidence.items() if isinstance(value, list) and value}
    for key, values in lists.items():
        axis, xs = _axis(key, values)
        if axis is None:
            continue
        series = [_series(k, v) for k, v in lists.items() if k != key and len(v) == len(values) and _is_numbers(v)]
        if key == "hour_count" and not series:  # counts per hour of the day: the axis is the place in the list
            axis, xs, series = "hour", [float(i) for i in range(len(values))], [Series("times", "", values, False)]
        series = sorted((s for s in series if any(v is not None for v in s.values)), key=lambda s: s.is_reference)
        series = [s for s in series if s.unit == series[0].unit][:MOST_SERIES]
        if series:
            ranked = sorted(range(len(xs)), key=xs.__getitem__)
            ordered = [s._replace(values=[s.values[i] for i in ranked]) for s in series]
            return Plot(axis, [xs[i] for i in ranked], ordered, _levels(matter, series))
    return None


def _axis(key: str, values: list[Any]) -> tuple[str | None, list[float]]:
    try:
        if key.endswith("_day") or key == "day":
            return "day", [float(date.fromisoformat(v).toordinal()) for v in values]
        if key.endswith("_utc") or key == "utc":
            return "utc", [_seconds(v) for v in values]
    except (TypeError, ValueError):
        return None, []
    if (key.endswith("_hour") or key in ("hour", "hour_count")) and _is_numbers(values) and None not in values:
        return "hour", [float(v) for v in values]
    return None, []


def _seconds(text: str) -> float:
    instant = datetime.fromisoformat(text)
    return (instant if instant.tzinfo else instant.replace(tzinfo=UTC)).timestamp()


def _is_numbers(values: list[Any]) -> bool:
    known = [v for v in values if v is not None]
    return bool(known) and all(isinstance(v, int | float) and not isinstance(v, bool) for v in known)


def _series(key: str, values: list[Any]) -> Series:
    name, unit = split_unit(key)
    finite = [float(v) if v is not None and math.isfinite(v) else None for v in values]
    return Series(name or unit, unit, finite, any(word in key for word in REFERENCE_WORDS))


def _levels(matter: Matter, series: Sequence[Series]) -> list[Level]:
    unit, levels = series[0].unit, []
    for key, value in matter.evidence.items():
        name, of_unit = split_unit(key)
        is_level = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
        if is_level and of_unit == unit and any(word in key for word in REFERENCE_WORDS):
            levels.append(Level(name, float(value)))
    is_drawn = bool(levels) or any(s.is_reference for s in series)
    if not is_drawn and matter.unit == unit and matter.threshold is not None and math.isfinite(matter.threshold):
        sign = -1 if (matter.value or 0) < 0 < matter.threshold else 1  # an offset may lie on either side
        levels.append(Level("threshold", sign * matter.threshold))
    return levels[:2]
