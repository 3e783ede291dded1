"""How far a site's few neighbours are in doubt themselves, and when they tell nothing of its sky.

Of several neighbours the median tolerates one that fell; of one or two it does not. So what the neighbours' own tests
leave open goes into the variance of the site's day. And no healthy roof comes to make much more than it ever did: one
that beats what its few neighbours let expect shows that they have fallen, unless its own clear day shows as much.
"""

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.stats.robust import Array
from detectors.yields import baseline_prior
from detectors.yields.day_residual import FEW, Combined
from detectors.yields.fleet_day import Fleet, column
from detectors.yields.pyranometer import Pairs
from detectors.yields.sequential_test import RISES

BEATEN_SIGMAS = 4.0  # ours: of the day's level and of what it is held against
CLEAR_SHARE, AS_CLEAR = 0.5, 0.25  # ours: of a lone day's energy; log, of its level beside that of the pairs


def variance(fleet: Fleet, odds: pl.DataFrame, pairs: Pairs, neighbours: Array) -> Array:
    """Of a day's level, [sites]: that a neighbour has fallen and nobody knows yet; 0 beside enough of them.

    A neighbour that fell by `depth` with the probability p errs by the variance p (1 - p) depth^2. `odds` are the
    newest ODDS rows before the day, in the fleet's order; `neighbours` is the effective number.
    """
    chance = 1 / (1 + np.exp(-column(odds, "log_odds_fall", -20.0)))
    own = chance * (1 - chance) * column(odds, "depth", 0.0) ** 2
    of_each = np.concatenate([own, np.zeros(len(fleet.sensed) + 1)])  # sensors are no roofs; -1 is an empty place
    is_known = np.isfinite(pairs.log_ratio)
    mean = np.where(is_known, of_each[fleet.references], 0.0).sum(axis=1) / np.maximum(is_known.sum(axis=1), 1)
    return np.where(neighbours < FEW, mean, 0.0)


def is_beaten(
    fleet: Fleet, odds: pl.DataFrame, found: Combined, sigma: Array, lone_x: Array, lone_near: Array
) -> NDArray[np.bool_]:
    """Whether the site makes so much more than its few neighbours let expect that they tell nothing, [sites]."""
    baseline = column(odds, "baseline", 0.0)
    known = column(odds, "baseline_sigma")
    baseline_sigma = np.where(np.isfinite(known), known, baseline_prior.sigma(fleet))
    with np.errstate(invalid="ignore"):
        above = found.x + column(fleet.models, "tie", 0.0) - baseline
        has_few = (found.neighbours > 0) & (found.neighbours < FEW)
        is_above = above > np.maximum(min(RISES), BEATEN_SIGMAS * np.hypot(sigma, baseline_sigma))
        has_shown_it = (lone_near >= CLEAR_SHARE) & (lone_x > found.x - AS_CLEAR)
    return np.asarray(has_few & is_above & ~has_shown_it)


def without(found: Combined, alone: NDArray[np.bool_]) -> Combined:
    """The same for sites of which `alone` says that no neighbour tells anything."""
    return Combined(
        np.where(alone, np.nan, found.x), np.where(alone, np.nan, found.disagreement),
        np.where(alone, 0.0, found.neighbours), np.where(alone, 0.0, found.energy),
    )  # fmt: skip
