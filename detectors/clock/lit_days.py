"""The days with light of one device: the middle of first and last light of each, and how much it tells.

No clock moves the length of the day between first and last light, but clouds do: a day that is shorter than its clear
neighbours says less of its middle, by no more than what it lacks.
"""

from typing import NamedTuple

import numpy as np

from detectors.clock.onsets import Array, Index, Onsets
from detectors.clock.segments import is_possible_day
from detectors.clock.weather_around import around, neighbours, without_weather
from detectors.stats.robust import MAD_TO_SIGMA, median_of, quantile

FIT_DAYS = 150  # ours: a drift of 15 s/day shows in these; more would let the seasons' shade in
FLOOR_MIN, FLOOR_PER_MIN = 1.0, 0.06  # ours: the onsets' own error, and more of it per minute of sampling
CLEAR_SHARE = 0.2  # as in the offsets of today: the clear days among AROUND_DAYS
AROUND_DAYS = 15
CLIP_DAYS = 7  # ours: two freak days on end are none of them, and the fourth day after a step is
CLIP_SIGMAS = 3.0  # days further from their neighbours than this count no more: outages and freak days
STEP_DAYS = 20  # ours: at hourly sampling the onsets move with the sun through a whole interval in some weeks
# Neighbouring days have one weather: lag-1 autocorrelations of their middles about a line were -0.1 to 0.1 on four real
# series (two of AEW, SERF, Denver) and 0.1 on simulated roofs, and (1 + 0.1) / (1 - 0.1) days tell as much as one.
# Hourly values under a clear sky are more alike (Almeria: 0.4), which is in what follows.
DAYS_PER_FACT = 1.25
# Slopes of windows of 20 to 120 days of these series scatter by more than their days do: by as much as if the seasons
# moved one end of the window against the other, whatever its length, by a sigma of so many minutes at each interval. At
# 5 min, for which there is no long series here, it is less by as much as the onset's own error.
SEASONAL_INTERVAL_MIN, SEASONAL_SIGMA_MIN = (5.0, 15.0, 30.0, 60.0), (1.8, 2.6, 5.5, 7.3)
MIN_RESET_MIN = 12.0  # ours: setting right less than this is not told from noise
NINETY_FIVE = 1.96  # of a normal distribution's sigmas: 95 %


class Days(NamedTuple):
    """The days with light of one device."""

    column: Index
    day: Array
    first: Array
    last: Array  # with the sign of an offset
    middle: Array
    weight: Array  # 1 / variance, in minutes
    floor: float
    seasonal_sigma: float  # sigma by which the seasons move the middle from one end of a window to the other; minutes


def step_height(onsets: Onsets, device: int, last_before: int, at: int) -> tuple[float, float]:
    """The step between two columns from STEP_DAYS days with light on either side, and half of its 95 % interval.

    NaN where a side has none; minutes.
    """
    days = lit_days(onsets, device)
    before = np.flatnonzero(days.column <= last_before)[-STEP_DAYS:]
    after = np.flatnonzero(days.column >= at)[:STEP_DAYS]
    if not len(before) or not len(after):
        return float("nan"), float("nan")
    means, variances = [], []
    for side in (before, after):
        weight, values = days.weight[side], (days.first[side] + days.last[side]) / 2
        usual = median_of(values)
        values = np.clip(values - usual, -MIN_RESET_MIN, MIN_RESET_MIN) + usual
        mean = float(np.average(values, weights=weight))
        means.append(mean)
        variances.append(
            float(np.average((values - mean) ** 2, weights=weight)) / len(side) + days.floor**2 / len(side)
        )
    return means[1] - means[0], NINETY_FIVE * float(np.sqrt(DAYS_PER_FACT * sum(variances)))


def lit_days(onsets: Onsets, device: int, without: int = 0) -> Days:
    """The device's last FIT_DAYS days, those with light; `without` so many of the latest."""
    first, last = onsets.first_late[device], -onsets.last_early[device]
    known = np.isfinite(first) & np.isfinite(last)
    known &= is_possible_day(onsets.first_end_late[device], onsets.last_start_early[device])
    known[: max(0, len(known) - FIT_DAYS)] = False
    column = np.flatnonzero(known)
    column = column[: len(column) - without]
    near = neighbours(onsets, device)[:, None]
    first = without_weather(first[column], onsets.first_late[near, column])
    last = without_weather(last[column], -onsets.last_early[near, column])
    interval = float(onsets.interval[device])
    floor, seasonal = (
        FLOOR_MIN + FLOOR_PER_MIN * interval,
        float(np.interp(interval, SEASONAL_INTERVAL_MIN, SEASONAL_SIGMA_MIN)),
    )
    if len(column) < AROUND_DAYS // 2 + 1:  # too few to know the clear ones by
        middle = (first + last) / 2
        return Days(
            column, column.astype(np.float64), first, last, middle, np.full(len(column), floor**-2), floor, seasonal
        )
    lacking = (first - last) / 2
    lacking = np.abs(lacking - quantile(around(lacking, AROUND_DAYS), CLEAR_SHARE))
    # The middle is off by at most what is lacking: a uniform distribution, whose variance is a third of its square.
    weight = 1.0 / (floor**2 + lacking**2 / 3.0)
    return Days(
        column, column.astype(np.float64), first, last, _clipped((first + last) / 2, floor), weight, floor, seasonal
    )


def _clipped(values: Array, floor: float) -> Array:
    """The values, none further from the median of the days around than CLIP_SIGMAS."""
    middle = quantile(around(values, CLIP_DAYS), 0.5)
    rest = values - middle
    reach = CLIP_SIGMAS * max(MAD_TO_SIGMA * median_of(np.abs(rest)), floor) + MIN_RESET_MIN
    return middle + np.clip(rest, -reach, reach)


def scatter(days: Days) -> float:
    """Sigma of a day's middle about the median of the days around; minutes."""
    middle = (days.first + days.last) / 2
    return MAD_TO_SIGMA * median_of(np.abs(middle - quantile(around(middle, CLIP_DAYS), 0.5)))
