"""Whether one of a site's inputs lost power: each against the others, by what their own planes expect.

Common sky and curtailment cancel in the ratio: what is expected of the inputs is in each part of the day scaled to what
all of them made, or a curtailed noon would count as if it had been made. Shares drift with the season at healthy roofs
too, so an input opens an exception only if it is nearly dead or the whole site's level agrees.
"""

import numpy as np

from detectors.solar import plane_response
from detectors.solar.plane_response import Answer
from detectors.stats.robust import Array
from detectors.yields.plane_shares import RIDGE_ROWS

SIGMA = 0.04  # fitted: of a day's log ratio beside its planes
SKY_SENSITIVITY = 0.35  # fitted: of the difference that clear and overcast make; what a wrong sky can do
MIN_SCALE = 0.7  # ours: of the own day-to-day scale
WALK_PER_DAY = 0.012  # fitted: shares drift faster than levels
BASELINE_SIGMA, FIRST_DAY_PRIOR, SMALLEST_FALL = 0.10, 0.002, 0.2
RISE_PRIOR = 0.002  # ours: the others fell
MIN_ENERGY = 0.05  # kWh per kWp of the day
DEAD = -1.2  # log ratio: less than a third of the usual share
OVERCAST = 0.3  # clearness of the overcast that `SKY_SENSITIVITY` compares with
MIN_POWER_RATIO = 0.02  # ours: of the peak capacity, all inputs together
MAX_OWN_CLEARNESS = 1.2
MIN_SHARE = 0.01  # the logarithm of a dead input stays finite


def own_sky(clearness: Array, power_w: Array, answer: Answer, ambient_c: Array, kwp: float | Array) -> Array:
    """The neighbours' clearness, filled by the site's own power where they tell nothing; all of one shape."""
    clear = plane_response.possible_w(answer, np.ones(1), ambient_c, np.asarray(kwp), np.asarray(np.inf))
    own = np.clip(np.nan_to_num(power_w) / np.maximum(clear, 1.0), 0.0, MAX_OWN_CLEARNESS)
    return np.where(np.isfinite(clearness), clearness, own)


def of_days(
    inputs_w: Array, valid: np.ndarray, mix: Array, each: Answer, sky: Array, kwp: float | Array, part_h: float
) -> tuple[Array, Array]:
    """`day_ratios` of days, both [days, inputs], NaN on days with too little power.

    `inputs_w` is [inputs, days, parts], `valid` and `sky` [days, parts], `mix` [inputs, planes] and `each`
    [planes, days, parts]; or `mix` [inputs, planes, days] where each day has its own;
    `part_h` is the length of a part in hours.
    """
    made = np.where(valid, inputs_w, 0.0).sum(axis=2).T
    made = np.where(np.isfinite(inputs_w).any(axis=2).T, made, np.nan)
    total = np.where(valid, np.nan_to_num(inputs_w), 0.0).sum(axis=0)

    def due(clearness: Array) -> Array:
        light = np.where(valid, plane_response.irradiance_w_m2(each, clearness), 0.0)
        parts = np.einsum("ijd,jdp->idp", mix, light) if mix.ndim == 3 else np.tensordot(mix, light, 1)
        summed: Array = (parts * part_scale(parts, total)).sum(axis=2).T
        return np.where(np.isfinite(made), summed, np.nan)

    x, sigma = day_ratios(made, due(sky[None]), due(np.ones(1)), due(np.full(1, OVERCAST)))
    enough = np.nansum(made, axis=1) * part_h > MIN_ENERGY * 1000 * np.asarray(kwp)
    return np.where(enough[:, None], x, np.nan), sigma


def part_scale(expected: Array, total: Array) -> Array:
    """What all inputs made over what was expected of them, part by part; of [inputs, ...] and [...], gives [...]."""
    due = expected.sum(axis=0)
    return np.asarray(np.divide(total, due, out=np.zeros_like(due), where=due > 0))


def day_ratios(made: Array, expected: Array, clear: Array, overcast: Array) -> tuple[Array, Array]:
    """Log ratio of each input to the mean of the others beside its planes, and its sigma; all [sites, inputs], kWh.

    NaN for inputs that are not there. `clear` and `overcast` are what the fitted planes make of such skies that day.
    """
    others, due_others = _rest(made), _rest(expected)
    with np.errstate(invalid="ignore", divide="ignore"):
        x = np.log(np.maximum(made, MIN_SHARE * others) / np.maximum(others, MIN_SHARE * made)) - np.log(
            np.maximum(expected, 1e-9) / np.maximum(due_others, 1e-9)
        )
        sky = np.abs(
            np.log(np.maximum(clear, 1e-9) / np.maximum(_rest(clear), 1e-9))
            - np.log(np.maximum(overcast, 1e-9) / np.maximum(_rest(overcast), 1e-9))
        )
    is_known = np.isfinite(made) & np.isfinite(others) & (made + others > 0)
    return np.where(is_known, x, np.nan), np.sqrt(SIGMA**2 + (SKY_SENSITIVITY * np.nan_to_num(sky)) ** 2)


def _rest(values: Array) -> Array:
    """The mean of a site's other inputs, [sites, inputs]; NaN where there is none."""
    known = np.isfinite(values)
    count = known.sum(axis=1, keepdims=True) - known
    total = np.where(known, values, 0.0)
    return np.where(count > 0, (total.sum(axis=1, keepdims=True) - total) / np.maximum(count, 1), np.nan)


def fit_rows(by_plane: Array, power: Array, total: Array) -> tuple[Array, Array]:
    """The weighted rows of an input's non-negative least squares, its ridge towards an even mix included.

    `by_plane` is [rows, planes] per kWp-share, `power` and `total`, of the input and of all, are [rows].
    """
    weight = 1 / np.sqrt(total.mean() * np.maximum(total, 1))
    size = np.sqrt(((by_plane * weight[:, None]) ** 2).mean(axis=0)).mean() + 1e-9
    count = by_plane.shape[1]
    even = np.full(count, power.sum() / max(by_plane.sum() / count, 1e-9) / count)
    ridge = np.sqrt(RIDGE_ROWS / 2) * size
    rows = np.vstack([by_plane * weight[:, None], ridge * np.eye(count)])
    return rows, np.concatenate([power * weight, ridge * even])
