"""The day on which a level changed, with its interval, by likelihood over every day that it could have been.

Student's t around the weighted median of the days on either side, of another sigma above it where clouds alone take a
lone site's days below its level; the interval holds the days whose log likelihood lies
within 1.92 of the best (a 95 % interval of one parameter: half of chi-squared's 3.84).
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.stats.robust import Array
from detectors.yields.day_residual import weighted_median
from detectors.yields.sequential_test import FREEDOM, OUTLIER_DENSITY, OUTLIER_SHARE, PASSING_SHARE, T_FACTOR

MAX_SIGMA, MIN_SIGMA = 0.45, 0.03  # ours: vaguer days only blur the change; none is surer than that
WITHIN = 1.92
FIRST_DAY_PENALTY = 2.0  # ours: in log likelihood; one site in eight of those found was so from its first day
MIN_CHANGE = 0.05  # ours: smaller changes are no falls
MAX_PRIOR = 16.0  # four sigma: a level before that is odder than that is taken for what it is


class Change(NamedTuple):
    """Places in the series of days, and logs of levels."""

    first: int
    earliest: int
    latest: int
    before: float  # 0 where the change was there from the first day
    after: float
    lead: float = 0.0  # log likelihood over that of one level from the first day on


def find(x: Array, sigma: Array, prior_sigma: float, *, is_fall: bool = True, above: Array | None = None) -> Change:
    """The change that tells the days up to the last one best; `prior_sigma` is of the level before.

    `above` is the sigma of what lies above a level, where it is another one than `sigma`.

    All on the last day where no day can be used.
    """
    last = len(x) - 1
    place, sigmas = _usable(x, sigma, above)
    if not len(place):
        return Change(last, last, last, 0.0, 0.0)
    values = x[place]
    weight = 1 / sigmas[0] ** 2
    scores, levels = np.empty(len(place)), []
    for n in range(len(place)):
        after = float(weighted_median(values[None, n:], weight[None, n:])[0])
        if n == 0:
            before, score = 0.0, _log_likelihood(values, after, sigmas) - FIRST_DAY_PENALTY
        else:
            before = float(weighted_median(values[None, :n], weight[None, :n])[0])
            score = _log_likelihood(values[:n], before, sigmas[:, :n])
            score += _log_likelihood(values[n:], after, sigmas[:, n:])
            score -= 0.5 * min((before / prior_sigma) ** 2, MAX_PRIOR)
            if is_fall and after > before - MIN_CHANGE:
                score = -np.inf
        scores[n] = score
        levels.append((before, after))
    best = int(scores.argmax())
    likely = np.flatnonzero(scores > scores[best] - WITHIN)
    lead = float(scores[best] - scores[0] - FIRST_DAY_PENALTY)
    return Change(int(place[best]), int(place[likely[0]]), int(place[likely[-1]]), *levels[best], lead)


def find_passing(x: Array, sigma: Array, level: float, low: float, *, above: Array | None = None) -> Change:
    """The day from which the days are a mixture of `level` and `low`, with its interval: a fall that comes and goes.

    All on the last day where no day can be used.
    """
    last = len(x) - 1
    place, sigmas = _usable(x, sigma, above)
    if not len(place):
        return Change(last, last, last, level, low)
    healthy, fallen = (_density(x[place], one, sigmas) for one in (level, low))
    gain = np.log(PASSING_SHARE * fallen / healthy + 1 - PASSING_SHARE)
    scores = np.cumsum(gain[::-1])[::-1]
    best = int(scores.argmax())
    likely = np.flatnonzero(scores > scores[best] - WITHIN)
    return Change(int(place[best]), int(place[likely[0]]), int(place[likely[-1]]), level, low)


def _usable(x: Array, sigma: Array, above: Array | None) -> tuple[NDArray[np.intp], Array]:
    """The places of the days that tell enough, and their sigmas below and above a level, [2, places]."""
    upper = sigma if above is None else above
    with np.errstate(invalid="ignore"):
        place = np.flatnonzero(np.isfinite(x) & (np.minimum(sigma, upper) < MAX_SIGMA))
    return place, np.maximum(np.stack([sigma[place], upper[place]]), MIN_SIGMA)


def _log_likelihood(x: Array, level: float, sigmas: Array) -> float:
    """Of days whose sigmas below and above the level are the rows of `sigmas`."""
    return float(np.log(_density(x, level, sigmas)).sum())


def _density(x: Array, level: float, sigmas: Array) -> Array:
    z = (x - level) / np.where(x < level, sigmas[0], sigmas[1])
    core = (1 + z * z / FREEDOM) ** (-(FREEDOM + 1) / 2) * T_FACTOR / sigmas.mean(axis=0)
    return np.asarray((1 - OUTLIER_SHARE) * core + OUTLIER_SHARE * OUTLIER_DENSITY)
