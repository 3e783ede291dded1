"""Another capacity than the registered one, told from the shape of the days of a roof whose planes nobody registered.

A lesser roof that looks south makes as much at noon as a larger one that looks elsewhere, but not in the mornings, the
evenings and under dull skies. So the half hours of some weeks are held against every mix of planes that a roof may have
(least squares with shares that are not negative), once of any capacity and once of about the registered one. What the
second leaves unexplained beyond the first is the evidence.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.solar import plane_response
from detectors.stats.robust import Array
from detectors.yields.half_hours import Days

TILTS_DEG = np.array([0.0, *np.repeat([15.0, 35.0, 62.0], 8)])  # ours: as near to each other as their days can be told
AZIMUTHS_DEG = np.array([0.0, *np.tile(np.arange(0.0, 360.0, 45.0), 3)])
LEAST, MOST = 0.87, 1.15  # of the register: what roofs differ by (`cases.MIN_SHARE`)
MIN_APART = 0.12  # ours: log; a level so near to the register's is asked no further
MIN_DAYS, MIN_ROWS = 14, 150  # ours: with fewer the sky's own ups and downs have a shape
RECENT_DAYS = 45  # the sun's course moves on
MIN_ELEVATION_DEG = 8.0  # ours: below it horizons count more than planes
BELOW_PEAK = 0.93  # of the highest power seen; what lies nearer to it may be clipped
MISFIT = 0.05  # of the variance of a half hour, beside what goes with its power
HELD = 1e3  # weight of the sum's row beside the others
# Clouds and a wrong horizon last for two hours or so: of as many half hours one tells something of its own.
HALF_HOURS_ALIKE = 4.5


class Shape(NamedTuple):
    """What the days' shape says of a roof's capacity."""

    log_ratio: float  # log likelihood of any capacity over that of about the registered one
    level: float  # log of the capacity that fits over the registered one


def of_days(days: Days, kwp: float, peak_w: float, level: float, is_out: NDArray[np.bool_]) -> Shape | None:
    """Of one site's kept half hours; None with too few of them. `level`: what all roofs around have in common, log.

    `is_out`, [rows], are days on which the roof had fallen; they count if it had so from its first days on.
    """
    from scipy.optimize import nnls  # loads slowly, and most commands judge no day

    kept = np.zeros(len(days.day), dtype=bool)
    kept[-RECENT_DAYS:] = True
    if (kept & ~is_out).sum() >= MIN_DAYS:
        kept &= ~is_out
    if kept.sum() < MIN_DAYS:
        return None
    with np.errstate(invalid="ignore"):
        usable = (days.share > 0) & np.isfinite(days.clearness) & (days.elevation_deg > MIN_ELEVATION_DEG)
        usable &= kept[:, None] & (days.power_w < BELOW_PEAK * peak_w)
    if usable.sum() < MIN_ROWS:
        return None
    made_w, each_w = days.power_w[usable] * np.exp(-level), _each_w(days, usable, kwp)
    mean_w = max(float(made_w.mean()), 1e-9)
    weight = np.sqrt(days.share[usable] / (mean_w * np.maximum(made_w, 1.0) + MISFIT * mean_w**2))
    rows, values = each_w * weight[:, None], made_w * weight
    shares, left = nnls(rows, values)
    total = float(shares.sum())
    bound = min(max(total, LEAST), MOST)
    if bound == total or left <= 0:
        return Shape(0.0, float(np.log(max(total, 1e-3))))
    held = HELD * float(np.abs(rows).max())
    registered, _ = nnls(np.vstack([rows, np.full((1, rows.shape[1]), held)]), np.append(values, held * bound))
    more = float(np.linalg.norm(rows @ registered - values)) / left
    return Shape(len(values) / HALF_HOURS_ALIKE * float(np.log(more)), float(np.log(max(total, 1e-3))))


def _each_w(days: Days, usable: NDArray[np.bool_], kwp: float) -> Array:
    """What a roof of each plane alone would make of the usable half hours, [half hours, planes]."""
    sky = type(days.sky)(*(values[usable][None] for values in days.sky))
    answer = plane_response.answer(sky, TILTS_DEG[:, None], AZIMUTHS_DEG[:, None])
    light = plane_response.irradiance_w_m2(answer, days.clearness[usable][None])
    ambient_c = np.broadcast_to(days.ambient_c[:, None], usable.shape)[usable]
    made: Array = light * plane_response.efficiency(light, ambient_c[None]) * kwp
    return made.T
