"""What a limited site's day says of its level where its limit may have held it: the lesser of roof and takers.

A roof of the level L makes min(possible, usable) in each quarter hour, with possible = expected x exp(L) under the
neighbours' sky, and usable what house, battery and allowed feed-in would have taken for sure. Both what was made and
what is possible are cut at the same usable power, which does not depend on either, so nothing is chosen by its outcome:
a quarter hour in which the roof was the limit bounds its level from both sides, one in which the takers were from below
alone. The day's sum of these minima, held against what was made, is a likelihood of every level.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.stats.robust import Array
from detectors.yields import day_residual
from detectors.yields.capped import capped_mean
from detectors.yields.day_residual import Combined

LEVELS = np.array([-4.8, -3.2, -2.4, -1.8, -1.4, -1.1, -0.9, -0.75, -0.6, -0.5, -0.4, -0.3, -0.24, -0.18, -0.12, -0.06,
                   0.0, 0.06, 0.12, 0.18, 0.24, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.7])  # fmt: skip
PER_UNIT = 64  # resolution of a kept logarithm
FREEDOM = 4.0  # Student's t, as of the days of all sites
TAKERS_SIGMA = 0.05  # ours: the regulator's margin, and what meters of house and battery err by
CLOUDS_RATIO = 0.5  # ours: of what clouds between neighbours take from the minima; how they lie is not known
UNKNOWN_SIGMA = 0.2  # ours: wrong planes err to one side where most of the day is curtailed
ALONE_SIGMA = 0.15  # ours: where no pair shows how far neighbours disagree
MIN_ENERGY = 0.1  # ours: kWh per kWp made; with less there is no day to tell of
MIN_RATIO = 0.02  # the logarithm of a day without generation stays finite


class Day(NamedTuple):
    """A day of limited sites; every array is [sites, quarters] unless said."""

    expected_w: Array  # at level 0 under the neighbours' sky; NaN where that is not known
    sky_sigma: Array  # of it, log, by itself
    ceiling_w: Array  # [sites], of the inverter
    made_w: Array  # NaN where not known
    takers_w: Array  # what was usable for sure
    weight: Array  # share of the quarter hour, and how well its expectation is known
    sigma: Array  # [sites]: of the day's expectation, log
    kwp: Array  # [sites]


def sigma(found: Combined, past_sigma: Array, is_unknown: NDArray[np.bool_]) -> Array:
    """Of the day's expectation, log, [sites]: as a day's residual has it, and what pairs and planes leave unknown."""
    by_pairs = day_residual.variance(found, past_sigma, np.zeros(len(past_sigma), dtype=bool), is_unknown)
    variance = np.where(np.isfinite(by_pairs), by_pairs, past_sigma**2 + ALONE_SIGMA**2)
    return np.asarray(np.sqrt(variance + (UNKNOWN_SIGMA * is_unknown) ** 2))


def log_likelihood(day: Day) -> Array:
    """Of each of LEVELS, the best one's being 0, [sites, levels]; NaN where the day told nothing."""
    cap = np.minimum(day.takers_w, day.ceiling_w[:, None])
    known = np.isfinite(day.expected_w) & np.isfinite(day.made_w) & (day.weight > 0) & (cap > 0)
    lit = known.any(axis=0)  # nights take half of the time and tell nothing
    cap, sky, weight = cap[:, lit], day.sky_sigma[:, lit], np.where(known, day.weight, 0.0)[:, lit]
    expected, made = np.nan_to_num(day.expected_w[:, lit]), np.nan_to_num(day.made_w[:, lit])
    total = (np.minimum(made, cap) * weight).sum(axis=1)
    due, by_clear_sky = np.zeros((2, len(total), len(LEVELS)))
    for n, level in enumerate(LEVELS):
        possible = expected * np.exp(level)
        due[:, n] = (capped_mean(possible, cap, sky) * weight).sum(axis=1)
        by_clear_sky[:, n] = (np.minimum(possible, cap) * weight).sum(axis=1)
    max_due = due.max(axis=1, initial=0.0)
    is_enough = max_due / 4000 > MIN_ENERGY * day.kwp
    min_due = np.maximum(MIN_RATIO * max_due, 1e-9)
    log_due = np.log(np.maximum(due, min_due[:, None]))
    ratio = np.log(np.maximum(total, min_due))[:, None] - log_due
    slope = np.clip(np.gradient(log_due, LEVELS, axis=1), 0.0, 1.0)
    clouds = CLOUDS_RATIO * (np.log(np.maximum(by_clear_sky, min_due[:, None])) - log_due)
    sigma = np.sqrt((slope * day.sigma[:, None]) ** 2 + clouds**2 + TAKERS_SIGMA**2)
    by_level = -(FREEDOM + 1) / 2 * np.log1p((ratio / sigma) ** 2 / FREEDOM)
    return np.where(is_enough[:, None], by_level - by_level.max(axis=1, keepdims=True), np.nan)


def on_levels(log_likelihoods: Array, shift: Array, levels: Array) -> Array:
    """Likelihoods on other `levels`, [sites, levels], moved up by `shift`, [sites]; 1 where nothing is told."""
    logs, moved = np.zeros((len(log_likelihoods), len(levels))), np.nan_to_num(shift)
    for n in np.flatnonzero(np.isfinite(log_likelihoods).all(axis=1)):
        logs[n] = np.interp(levels - moved[n], LEVELS, log_likelihoods[n])
    return np.exp(logs)
