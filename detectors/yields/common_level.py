"""What the learned levels of a neighbourhood have in common, which is no site's own.

Levels are held against each other: under a sky that is clearer than the model's clear one all of a town's roofs seem
to be larger than registered, and a roof that is smaller looks like its register. Registers err one by one, the sky's
model for all roofs of a town alike. So a level is told against the middle one around it.
"""

import numpy as np
import polars as pl

from detectors.stats.robust import Array
from detectors.yields.baseline_prior import limited_sigma
from detectors.yields.day_residual import effective, weighted_median
from detectors.yields.fleet_day import WITHIN_KM, column, newest
from detectors.yields.neighbours import nearest
from detectors.yields.sequential_test import REFERENCE

MAX_AROUND = 30  # ours: where one register in twenty is wrong, three of ten may be
MIN_AROUND = 3.0  # ours: effective number; of fewer that differ nobody can say which is wrong
LEVEL_SIGMA = 0.1  # ours: of a registered roof's level; no few of them are to outweigh the rest
PLANES_SIGMA = 0.12  # ours: of a roof of unknown planes, over the seasons
COMMON_SIGMA = 0.15  # ours: of the sky's model and the season, log; SKY_ERROR of `roof_model` is nearly twice that
MEDIAN_ERROR = np.sqrt(np.pi / 2)  # standard error of a median over that of a mean, normal distribution


def around(sites: pl.DataFrame, models: pl.DataFrame, odds: pl.DataFrame) -> Array:
    """What the neighbours of each of `sites` (SITES) have in common, log, [sites].

    `models` are ROOF_MODEL and `odds` ODDS rows of earlier nights. It is the middle of their levels, each weighted by
    what its register says of it, without those that are believed to have fallen, drawn to 0 by its own error; 0 where
    too few are known.
    """
    newest_models = newest(models, sites["site_id"])
    level = column(newest_models, "level")
    near = nearest(sites, max_count=MAX_AROUND, within_km=WITHIN_KM).place
    if not near.size:
        return np.zeros(sites.height)
    is_unknown = newest_models["shares"].is_not_null().to_numpy()
    limited = sites["feed_in_limit_kw"].is_not_null().to_numpy() * limited_sigma(column(newest_models, "energy", 0.0))
    weight = 1 / (LEVEL_SIGMA**2 + (PLANES_SIGMA * is_unknown) ** 2 + limited**2)
    is_fallen = column(newest(odds, sites["site_id"]), "log_odds_fall", -20.0) > REFERENCE
    weight = np.append(np.where(np.isfinite(level) & ~is_fallen, weight, 0.0), 0.0)[near]
    middle = np.nan_to_num(weighted_median(np.append(np.nan_to_num(level), 0.0)[near], weight))
    error = MEDIAN_ERROR**2 / np.maximum(weight.sum(axis=1), 1e-9)
    drawn = middle * COMMON_SIGMA**2 / (COMMON_SIGMA**2 + error)
    return np.where(effective(weight) >= MIN_AROUND, drawn, 0.0)
