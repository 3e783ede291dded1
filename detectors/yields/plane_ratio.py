"""How much better the plane that clear days show explains them than the planes of the register do.

Mornings and afternoons are held apart, each with a size of its own: an obstacle spoils one side of the day and leaves
the other as the register has it, a roof that lies otherwise differs on both. Likelihoods are of the mean square of what
is left unexplained; hours of one day err together, and what the models of clear skies err by is alike on all days, so
more days do not make it smaller.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.solar import pv_model
from detectors.stats.robust import Array, median

DAY_SIGMA = 0.02  # ours: of the highest power; what a clear day errs by beside another
SKY_SIGMA = 0.02  # ours: of the highest power; what models of clear skies and of ground err by, on all days alike
CUT_SIGMAS = 5.0  # ours: of both; a pole's shade is no plane
HORIZON_SINE = 0.5  # ours: 30 degrees; houses, trees and mountains on both sides hide lower suns: no other plane
MIN_HOURS = 2.0  # ours: a day, of each half; fewer show no shape


class Ratios(NamedTuple):
    """Log likelihood of the learned plane over the registered ones, [sites]; NaN where a half has too few hours."""

    morning: Array
    afternoon: Array


def of_sites(
    power: Array,
    by_register: Array,
    by_learned: Array,
    clear: pv_model.Hours,
    site: NDArray[np.intp],
    days: NDArray[np.intp],
    haze: Array,
) -> Ratios:
    """From clear days, [rows, 24] kW per kWp, NaN where an hour does not count; `site`, [rows], is each day's.

    `days` and `haze`, [sites], are the number of clear days and by how much more a low sun errs.
    """
    east, is_above = pv_model.by_hour(clear.sky.east), pv_model.by_hour(clear.sky.up) > HORIZON_SINE
    ratios = []
    for half in (east > 0, east <= 0):
        known = np.isfinite(power) & is_above & half & (by_learned > 0)
        count = np.bincount(site, known.sum(axis=1), len(days))
        peak = np.zeros(len(days))
        np.maximum.at(peak, site, np.where(np.isfinite(power), power, 0.0).max(axis=1))
        sigma, shared = DAY_SIGMA * haze, SKY_SIGMA * haze
        cut = CUT_SIGMAS * np.hypot(sigma, shared)[site, None]
        left = [_rest(power, made, known, site, peak) for made in (by_register, by_learned)]
        register, learned = (
            np.bincount(site, (np.minimum(one, cut) ** 2).sum(axis=1), len(days)) / np.maximum(count, 1) for one in left
        )
        variance = sigma**2 / np.maximum(days, 1) + shared**2
        is_enough = count >= MIN_HOURS * np.maximum(days, 1)
        ratios.append(np.where(is_enough, (register - learned) / (2 * variance), np.nan))
    return Ratios(*ratios)


def _rest(power: Array, made: Array, known: NDArray[np.bool_], site: NDArray[np.intp], peak: Array) -> Array:
    """What is left unexplained at the size that fits best, over the highest power; 0 where not known, [rows, 24]."""
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(known & (made > 0), power / made, np.nan)
    size = np.ones(len(peak))
    for n in np.unique(site):
        mine = ratio[site == n]
        size[n] = np.nan_to_num(median(mine.ravel()), nan=1.0)
    left = np.where(known, power - made * size[site, None], 0.0)
    return np.abs(np.nan_to_num(left)) / np.maximum(peak, 1e-6)[site, None]
