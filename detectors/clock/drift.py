"""Whether a clock that gains or loses so many seconds a day explains a device's history, or steps do.

Three explanations of the daily offsets are held against each other by their likelihood with a penalty for each
parameter (Schwarz, Annals of Statistics 6, 1978: BIC): steps between constant offsets, a drift that begins on some day,
and a drift that is set right again now and then. Where first and last light do not move together it is no clock.

Days count by how much their light tells (`lit_days`), which is why the slope is by weighted least squares over clipped
days and not by scipy.stats.theilslopes, which takes no weights.
"""

from itertools import pairwise
from typing import NamedTuple

import numpy as np

from detectors.clock.lit_days import DAYS_PER_FACT, FIT_DAYS, MIN_RESET_MIN, NINETY_FIVE, Days, lit_days, scatter
from detectors.clock.onsets import Array, Onsets
from detectors.stats.robust import MAD_TO_SIGMA, quantile

MIN_DAYS = 12  # with light
MIN_S_PER_DAY, MAX_S_PER_DAY = 8.0, 150.0  # ours: below it is the seasons' shade, what moves faster is a step
TOTAL_MIN = 22.0  # less than this in all is not told from the seasons' shade
SLOPE_KNOWN, KNOWN_SIGMAS = 0.3, 1.645  # of the slope: its 90 % interval at most, either way
TOGETHER = 0.5  # first and last light's moves differ by less than this share of their sum: a clock, not a wall
MARGIN = 6.0  # Kass & Raftery 1995: twice the log of the odds beyond this is strong evidence
# ours: of a hundred clocks that jumped, beside changes of clocks, one jumps again within the months that are fitted;
# twice the log of these odds, for each jump after the first. A drift that is set right has as many jumps of its own.
NEXT_STEP = 9.2
START_EVERY_DAYS = 4  # onsets that are tried
MIN_TOOTH_DAYS = 5
SLOPES_TRIED = np.array([-135.0, -110.0, -90.0, -70.0, -50.0, -30.0, 30.0, 50.0, 70.0, 90.0, 110.0, 135.0])  # s/day
BLOCK_DAYS = 10
SCATTER_MIN = 30.0  # ours: where single days scatter more, hours are shut off and there are no onsets to follow
# ours: a horizon moves both ends of the day one way only if it falls on one side and rises on the other, and so fast
# only if it does by a degree in three or so on both (at 47 degrees the place of sunrise moves by some 0.6 degrees a
# day, and the rising sun climbs by 0.17 a minute)
BOTH_ENDS_S_PER_DAY = 60.0
OVER_DAYS = 10  # ours: so many days with light tell that a drift has ended


class Drift(NamedTuple):
    """A clock that moves steadily from `start` on; minutes and days."""

    start: int  # column
    slope: float  # minutes per day
    slope_error: float  # half of its 95 % interval
    offset: float  # at the last column
    first_slope: float  # of first light alone
    last_slope: float  # of last light alone, with the sign of an offset
    end_error: float  # of the less known of these two
    days: int  # with light, from `start` on
    days_moved: int  # of the longest tooth
    resets: tuple[int, ...]  # columns of the first days after it was set right
    max_offset: float  # the larger offset of now and of the end of the tooth before
    gain: float  # by how much it explains the days better than steps do, as a difference of BIC
    in_steps: bool  # whether steps, were they the explanation, would be any at all
    is_over: bool  # since it was last set right it moves no more

    @property
    def total(self) -> float:
        """Minutes that it moved without being set right."""
        return abs(self.slope) * self.days_moved

    @property
    def is_undecided(self) -> bool:
        """Whether it moves, and neither drift nor steps explain that clearly better."""
        return self.gain > -MARGIN and self.slope_error < abs(self.slope) and self.total >= TOTAL_MIN / 2

    @property
    def is_known(self) -> bool:
        """Whether the slope is known well enough to be told."""
        return KNOWN_SIGMAS / NINETY_FIVE * self.slope_error <= SLOPE_KNOWN * abs(self.slope)

    def moves_together(self, share: float = TOGETHER) -> bool:
        """Whether first and last light move with each other, as a clock's do and a wall's do not."""
        return abs(self.first_slope - self.last_slope) <= share * abs(self.first_slope + self.last_slope)

    @property
    def moves_one_way(self) -> bool:
        """Whether first and last light move the same way: enough where light in the dark shows that it is no wall."""
        return self.first_slope * self.last_slope > 0

    @property
    def moves_both_ends(self) -> bool:
        """Whether first and last light, each by itself, move the clock's way, and faster than a horizon moves them."""
        slower = min(self.first_slope * np.sign(self.slope), self.last_slope * np.sign(self.slope))
        return slower > self.end_error and abs(self.slope) * 60 >= BOTH_ENDS_S_PER_DAY


class _Fit(NamedTuple):
    bic: float
    start: int  # place among the known days from which the slope counts
    slope: float
    cuts: tuple[int, ...]  # places of the first days after a step


def best_drift(onsets: Onsets, device: int, without: int = 0) -> Drift | None:
    """The drift that explains a device's days best, with how much better than steps; None if there is none.

    `without`: so many of the latest days with light are left out.
    """
    days = lit_days(onsets, device, without)
    if len(days.day) < MIN_DAYS or scatter(days) > SCATTER_MIN:
        return None
    steps = _in_steps(days, 0, np.zeros(1))[0]
    ramp = _one_ramp(days)
    fits = [fit for fit in (ramp, *_saws(days, ramp)) if MIN_S_PER_DAY <= abs(fit.slope) * 60 <= MAX_S_PER_DAY]
    if not fits:
        return None
    best = min(fits, key=lambda fit: fit.bic)
    return _to_drift(days, best, steps)


def _bic(days: Days, squares: float, parameters: int) -> float:
    """BIC of weighted squares (in units of a day's variance); never better than the onsets' own error allows."""
    facts = len(days.day) / DAYS_PER_FACT
    return float(facts * np.log(squares / len(days.day) + 1.0) + parameters * np.log(facts))


def _one_ramp(days: Days) -> _Fit:
    """A constant offset that begins to move on some day, or did from the first; least squares for each such day."""
    starts = np.arange(0, len(days.day) - MIN_DAYS // 2 + 1, START_EVERY_DAYS)
    moved = np.maximum(days.day[None, :] - days.day[starts, None], 0.0)
    total = days.weight.sum()
    centred = moved - (moved @ days.weight / total)[:, None]
    level = days.middle - days.middle @ days.weight / total
    slopes = (centred @ (days.weight * level)) / (centred**2 @ days.weight)
    squares = (level[None, :] - slopes[:, None] * centred) ** 2 @ days.weight
    fits = [
        _Fit(_bic(days, float(squares[i]), 2 if start == 0 else 3), int(start), float(slopes[i]), ())
        for i, start in enumerate(starts)
    ]
    return min(fits, key=lambda fit: fit.bic)


def _saws(days: Days, ramp: _Fit) -> list[_Fit]:
    """Drifts that are set right again."""
    found = [
        fit
        for start in dict.fromkeys((0, ramp.start))
        for fit in _in_steps(days, start, SLOPES_TRIED / 60)
        if _is_set_right(days, fit)
    ]
    if not found:
        return []
    best = min(found, key=lambda fit: fit.bic)
    refined = _in_steps(days, best.start, np.array([common_slope(days, days.middle, _teeth(days, best))[0]]))
    return [best, *(fit for fit in refined if _is_set_right(days, fit))]


def _in_steps(days: Days, start: int, slopes: Array) -> list[_Fit]:
    """Constant offsets beside each slope, which counts from `start` on, with the steps that pay for themselves.

    The cheapest partition by dynamic programming (Jackson et al., IEEE Signal Processing Letters 12, 2005), for all
    slopes at once; a step has two parameters, its day and its height.
    """
    rest = days.middle - slopes[:, None] * np.maximum(days.day - days.day[start], 0.0)
    many, count = rest.shape
    noise = MAD_TO_SIGMA**2 / 2 * float(np.median(days.weight * np.diff(days.middle, prepend=days.middle[0]) ** 2))
    price = 2.0 * np.log(count / DAYS_PER_FACT) * DAYS_PER_FACT * (1.0 + noise)
    weight = np.concatenate([[0.0], np.cumsum(days.weight)])
    total, squared = (
        np.concatenate([np.zeros((many, 1)), np.cumsum(part, axis=1)], axis=1)
        for part in (days.weight * rest, days.weight * rest**2)
    )
    worth = np.full((many, count + 1), np.inf)
    origin = np.zeros((many, count + 1), dtype=np.int64)
    worth[:, 0] = -price
    row = np.arange(many)
    for end in range(MIN_TOOTH_DAYS, count + 1):
        begin = slice(0, end - MIN_TOOTH_DAYS + 1)
        sums = total[:, end : end + 1] - total[:, begin]
        cost = worth[:, begin] - squared[:, begin] - sums**2 / (weight[end] - weight[begin])
        origin[:, end] = np.argmin(cost, axis=1)
        worth[:, end] = cost[row, origin[:, end]] + price + squared[:, end]
    fits = []
    for which, slope in enumerate(slopes.tolist()):
        cuts: list[int] = []
        end = int(origin[which, count])
        while end > 0:
            cuts.insert(0, end)
            end = int(origin[which, end])
        squares = float(worth[which, count] - price * len(cuts))
        parameters = 1 + 2 * len(cuts) + (0 if not slope else 1 if start == 0 else 2)
        fits.append(_Fit(_bic(days, max(squares, 0.0), parameters), start, slope, tuple(cuts)))
    return fits


def _steps_of(days: Days, fit: _Fit) -> Array:
    """The height of every step beside the slope, with the slope's sign where it goes the slope's way; minutes."""
    rest = days.middle - fit.slope * np.maximum(days.day - days.day[fit.start], 0.0)
    edges = (0, *fit.cuts, len(days.day))
    levels = [float(np.average(rest[a:b], weights=days.weight[a:b])) for a, b in pairwise(edges)]
    return np.diff(levels) * np.sign(fit.slope)


def _is_set_right(days: Days, fit: _Fit) -> bool:
    """Whether there are steps that take back what the slope had added, and none that adds to it."""
    heights = _steps_of(days, fit)
    return bool((heights < -MIN_RESET_MIN).any() and (heights < MIN_RESET_MIN).all())


def _teeth(days: Days, fit: _Fit) -> list[slice]:
    """Spans of the slope between the days on which the clock was set right."""
    resets = [cut for cut, height in zip(fit.cuts, _steps_of(days, fit), strict=True) if height < -MIN_RESET_MIN]
    edges = [fit.start, *(cut for cut in resets if cut > fit.start), len(days.day)]
    return [slice(a, b) for a, b in pairwise(edges) if b > a]


def common_slope(days: Days, values: Array, teeth: list[slice]) -> tuple[float, float]:
    """The common slope of the teeth by weighted least squares, and half of its 95 % interval; minutes per day.

    The interval is of the days' scatter and of the seasons, by which each tooth's ends move by themselves.
    """
    squares = products = rest = 0.0
    for tooth in teeth:
        weight = days.weight[tooth]
        day = days.day[tooth] - days.day[tooth] @ weight / weight.sum()
        level = values[tooth] - values[tooth] @ weight / weight.sum()
        squares += float(weight @ day**2)
        products += float(weight @ (day * level))
        rest += float(weight @ level**2)
    slope = products / max(squares, 1e-9)
    count = sum(tooth.stop - tooth.start for tooth in teeth)
    variance = max(rest - slope * products, 0.0) / max(count - len(teeth) - 1, 1)
    lengths = [days.day[tooth][-1] - days.day[tooth][0] + 1.0 for tooth in teeth]
    seasonal = days.seasonal_sigma / float(np.linalg.norm(lengths))
    return slope, NINETY_FIVE * float(np.hypot(np.sqrt(DAYS_PER_FACT * variance / max(squares, 1e-9)), seasonal))


def _to_drift(days: Days, fit: _Fit, steps: _Fit) -> Drift:
    teeth = _teeth(days, fit)
    slope, error = common_slope(days, days.middle, teeth)
    levels = [_level(days, tooth, slope) for tooth in teeth]
    ends = [level + slope * float(days.day[t][-1]) for t, level in zip(teeth, levels, strict=True)]
    (first_slope, first_error), (last_slope, last_error) = (
        common_slope(days, values, teeth) for values in (days.first, days.last)
    )
    return Drift(
        start=int(days.column[fit.start]),
        slope=slope,
        slope_error=error,
        offset=ends[-1],
        first_slope=first_slope,
        last_slope=last_slope,
        end_error=max(first_error, last_error),
        days=len(days.day) - fit.start,
        days_moved=max(int(days.day[tooth][-1] - days.day[tooth][0]) for tooth in teeth) + 1,
        resets=tuple(int(days.column[tooth.start]) for tooth in teeth[1:]),
        max_offset=max(ends[-2:], key=abs),
        gain=steps.bic - fit.bic + (0.0 if fit.cuts else NEXT_STEP * max(len(steps.cuts) - 1, 0)),
        in_steps=bool(steps.cuts),
        is_over=len(teeth) > 1 and _is_over(days, teeth[-1], slope),
    )


def _is_over(days: Days, tooth: slice, slope: float) -> bool:
    """Whether the days since it was last set right, taken alone, move by less than half of the slope."""
    if tooth.stop - tooth.start < OVER_DAYS:
        return False
    own, _ = common_slope(days, days.middle, [tooth])
    return bool(own * np.sign(slope) < 0.5 * abs(slope))


def _level(days: Days, tooth: slice, slope: float) -> float:
    weight = days.weight[tooth]
    return float((days.middle[tooth] - slope * days.day[tooth]) @ weight / weight.sum())


def range_of_offsets(onsets: Onsets) -> Array:
    """How far the offset moved over the last FIT_DAYS, per device: the range of the medians of ten days; minutes.

    0 where first and last light did not move together. It is what chooses the devices that are looked at one by one.
    """
    width = min(onsets.first_late.shape[1], FIT_DAYS) // BLOCK_DAYS * BLOCK_DAYS
    if not width:
        return np.zeros(len(onsets.sites))
    shape = (len(onsets.sites), width // BLOCK_DAYS, BLOCK_DAYS)
    first = quantile(onsets.first_late[:, -width:].reshape(shape), 0.5)
    last = quantile(onsets.last_early[:, -width:].reshape(shape), 0.5)
    middle, half = (first - last) / 2, (first + last) / 2
    with np.errstate(invalid="ignore"):
        moved = [
            np.fmax.reduce(x, axis=1, initial=-np.inf) - np.fmin.reduce(x, axis=1, initial=np.inf)
            for x in (middle, half)
        ]
    return np.where(np.isfinite(moved[0]) & (moved[0] > moved[1]), moved[0], 0.0)
