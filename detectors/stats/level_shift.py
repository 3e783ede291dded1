"""Where a series steps down and stays down, told from one that slides."""

from typing import NamedTuple

import numpy as np

from detectors.stats.robust import MAD_TO_SIGMA, Array

LEAST_BEFORE, LEAST_AFTER = 6, 4  # ours: days; fewer on either side make a level of a mood of the weather
AROUND = 21  # ours: days on each side that count; a season moves what lies farther back
SHARP_RATIO = 0.85  # ours: a step must leave a seventh less unexplained than the best straight line


class Step(NamedTuple):
    """The best step of one series."""

    place: int  # the first day after it
    before: float
    after: float
    scatter: float  # one standard deviation of single days about their level
    is_sharp: bool  # better told by a step than by a straight line

    @property
    def size(self) -> float:
        """The share that went missing; negative where the series rose."""
        return 1 - self.after / self.before

    @property
    def size_error(self) -> float:
        """One standard deviation of `size`, were the days independent."""
        return float(self.scatter / self.before * np.sqrt(1 / LEAST_BEFORE + 1 / LEAST_AFTER))


def find(values: Array) -> Step | None:
    """The step that tells a series with gaps (NaN) best, by least absolute deviations; None if it is too short."""
    place = np.flatnonzero(np.isfinite(values))
    y = values[place]
    if len(y) < LEAST_BEFORE + LEAST_AFTER:
        return None
    best, least = None, np.inf
    for n in range(LEAST_BEFORE, len(y) - LEAST_AFTER + 1):
        before, after = np.median(y[max(n - AROUND, 0) : n]), np.median(y[n : n + AROUND])
        left = np.abs(y[:n] - before).sum() + np.abs(y[n:] - after).sum()
        if left < least:
            best, least = n, left
    assert best is not None
    sides = y[max(best - AROUND, 0) : best], y[best : best + AROUND]
    high, low = float(np.median(sides[0])), float(np.median(sides[1]))
    rest = np.concatenate([sides[0] - high, sides[1] - low])
    scatter = max(float(np.median(np.abs(rest)) * MAD_TO_SIGMA), 1e-4)
    is_sharp = bool(least <= SHARP_RATIO * _beside_a_line(place.astype(float), y))
    return None if high <= 0 else Step(int(place[best]), high, low, scatter, is_sharp)


def slope(place: Array, y: Array) -> float:
    """The median of all slopes between two days (Theil 1950, Sen 1968), per day."""
    i, j = np.triu_indices(len(y), 1)
    return float(np.median((y[j] - y[i]) / (place[j] - place[i]))) if len(i) else 0.0


def _beside_a_line(place: Array, y: Array) -> float:
    """The absolute deviations from the median line."""
    incline = slope(place, y)
    rest = y - incline * place
    return float(np.abs(rest - np.median(rest)).sum())
