"""Whether a clock that gains or loses so many seconds a day explains a device's history better than jumps do."""

from typing import NamedTuple

import numpy as np

from detectors.clock.onsets import Array, Onsets
from detectors.clock.segments import Segment

DRIFT_S_PER_DAY = 8.0
DRIFT_TOTAL_MIN = 25.0  # less than this in all is not told from the seasons' shade
TOGETHER = 0.5  # first and last light's moves differ by less than this share of their sum: a clock, not a wall
MIN_DAYS = 25  # with light
DAYS_PER_SLOW_MIN = 0.4  # more of them per minute of sampling beyond a quarter hour
START_EVERY_DAYS = 10  # onsets that are tried
BLOCK_DAYS = 5
CUTS_TRIED = 50
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
    clearness: float = 1.0  # mean residual of the line / of the best jumps


def best_drift(onsets: Onsets, device: int, history: list[Segment]) -> Drift | None:
    """The drift that explains the days better than one or two jumps do; None if none does."""
    begin, end = history[0].start, history[-1].end
    first, last = onsets.first_late[device, : end + 1], -onsets.last_early[device, : end + 1]
    middle = (first + last) / 2
    slow = max(0.0, float(onsets.interval[device]) - 15.0)
    least = int(MIN_DAYS + DAYS_PER_SLOW_MIN * slow)
    blocks = [_block_medians(series) for series in (middle, first, last)]
    if np.ptp(blocks[0][1]) < DRIFT_TOTAL_MIN / 2:
        return None
    starts = [*range(begin, end - least + 2, START_EVERY_DAYS), history[-1].start]
    lines = [(start, _fit_line(middle, blocks, start, least)) for start in dict.fromkeys(starts)]
    found: list[tuple[float, Drift]] = []
    for start, line in lines:
        if line is None or abs(line.slope) * 60 < DRIFT_S_PER_DAY or abs(line.slope) * (end - start) < DRIFT_TOTAL_MIN:
            continue
        if abs(line.first_slope - line.last_slope) > TOGETHER * abs(line.first_slope + line.last_slope):
            continue
        before = _from_median(middle[begin:start])
        found.append((_cost(np.concatenate([before, line.residuals])), line))
    if not found:
        return None
    cost, line = min(found, key=lambda pair: pair[0])
    clearness = cost / max(_best_jumps(middle, begin, history), 1e-9)
    return line._replace(clearness=clearness) if clearness < JUMP_MUST_LOSE else None


def _block_medians(series: Array) -> tuple[Array, Array]:
    """Middle column and median of every five days, counted back from the last; days not seen are left out."""
    lead = -len(series) % BLOCK_DAYS
    table = np.concatenate([np.full(lead, np.nan), series]).reshape(-1, BLOCK_DAYS)
    known = np.isfinite(table)
    ordered, count = np.sort(table, axis=1), known.sum(axis=1)
    row, lower, upper = np.arange(len(table)), np.maximum(count - 1, 0) // 2, count // 2
    medians = (ordered[row, lower] + ordered[row, np.minimum(upper, BLOCK_DAYS - 1)]) / 2
    days = np.arange(table.size, dtype=np.float64).reshape(table.shape) - lead
    middles = np.where(known, days, 0.0).sum(axis=1) / np.maximum(count, 1)
    return middles[count > 0], medians[count > 0]


def _fit_line(middle: Array, blocks: list[tuple[Array, Array]], start: int, least: int) -> Drift | None:
    """The line from column `start` on by medians of slopes (Theil and Sen); None with fewer than `least` days."""
    day = np.arange(start, len(middle), dtype=np.float64)
    both = np.isfinite(middle[start:])
    if both.sum() < least:
        return None
    day, series = day[both], middle[start:][both]
    slope, first_slope, last_slope = (_slope(x[x >= start], y[x >= start]) for x, y in blocks)
    level = float(np.median(series - slope * day))
    offset = level + slope * (len(middle) - 1)
    return Drift(start, slope, offset, first_slope, last_slope, series - level - slope * day)


def _slope(x: Array, y: Array) -> float:
    if len(x) < 4:
        return 0.0
    i, j = np.triu_indices(len(x), k=1)
    wide = x[j] - x[i] >= 0.25 * (x[-1] - x[0])
    return float(np.median((y[j] - y[i])[wide] / (x[j] - x[i])[wide]))


def _from_median(values: Array) -> Array:
    known = values[np.isfinite(values)]
    return known - np.median(known) if len(known) else known


def _cost(residuals: Array) -> float:
    return float(np.minimum(np.abs(residuals), FREAK_MIN).mean())


def _best_jumps(middle: Array, begin: int, history: list[Segment]) -> float:
    """Mean absolute residual of the best constant, single jump, or pair of jumps that the segments hold; minutes."""
    known = middle[begin:][np.isfinite(middle[begin:])]
    cuts = range(5, len(known) - 4, max(2, len(known) // CUTS_TRIED))
    costs = [_cost(np.concatenate([_from_median(known[:cut]), _from_median(known[cut:])])) for cut in cuts]
    costs.append(_cost(_from_median(known)))
    if len(history) <= 3:
        parts = [_from_median(middle[segment.start : segment.end + 1]) for segment in history]
        costs.append(_cost(np.concatenate(parts)))
    return min(costs)
