"""A site's day in two figures: by how much its level differs from what its neighbours let expect, and how sure that is.

No day is left out by a rule that its variance can express: a dull, curtailed or disputed day counts for little.
The variance's constants were fitted to residuals of healthy sites, in fleets of all kinds.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.stats.robust import MAD_TO_SIGMA, Array, median, median_of
from detectors.yields import two_levels
from detectors.yields.pyranometer import Pairs

PAIR_FLOOR = 0.05  # ours: pairs steadier than that are steady by chance
FULL_ENERGY_RATIO = 0.7  # ours: of the best pair's shared energy; pairs with less count by the square
MAX_DEVIATION, MIN_TO_JUDGE = 0.8, 3  # ours: a neighbour further off is faulty, not uncertain; of two either may be
DISAGREEMENT_FACTOR = 0.58  # fitted: sigma of the median of neighbours over their disagreement
FLOOR = 0.02  # fitted: what agreeing neighbours still have in common
FEW, FEW_SIGMA = 2.2, 0.08  # fitted: with fewer effective neighbours their own error shows, as sigma over the count
LIMITED_LOG, LIMITED_UNKNOWN, LIMITED_FEW = -5.48, 1.5, 1.11  # fitted: what free intervals of limited sites add
LIMITED_EXPONENT, LIMITED_ENERGY = 0.71, 0.02
REST_KWH = 0.015  # fitted: kWh per kWp that the choice of intervals may miss
SCALE_DAYS, MIN_SCALE = 4.0, 0.8  # ours: the site's own day-to-day scale is shrunk by four days, and at least this


def weighted_median(values: Array, weight: Array) -> Array:
    """Along the last axis; entries of weight 0 have no influence, NaN where all have none or there are none."""
    if values.shape[-1] == 0:
        return np.full(values.shape[:-1], np.nan)
    order = np.argsort(values, axis=-1)
    ordered, w = np.take_along_axis(values, order, -1), np.take_along_axis(weight, order, -1)
    total = np.cumsum(w, axis=-1)
    place = (total >= 0.5 * total[..., -1:]).argmax(axis=-1)
    middle = np.take_along_axis(ordered, place[..., None], -1)[..., 0]
    return np.where(total[..., -1] > 0, middle, np.nan)


def heard(ratio: Array, weight: Array) -> Array:
    """`weight` of pairs without those far off the middle of three or more, along the last axis.

    They are faulty or wrongly registered, and a steady one would outweigh the rest.
    """
    known = weight > 0
    middle = median(np.where(known, ratio, np.nan))[..., None]
    with np.errstate(invalid="ignore"):
        is_off = (known.sum(axis=-1, keepdims=True) >= MIN_TO_JUDGE) & (np.abs(ratio - middle) > MAX_DEVIATION)
    return np.where(is_off, 0.0, weight)


class Combined(NamedTuple):
    """The pairs of a day taken together; every array is [sites]."""

    x: Array
    disagreement: Array
    neighbours: Array
    energy: Array


def combine(pairs: Pairs, pair_sigma: Array, level: Array) -> Combined:
    """The weighted median of a site's pairs, `pair_sigma` [sites, neighbours] being their scatter from day to day."""
    known = np.isfinite(pairs.log_ratio)
    energy = np.where(known, pairs.energy, 0.0)
    max_energy = energy.max(axis=1, initial=0.0)
    weight = np.where(known, 1 / (pair_sigma**2 + PAIR_FLOOR**2), 0.0)
    weight *= np.minimum(1.0, energy / np.maximum(FULL_ENERGY_RATIO * max_energy, 1e-9)[:, None]) ** 2
    ratio = np.where(known, pairs.log_ratio, 0.0)
    weight = heard(ratio, weight)
    middle = weighted_median(ratio, weight)
    total = weight.sum(axis=1)
    deviation = np.abs(ratio - np.nan_to_num(middle)[:, None])
    share = np.minimum(weight / np.maximum(weight.max(axis=1, initial=0.0), 1e-12)[:, None], 0.25) * 4
    mean_square = (share * np.minimum(deviation, MAX_DEVIATION) ** 2).sum(axis=1) / np.maximum(
        share.sum(axis=1) - 1, 0.7
    )
    # Mean square and median together: one alone is blind to a split, or to a single dissenter.
    usual = MAD_TO_SIGMA * weighted_median(deviation, share + 1e-9)
    disagreement = np.sqrt(0.5 * mean_square + 0.5 * usual**2)
    count = effective(weight)
    is_known = total > 0
    return Combined(
        np.where(is_known, middle + level, np.nan), np.where(is_known, disagreement, np.nan), count, max_energy
    )  # fmt: skip


def variance(found: Combined, past_sigma: Array, has_limit: NDArray[np.bool_], is_unknown: NDArray[np.bool_]) -> Array:
    """Of a day's x, before the site's own scale, [sites]; `past_sigma`: what the site's own past leaves open."""
    energy = found.energy
    chosen = (
        np.exp(LIMITED_LOG + LIMITED_UNKNOWN * is_unknown + LIMITED_FEW / np.maximum(found.neighbours, 0.5))
        / (energy + LIMITED_ENERGY) ** LIMITED_EXPONENT
    )
    limited = has_limit * (chosen**2 + (REST_KWH / np.maximum(energy, 0.01)) ** 2)
    few = few_variance(found.neighbours)
    return np.asarray((DISAGREEMENT_FACTOR * found.disagreement) ** 2 + past_sigma**2 + FLOOR**2 + limited + few)


def effective(weight: Array) -> Array:
    """How many neighbours of equal weight would say as much, along the last axis; 0 where there is none."""
    total = weight.sum(axis=-1)
    return np.where(total > 0, total**2 / np.maximum((weight**2).sum(axis=-1), 1e-12), 0.0)


def few_variance(count: Array) -> Array:
    """What so few effective neighbours err by together."""
    return np.where(count < FEW, (FEW_SIGMA / np.maximum(count, 0.3)) ** 2, 0.0)


def own_scale(x: Array, variances: Array) -> Array:
    """By how much a site's days differ more than their variances say, [sites]; x and variances are [sites, days].

    From the differences of neighbouring known days: a step leaves but one large difference, which a median ignores. Of
    days at two levels each counts from its own: else a part that comes and goes hides in what it makes them differ by.
    """
    scales = np.ones(len(x))
    for n, (values, squares) in enumerate(zip(x, variances, strict=True)):
        known = np.isfinite(values) & np.isfinite(squares)
        if known.sum() <= 4:
            continue
        values, low = values.copy(), two_levels.low_days(values)
        for one in () if low is None else (low, ~low & known):
            values[one] -= median_of(values[one])
        z = np.diff(values[known]) / np.sqrt(squares[known][1:] + squares[known][:-1])
        scale = MAD_TO_SIGMA * median_of(np.abs(z))
        scales[n] = np.sqrt((SCALE_DAYS + len(z) * scale**2) / (SCALE_DAYS + len(z)))
    return np.maximum(scales, MIN_SCALE)
