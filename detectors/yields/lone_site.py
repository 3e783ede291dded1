"""A site without neighbours: its best quarter hours against the clear sky, and how much its clouds leave open.

x is the log of the level that the day's best spans reach; p the share of the energy near it. On clear days a
healthy site reaches its level within a tenth; on others a cloud is the likelier cause the lower x is.

A site behind a limit is told of by what its roof left undone: on a clear day, when house and battery take less than it
could make, nothing is. So its x can't lie above a highest one, and each level is weighed by its chance to lie below.
"""

from typing import NamedTuple

import numpy as np

from detectors.stats.robust import Array
from detectors.yields.sequential_test import FREEDOM, LEVELS, T_FACTOR, TEMPER, is_explained

BEST_QUANTILE = 0.85  # measured: of the energy-weighted ratios; the highest ones are cloud enhancement
NEAR_RATIO = 0.08  # of the best: quarter hours within it are of one clear span
MIN_QUARTERS = 6
LOW_LIGHT_RATIO = 0.06  # ours: of the peak capacity; below it horizons count more than the sky
MIN_RATIO = 0.02
CLEAR_CHANCE = ((0.2, 0.35, 0.45, 0.55, 1.0), (0.12, 0.65, 0.82, 0.9, 0.93))  # measured: chance that p means clear
CLEAR_SIGMA, CLEAR_SIGMA_UNKNOWN = 0.055, 0.02  # measured
CLOUD_SCALE = 0.9  # measured: e-fold of the levels that cloudy days reach
TOP = 0.12  # ours: cloudy days reach a tenth above the level at most
# Measured at 297 healthy simulated roofs behind a limit, whose level their neighbours tell: what house and battery take
# all of on cloudy days is sunlit clouds and low suns, the more so the less there is of it (kWh per kWp). Of 304 days
# with less than 0.4 two fifths lay more than a tenth above the level, of 4,010 with more than 3 a seventh.
ABOVE_SHARE, ABOVE_SCALE = ((0.3, 0.6, 1.2, 3.0), (0.6, 0.45, 0.3, 0.25)), 0.15
DARK, DARK_DENSITY = -3.2, 1e-4  # ours: no cloud lets through so little
OUTLIER_SHARE, OUTLIER_DENSITY = 0.02, 0.05
MIN_SEEN = 0.02  # ours: a day in fifty is dull enough anywhere
MIN_ENERGY = 0.1  # kWh per kWp under a clear sky


class Level(NamedTuple):
    """What the best spans of a day tell of each site, [sites]."""

    x: Array  # log; NaN where fewer than six quarter hours can be used
    near: Array  # share of the energy near it
    energy: Array  # kWh per kWp under a clear sky
    highest: Array  # log of the highest level that would have been told; inf = any


def day_level(actual_w: Array, clear_w: Array, is_used: np.ndarray, kwp: Array, highest_w: Array) -> Level:
    """All but `kwp` are [sites, quarters]; `highest_w`: the most with which a quarter hour would be used, inf = any."""
    valid = is_used & np.isfinite(actual_w) & (clear_w > LOW_LIGHT_RATIO * 1000 * kwp[:, None])
    clear = np.where(valid, clear_w, 0.0)
    ratio = np.where(valid, actual_w / np.maximum(clear_w, 1e-9), np.inf)
    order = np.argsort(ratio, axis=1)
    ordered, weight = np.take_along_axis(ratio, order, 1), np.take_along_axis(clear, order, 1)
    total = clear.sum(axis=1)
    place = np.minimum(
        (np.cumsum(weight, axis=1) < BEST_QUANTILE * total[:, None]).sum(axis=1),
        np.maximum(valid.sum(axis=1) - 1, 0),
    )
    best = np.maximum(np.take_along_axis(ordered, place[:, None], 1)[:, 0], MIN_RATIO)
    best = np.where(np.isfinite(best), best, MIN_RATIO)
    near = valid & (np.abs(np.where(valid, ratio, 0.0) / best[:, None] - 1) < NEAR_RATIO)
    share = (clear * near).sum(axis=1) / np.maximum(total, 1e-9)
    is_enough = valid.sum(axis=1) >= MIN_QUARTERS
    # The same quantile of what each quarter hour could have told at most, without its weights.
    beyond = np.sort(np.where(valid, highest_w / np.maximum(clear_w, 1e-9), np.inf), axis=1)
    row = np.arange(len(beyond))
    with np.errstate(divide="ignore"):
        highest = np.log(np.maximum(beyond[row, place], best))
    return Level(np.where(is_enough, np.log(best), np.nan), share, total / 4 / 1000 / kwp, highest)


def likelihood(level: Level, is_unknown: np.ndarray, is_limited: np.ndarray, is_nothing: np.ndarray) -> Array:
    """What each level makes of a day without neighbours, tempered, [sites, levels]; 1 where x is not known.

    `is_nothing`: the day made nothing at all.
    """
    from scipy.special import stdtr  # loads slowly, and most commands judge no day

    off = np.where(is_explained(is_nothing), 0.0, level.x[:, None] - LEVELS[None, :])
    clear_share = np.interp(level.near, *CLEAR_CHANCE)[:, None]
    above_share = np.where(is_limited, np.interp(level.energy, *ABOVE_SHARE), 0.0)[:, None]
    sigma = (CLEAR_SIGMA + CLEAR_SIGMA_UNKNOWN * is_unknown)[:, None]
    clear = T_FACTOR / sigma * (1 + (off / sigma) ** 2 / FREEDOM) ** (-(FREEDOM + 1) / 2)
    cloud = np.exp(np.minimum(off, TOP) / CLOUD_SCALE) / CLOUD_SCALE * np.clip((TOP - off) / 0.1, 0, 1)
    cloud = np.where(off < DARK, DARK_DENSITY, np.where(off < TOP, cloud, 0.0))
    above = np.where(off > 0, np.exp(-np.maximum(off, 0.0) / ABOVE_SCALE) / ABOVE_SCALE, 0.0)
    cloud = (1 - above_share) * cloud + above_share * above
    mixed = clear_share * clear + (1 - clear_share) * cloud
    room = np.minimum(level.highest, 9.0)[:, None] - LEVELS[None, :]
    seen_above = -np.expm1(-np.maximum(room, 0.0) / ABOVE_SCALE)
    seen_clouds = (1 - above_share) * np.exp(np.minimum(room, 0.0) / CLOUD_SCALE) + above_share * seen_above
    seen = clear_share * stdtr(FREEDOM, room / sigma) + (1 - clear_share) * seen_clouds
    mixed = mixed / np.maximum(seen, MIN_SEEN)
    density = (1 - OUTLIER_SHARE) * mixed + OUTLIER_SHARE * OUTLIER_DENSITY * (off < 0.3) + 1e-5
    return np.where(np.isfinite(level.x)[:, None], density**TEMPER, 1.0)
