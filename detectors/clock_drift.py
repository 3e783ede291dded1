"""Whether a clock that gains or loses so many seconds a day explains a device's history better than jumps do."""

from typing import NamedTuple

import numpy as np

from detectors.clock_history import Stretch
from detectors.clock_marks import Array, Marks

DRIFT_S_PER_DAY = 8.0
DRIFT_TOTAL_MIN = 25.0  # less than this in all is not told from the seasons' shade
TOTAL_PER_SLOW_MIN = 0.4  # more of it per minute of sampling beyond a quarter hour
TOGETHER = 0.5  # first and last light's moves differ by less than this share of their sum: a clock, not a wall
LEAST_DAYS = 25  # with light
DAYS_PER_SLOW_MIN = 0.4  # more of them per minute of sampling beyond a quarter hour
START_EVERY_DAYS = 10  # onsets that are tried
FREAK_MIN = 60.0  # a day further off than this counts no more than this
JUMP_MUST_LOSE = 0.97  # ours: the line has a parameter more to fit noise with


class Drift(NamedTuple):
    """A straight line through the daily offsets from `start` on, minutes and days."""

    start: int  # column
    slope: float  # minutes per day
    offset: float  # at the last column
    first_slope: float  # of first light alone
    last_slope: float  # of last light alone, with the sign of an offset
    residuals: Array


def best_drift(marks: Marks, device: int, history: list[Stretch]) -> Drift | None:
    """The drift that explains the days better than one or two jumps do; None if none does."""
    begin, end = history[0].start, history[-1].end
    first, last = marks.first_late[device, : end + 1], -marks.last_early[device, : end + 1]
    middle = (first + last) / 2
    slow = max(0.0, float(marks.interval[device]) - 15.0)
    least = int(LEAST_DAYS + DAYS_PER_SLOW_MIN * slow)
    total = DRIFT_TOTAL_MIN + TOTAL_PER_SLOW_MIN * slow
    starts = [*range(begin, end - least + 2, START_EVERY_DAYS), history[-1].start]
    lines = [(start, fit_line(first, last, start, least)) for start in dict.fromkeys(starts)]
    found: list[tuple[float, Drift]] = []
    for start, line in lines:
        if line is None or abs(line.slope) * 60 < DRIFT_S_PER_DAY or abs(line.slope) * (end - start) < total:
            continue
        if abs(line.first_slope - line.last_slope) > TOGETHER * abs(line.first_slope + line.last_slope):
            continue
        before = _from_median(middle[begin:start])
        found.append((_cost(np.concatenate([before, line.residuals])), line))
    if not found:
        return None
    cost, line = min(found, key=lambda pair: pair[0])
    return line if cost < JUMP_MUST_LOSE * _best_jumps(middle, begin, history) else None


def fit_line(first: Array, last: Array, start: int, least: int) -> Drift | None:
    """The line by medians of the slopes between five-day medians (Theil and Sen); None with fewer than `least` days.

    `first`, `last`: first and last light as minutes of offset by day, NaN where not seen.
    """
    day = np.arange(start, len(first), dtype=np.float64)
    both = np.isfinite(first[start:]) & np.isfinite(last[start:])
    if both.sum() < least:
        return None
    day, morning, evening = day[both], first[start:][both], last[start:][both]
    middle = (morning + evening) / 2
    slope, first_slope, last_slope = (_slope(day, series) for series in (middle, morning, evening))
    level = float(np.median(middle - slope * day))
    offset = level + slope * (len(first) - 1)
    return Drift(start, slope, offset, first_slope, last_slope, middle - level - slope * day)


def _slope(day: Array, series: Array) -> float:
    groups = np.array_split(np.arange(len(day)), max(5, len(day) // 5))
    x = np.array([day[group].mean() for group in groups])
    y = np.array([np.median(series[group]) for group in groups])
    i, j = np.triu_indices(len(x), k=1)
    wide = x[j] - x[i] >= 0.25 * (x[-1] - x[0])
    return float(np.median((y[j] - y[i])[wide] / (x[j] - x[i])[wide]))


def _from_median(values: Array) -> Array:
    known = values[np.isfinite(values)]
    return known - np.median(known) if len(known) else known


def _cost(residuals: Array) -> float:
    return float(np.minimum(np.abs(residuals), FREAK_MIN).mean())


def _best_jumps(middle: Array, begin: int, history: list[Stretch]) -> float:
    """Mean absolute residual of the best constant, single jump, or pair of jumps that the stretches hold; minutes."""
    known = middle[begin:][np.isfinite(middle[begin:])]
    costs = [_cost(_from_median(known))]
    for cut in range(5, len(known) - 4, 2):
        costs.append(_cost(np.concatenate([_from_median(known[:cut]), _from_median(known[cut:])])))
    if len(history) <= 3:
        parts = [_from_median(middle[stretch.start : stretch.end + 1]) for stretch in history]
        costs.append(_cost(np.concatenate(parts)))
    return min(costs)
