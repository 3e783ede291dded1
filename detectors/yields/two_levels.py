"""Whether a roof's days lie at two levels with nothing between: a part of it that comes and goes.

Weather scatters days around one level, and unknown planes let them follow the sky. Two levels far apart beside what
scatters around each are neither, and that scatter alone is the roof's own.
"""

import numpy as np
from numpy.typing import NDArray

from detectors.stats.robust import MAD_TO_SIGMA, Array, median_of

# Ours: in sigmas of a level's own days. Ashman, Bird and Zepf (1994) call two parts distinct from 2 on; the two halves
# of a normal distribution lie 2.7 apart.
APART_SIGMAS = 5.0
EMPTY_SHARE = 0.4  # ours: of what lies between them; a few days far off have others on the way to them
MIN_GAP, MAX_GAP = 0.1, 1.5  # ours: log; less is no fault's, and snow takes more
MIN_DAYS, MIN_SHARE = 6, 0.15  # ours: at each of the two
MIN_SIGMA = 0.02  # ours: log; days steadier than that are steady by chance
ALIKE = 0.2  # ours: of the chance that a day at one level had the clearer sky, beside an even one


def low_days(x: Array) -> NDArray[np.bool_] | None:
    """Which of the days lie at the lower of two levels, [days]; None where there is one. `x`: logs, NaN = none."""
    known = np.isfinite(x)
    values = np.sort(x[known])
    least = max(MIN_DAYS, int(np.ceil(MIN_SHARE * len(values))))
    if len(values) < 2 * least:
        return None
    gaps = np.diff(values)[least - 1 : len(values) - least]
    at = least + int(gaps.argmax())
    low, high = values[:at], values[at:]
    low_level, high_level = median_of(low), median_of(high)
    between = high_level - low_level
    apart = np.abs(np.concatenate([low - low_level, high - high_level]))
    sigma = max(MAD_TO_SIGMA * median_of(apart), MIN_SIGMA)
    if not MIN_GAP <= between <= MAX_GAP or between < APART_SIGMAS * sigma or high[0] - low[-1] < EMPTY_SHARE * between:
        return None
    with np.errstate(invalid="ignore"):
        return np.asarray(x < values[at])


def is_the_skys(is_low: NDArray[np.bool_], is_high: NDArray[np.bool_], clearness: Array) -> bool:
    """Whether the sky parts the days as their levels do, by how often a low day was clearer than a high one.

    That share is the Mann-Whitney statistic over its maximum (Mann and Whitney 1947): a half where it says nothing.
    Unknown planes make one level of clear days and another of dull ones. True where too few days tell.
    """
    low, high = (clearness[one & np.isfinite(clearness)] for one in (is_low, is_high))
    if len(low) < MIN_DAYS or len(high) < MIN_DAYS:
        return True
    from scipy.stats import mannwhitneyu  # loads slowly, and few roofs come so far

    clearer = mannwhitneyu(low, high, method="asymptotic").statistic / (len(low) * len(high))
    return bool(abs(clearer - 0.5) > ALIKE)
