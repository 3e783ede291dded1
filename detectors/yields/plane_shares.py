"""What a roof of unknown planes is made of: shares of seven basis planes that make its power from its neighbours' sky.

Ridge non-negative least squares on half hours, the ridge worth eight rows, towards usual roofs. Each day is scaled on
its own, so neither faults nor a wrong peak capacity turn the planes. A site without neighbours is fitted to the
envelope of its days against the clear sky.
"""

import numpy as np

from detectors.stats.robust import Array, quantile_of

PULL_SHARES = np.array([0.08, 0.15, 0.42, 0.15, 0.08, 0.12, 0.0])  # ours: usual roofs; tilts around 30, few steep
RIDGE_ROWS = 8.0  # measured: fewer let a dozen dull days turn the roof
MIN_ROWS = 20  # ours: half hours; fewer tell nothing of seven planes
COVERED_RATIO = 0.03  # ours: days with less are snow or faults and have no shape
ENVELOPE_QUANTILE = 0.88  # measured: of a half hour's powers over 25 days; a clear sky, without cloud enhancement
ENVELOPE_DAYS, ENVELOPE_SHARE, ENVELOPE_MIN = 25, 0.2, 6  # ours: of the powers; half hours of the day with one


def day_scales(actual: Array, expected: Array, day: np.ndarray) -> Array:
    """Per row the ratio of its day's actual to expected sums; NaN for days that are covered or empty."""
    count = int(day.max(initial=-1)) + 1
    made, due = np.bincount(day, actual, count), np.bincount(day, expected, count)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = np.where((due > 0) & (made > 0), made / due, np.nan)
    return np.where(ratio > COVERED_RATIO, ratio, np.nan)[day]


def fit(by_plane: Array, actual: Array) -> Array | None:
    """Shares that sum to 1, [planes]; None where the rows tell too little.

    `by_plane` is what the site would make as each of the planes alone, [rows, planes]; `actual` is [rows], scaled.
    """
    from scipy.linalg import cholesky, solve_triangular  # loads slowly, and most commands judge no day
    from scipy.optimize import nnls

    if len(actual) < 6:
        return None
    scale = np.sqrt(np.mean(actual**2)) + 1
    weight = 1 / np.sqrt(scale * np.maximum(actual, 0) + 0.02 * scale**2)
    rows, values = by_plane * weight[:, None], actual * weight
    size = np.sqrt((rows**2).mean(axis=0)).mean()
    level = max(actual.sum(), 1.0) / max(float((by_plane @ PULL_SHARES).sum()), 1.0)
    ridge = RIDGE_ROWS * size**2
    normal = rows.T @ rows + ridge * np.eye(rows.shape[1])
    pull = rows.T @ values + ridge * PULL_SHARES * level
    root = cholesky(normal)  # the same minimum with seven rows in place of thousands
    shares, _ = nnls(root, solve_triangular(root, pull, trans="T"))
    total = shares.sum()
    return np.asarray(shares / total) if total > 0 else None


def envelope(half_hour: np.ndarray, actual: Array, by_plane: Array) -> tuple[Array, Array]:
    """Rows for `fit` of a lone site: by half hour of the day its high powers, and what planes make under a clear sky.

    All are [rows]; `by_plane` is [rows, planes] at clearness 1.
    """
    rows, values = [], []
    for one in np.unique(half_hour):
        mine = np.flatnonzero(half_hour == one)
        if len(mine) < ENVELOPE_MIN:
            continue
        values.append(quantile_of(actual[mine], ENVELOPE_QUANTILE))
        top = mine[np.argsort(actual[mine])[-max(3, int(len(mine) * ENVELOPE_SHARE)) :]]
        rows.append(by_plane[top].mean(axis=0))
    if len(values) < ENVELOPE_MIN:
        return np.zeros((0, by_plane.shape[1])), np.zeros(0)
    return np.array(rows), np.array(values)
