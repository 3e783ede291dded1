"""What a roof can be expected to make where its takers may have held it: the lesser of the two, on the average.

The neighbours' sky is not the roof's: with a log-normal error of sigma s the mean of min(X, K) is that of a capped
lognormal, m N(a) + K N(-a - s) with a = log(K / m) / s - s / 2 (the limited expected value, Klugman, Panjer & Willmot,
Loss Models, appendix A).
"""

import numpy as np
from numpy.typing import NDArray

from detectors.stats.robust import MAD_TO_SIGMA, Array, median

SKY_SIGMA, FEW_SKY_SIGMA, MAX_SKY_SIGMA = 0.05, 0.25, 0.5  # ours: of a quarter hour's sky beside its neighbours'
FEW = 3  # references; fewer show no scatter


def sky_sigma(by_reference: Array) -> Array:
    """How far the sky over a roof may lie from its neighbours' median, log, [sites, quarters].

    `by_reference` is their clearness, [sites, references, quarters].
    """
    middle = median(by_reference, axis=1)
    scatter = MAD_TO_SIGMA * median(np.abs(by_reference - middle[:, None]), axis=1)
    count = np.isfinite(by_reference).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        sigma = np.where(count >= FEW, np.sqrt(SKY_SIGMA**2 + (scatter / np.maximum(middle, 0.05)) ** 2), FEW_SKY_SIGMA)
    return np.asarray(np.clip(np.nan_to_num(sigma, nan=FEW_SKY_SIGMA), SKY_SIGMA, MAX_SKY_SIGMA))


def capped_mean(mean: Array, cap: Array, sigma: Array) -> Array:
    """The mean of min(X, cap), X log-normal of this mean and log sigma; all broadcast."""
    from scipy.special import ndtr  # loads slowly, and most commands judge no day

    with np.errstate(divide="ignore", invalid="ignore"):
        a = np.log(cap / mean) / sigma - sigma / 2
        capped = mean * ndtr(a) + cap * ndtr(-a - sigma)
    capped = np.where(cap <= 0, 0.0, np.where(mean <= 0, 0.0, capped))
    return np.asarray(np.minimum(capped, np.minimum(mean, cap)))


def min_around(usable_w: Array, is_known: NDArray[np.bool_]) -> Array:
    """The least that house and grid would have taken in a quarter hour and those beside it, [sites, quarters].

    Within the means of a quarter hour a house's load comes and goes: what is surely usable is what always was.
    """
    padded = np.pad(np.where(is_known, usable_w, np.inf), ((0, 0), (1, 1)), constant_values=np.inf)
    return np.asarray(np.minimum(np.minimum(padded[:, :-2], padded[:, 1:-1]), padded[:, 2:]))
