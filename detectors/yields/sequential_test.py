"""One sequential test per site: how likely it is that its level fell, from all its days together.

A Bayes filter on a grid over two quantities: the site's own baseline b (the log of its level while healthy, which
walks slowly) and a deviation D from it (0 = healthy). Each day's likelihood of its residual x is Student's t around
b + D with the day's own sigma, so a day that says little moves little. A passing fall is there on one day in two, as a
loose contact or an inverter that grows too hot makes it: its days are a mixture of both levels. The filter's verdict is
the log odds of a deviation against none. It is the discrete form of a hidden Markov model's forward recursion (Rabiner
1989).
"""

from functools import cache
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.stats.robust import Array
from detectors.yields import cold

STEP = 0.02  # ours: the grid's resolution, a third of the smallest sigma of a day
BASELINES = np.round(np.arange(-0.8, 0.8 + STEP / 2, STEP), 4)
FALLS = (-0.1, -0.16, -0.24, -0.34, -0.46, -0.6, -0.8, -1.1, -1.6, -2.4, -3.2, -4.0)
RISES = (0.22, 0.3, 0.46, 0.64, 0.86)  # possible only from the first day on: modules beyond the registered capacity
PASSING = (-0.16, -0.24, -0.34, -0.46, -0.6, -0.8)  # ours: on the days on which a passing fall is there
DEVIATIONS = np.round(np.array((0.0, *FALLS, *RISES, *PASSING)) / STEP) * STEP
LASTING_AT = slice(1, 1 + len(FALLS))
RISING_AT = slice(LASTING_AT.stop, LASTING_AT.stop + len(RISES))
PASSING_AT = slice(RISING_AT.stop, len(DEVIATIONS))
PASSING_SHARE = 0.5  # ours: of the days; how often it is there is told of its own days, not by the test
NOTHING_BELOW = -3.0  # log: ours; levels and deviations that mean no generation at all
NOTHING = DEVIATIONS < NOTHING_BELOW
FREEDOM = 4.0  # ours: Student's t; days of a real fleet have tails about so heavy
T_FACTOR = 0.375  # Student's t with 4 degrees of freedom at 0
# A day's sigma is a root mean square, and Student's t of scale s has the variance s^2 n / (n - 2). Measured on 111
# healthy simulated roofs: 1.05 sigma, and by the median of deviations 0.77 (a t of this scale: 1 and 0.78).
T_SCALE = ((FREEDOM - 2) / FREEDOM) ** 0.5
OUTLIER_SHARE, OUTLIER_DENSITY = 0.02, 0.16  # ours: one day in fifty says nothing; flat over the grid's six units
TEMPER = 0.7  # days are correlated (lag 1: 0.32, lag 7: 0.20, measured on six roofs near 46 N): each counts for less
# ours: in the cold, rime and patches of snow make one day in five say nothing of the roof, and they lie for days: where
# the roofs around show them too, a day counts for half.
COLD_TEMPER, COLD_OUTLIER_SHARE = 0.35, 0.2
HAZARD = 1 / 1000  # per day; ours: one fall in three years
PASSING_HAZARD = HAZARD / 4  # ours: of five falls one comes and goes
RECOVERY = 1 / 60  # per day; ours: repairs and what melts or is washed off
FIRST_DAY_PRIOR = 0.01  # ours: one site in a hundred is faulty from its first day
RISE_PRIOR = 0.01  # ours: and the register of one in a hundred knows less modules than there are
WALK_PER_DAY = 0.004  # measured: .002 gives six times the false alarms in summer, .006 hides a fall of 10 %
# Log odds: an exception opens, closes; a site is no reference above the last. Measured: of 192 simulated sites without
# a fault 95 % stay below 0.3 for 60 days, 185 below 1 and 188 below 3.5; the highest, 12, lay under snow.
OPEN, CLOSE, REFERENCE = 3.5, -2.0, 2.0
CUT_SIGMA = 5.0  # of the baseline's prior: a heavier tail would explain a dead string away
CUT_ABOVE = 3.0  # ours: shade, age and soiling make roofs yield less; nothing makes modules yield much more
MIN_SIGMA = 0.15  # ours: of the level that a day's total shows at least; wrong planes are in it
MIN_MARGIN = 3 * MIN_SIGMA  # it errs alike from day to day, so only what lies clearly below it is contradicted
TINY, SURE = 1e-300, 1e-13


class Prior(NamedTuple):
    """What is believed of each site before its first day; every array is [sites]."""

    sigma: Array  # of the baseline
    first_day: float = FIRST_DAY_PRIOR
    rise: float = RISE_PRIOR
    smallest: float = 0.05  # the least fall that is looked for


class Report(NamedTuple):
    """The filter after a day; every array is [sites]."""

    log_odds_fall: Array
    log_odds_rise: Array
    passing: Array  # the probability that a fall comes and goes, given that there is one
    depth: Array  # the mean deviation, given that there is one
    baseline: Array  # its mean
    baseline_sigma: Array


def start(prior: Prior) -> Array:
    """The probabilities before the first day, [sites, baselines, deviations]."""
    z = BASELINES[None, :] / prior.sigma[:, None]
    level = np.where((z >= -CUT_SIGMA) & (z <= CUT_ABOVE), np.exp(-0.5 * np.minimum(np.abs(z), CUT_SIGMA) ** 2), 0.0)
    level /= level.sum(axis=1, keepdims=True)
    falls = _falls(prior.smallest)
    kind = np.zeros(len(DEVIATIONS))
    kind[falls] = prior.first_day / (falls.stop - falls.start)
    kind[RISING_AT] = prior.rise / len(RISES)
    kind[0] = 1 - kind.sum()
    return np.asarray(level[:, :, None] * kind[None, None, :])


def _falls(smallest: float) -> slice:
    """Where the lasting falls lie that are deeper than `smallest`."""
    return slice(LASTING_AT.start + sum(one >= -smallest for one in FALLS), LASTING_AT.stop)


def walk_share(sigma_per_day: Array) -> Array:
    """The probability of one step of the grid up, and as much down, for a random walk of this sigma per day."""
    return np.asarray(0.5 * (sigma_per_day / STEP) ** 2)


def advance(
    state: Array, walk: Array, *, smallest: float = 0.05, hazard: float = HAZARD, passing_hazard: float = PASSING_HAZARD
) -> Array:
    """The probabilities a day later, before its readings: faults begin, are repaired, baselines walk."""
    stays, begins, ends = _rates(smallest, hazard, passing_hazard)
    after: Array = state * stays
    after += state[:, :, :1] * begins
    after[:, :, 0] += state @ ends
    flow = after[:, 1:] - after[:, :-1]  # from one baseline to the next lower one, as a step either way is as likely
    flow *= walk[:, None, None]
    after[:, :-1] += flow
    after[:, 1:] -= flow
    return after


@cache
def _rates(smallest: float, hazard: float, passing_hazard: float) -> tuple[Array, Array, Array]:
    """Per day and deviation: the probability that it stays as it is, that it begins, and that it ends."""
    stays, begins, ends = np.ones(len(DEVIATIONS)), np.zeros(len(DEVIATIONS)), np.zeros(len(DEVIATIONS))
    for part, rate in ((_falls(smallest), hazard), (PASSING_AT, passing_hazard)):
        stays[part], ends[part] = 1 - RECOVERY, RECOVERY
        begins[part] = rate / (part.stop - part.start)
    stays[0] = 1 - begins.sum()
    return stays, begins, ends


_PLACES = np.rint((BASELINES[:, None] + DEVIATIONS[None, :] - (BASELINES[0] + DEVIATIONS.min())) / STEP).astype(np.intp)
LEVELS = BASELINES[0] + DEVIATIONS.min() + STEP * np.arange(_PLACES.max() + 1)


def is_explained(is_nothing: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Where a level explains a day without any generation whole, [sites, levels].

    The logarithm of nothing is cut off somewhere, so which of the levels of no generation it meets says nothing:
    they are alike, as in a censored observation (Tobin 1958).
    """
    return is_nothing[:, None] & (LEVELS[None, :] < NOTHING_BELOW)


def likelihood(
    x: Array,
    sigma: Array,
    *,
    snow_doubt: NDArray[np.intp] | None = None,
    is_nothing: NDArray[np.bool_] | None = None,
) -> Array:
    """What each level makes of a day's residual, tempered, [sites, levels]; 1 where x is not known.

    `snow_doubt` is what `cold.doubt` says of the day. Snow on the roof lowers its level, on its neighbours it lifts it,
    so what may be of snow counts for less in both directions. `is_nothing`: the day made nothing at all.
    """
    z = (x[:, None] - LEVELS[None, :]) / sigma[:, None]
    if is_nothing is not None:
        z = np.where(is_explained(is_nothing), 0.0, z)
    core = T_FACTOR / sigma[:, None] * (1 + z * z / FREEDOM) ** (-(FREEDOM + 1) / 2)
    snow = np.zeros(len(x), dtype=np.intp) if snow_doubt is None else snow_doubt
    outlier = np.where(snow != cold.CLEAN, COLD_OUTLIER_SHARE, OUTLIER_SHARE)[:, None]
    temper = np.where(snow == cold.WHITE, COLD_TEMPER, TEMPER)[:, None]
    density = ((1 - outlier) * core + outlier * OUTLIER_DENSITY) ** temper
    return np.where(np.isfinite(x)[:, None], density, 1.0)


def not_below(lowest: Array) -> Array:
    """What each level makes of a day that shows the level `lowest` at the least, tempered, [sites, levels]."""
    from scipy.special import ndtr  # loads slowly, and most commands judge no day

    likelihoods, told = np.ones((len(lowest), len(LEVELS))), np.isfinite(lowest)  # of limited sites alone, as a rule
    share = ndtr((LEVELS[None, :] - lowest[told, None] + MIN_MARGIN) / MIN_SIGMA)
    likelihoods[told] = (OUTLIER_SHARE + (1 - OUTLIER_SHARE) * share) ** TEMPER
    return likelihoods


def update(state: Array, likelihoods: Array, zero_evidence: Array) -> Array:
    """The probabilities after a day's likelihoods, [sites, levels], and `zero_evidence`, [sites], in log odds."""
    posterior = np.take(likelihoods, _PLACES, axis=1)
    passing = posterior[:, :, PASSING_AT]
    passing *= PASSING_SHARE
    passing += (1 - PASSING_SHARE) * posterior[:, :, :1]
    posterior *= state
    if zero_evidence.any():
        posterior[:, :, NOTHING] *= np.exp(zero_evidence)[:, None, None]
    total = posterior.sum(axis=(1, 2), keepdims=True)
    is_possible = total > 0
    posterior /= np.where(is_possible, np.maximum(total, TINY), 1.0)
    return posterior if is_possible.all() else np.where(is_possible, posterior, state)


def report(state: Array, *, smallest: float = 0.05) -> Report:
    """The verdict that the probabilities hold."""
    by_deviation = state.sum(axis=1)
    by_baseline = state.sum(axis=2)
    passing = by_deviation[:, PASSING_AT].sum(axis=1)
    fall = by_deviation[:, _falls(smallest)].sum(axis=1) + passing
    rise = by_deviation[:, RISING_AT].sum(axis=1)
    mean = by_baseline @ BASELINES
    second = by_baseline @ BASELINES**2
    depth = (by_deviation @ DEVIATIONS) / np.maximum(fall + rise, 1e-9)
    sigma = np.sqrt(np.maximum(second - mean**2, STEP**2 / 12))
    return Report(_log_odds(fall), _log_odds(rise), passing / np.maximum(fall, TINY), depth, mean, sigma)


def _log_odds(share: Array) -> Array:
    p = np.clip(share, SURE, 1 - SURE)
    return np.asarray(np.log(p / (1 - p)))


PACKED = pl.Schema(  # probabilities laid away: the cells that hold any
    {
        "cell": pl.List(pl.Int32()),  # of the grid over baseline and deviation
        "log": pl.List(pl.Int32()),  # of the cell's probability, in sixty-fourths
    }
)
PER_UNIT = 64  # resolution of a kept logarithm: 1.6 % of a probability
MIN_PROBABILITY = 1e-7  # ours: what is less comes back by the hazard and the walk within days


def pack(state: Array) -> pl.DataFrame:
    """PACKED, one row per site: the probabilities without their empty cells; `unpack` gives them back within 1 %."""
    flat = state.reshape(len(state), state.shape[1] * state.shape[2])
    row, cell = np.nonzero(flat > MIN_PROBABILITY)
    logs = np.rint(np.log(flat[row, cell]) * PER_UNIT)
    by_row = pl.Series("row", row).set_sorted()
    cells = pl.DataFrame([by_row, pl.Series("cell", cell, pl.Int32), pl.Series("log", logs, pl.Int32)])
    # Every site has cells: its probabilities sum to 1.
    return cells.group_by("row", maintain_order=True).agg("cell", "log").select(PACKED.names())


def unpack(packed: pl.DataFrame) -> Array:
    """[sites, baselines, deviations] of PACKED rows."""
    flat = np.zeros((packed.height, len(BASELINES) * len(DEVIATIONS)))
    row = np.repeat(np.arange(packed.height), packed["cell"].list.len().cast(pl.Int64).to_numpy())
    if len(row):
        cells = np.exp(packed["log"].explode().to_numpy() / PER_UNIT)
        total = np.bincount(row, cells, minlength=packed.height)
        flat[row, packed["cell"].explode().to_numpy()] = cells / total[row]
    return flat.reshape(-1, len(BASELINES), len(DEVIATIONS))
