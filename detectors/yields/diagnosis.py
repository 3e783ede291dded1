"""What is wrong at a site that the test believes in: the kind, since when, and how much is missing."""

from typing import NamedTuple

import numpy as np

from detectors.stats.robust import Array
from detectors.yields import change_point, input_shares, two_levels
from detectors.yields.half_hours import MAX_INPUTS, Days
from detectors.yields.history import History, dark_since, has_a_height, is_dark, is_mostly_lone
from detectors.yields.kinds import CAPACITY_MISMATCH, NO_GENERATION, STRING_LOSS, UNDERPERFORMANCE
from detectors.yields.missing_part import Parts, from_the_first, of_change
from detectors.yields.roof_model import EPOCH

DEEP = -2.4  # log: less than a tenth
FIRST_DAYS = 2  # ours: a change so soon after the first data was there from the first day
ONSET_LOG, ONSET_SIGMAS = 0.1, 2.5  # ours: one healthy day in a hundred lacks so much by chance
SEEN_LEAD = 3.0  # ours: log likelihood, 20 to 1; unless the few days before show that the roof had its power
LESSER_RATIO = 0.5  # ours: of the deviation believed in; nearer to none than to it
CAPACITY_DAYS = 5  # ours: earlier a shortfall may as well be a fault that goes away
CAPACITY_DAYS_UNKNOWN = 10  # ours: earlier it may as well be planes that are not learned yet
YOUNG_DAYS = 20  # ours: so long a lone roof's first days may all have been dull ones
DEAD_DAYS = 5  # of which the median counts
MOSTLY = 0.5  # of the probability of a fall: it comes and goes
# An overcast may last for a week and lets through 9 to 55 % (log) of a clear sky's light. Measured at 108 healthy
# simulated roofs: one dull day in two is followed by another (of other days one in fourteen), and best spans made up
# so much of the day's energy on 17 of 564 dull days, and on 2,052 of 4,682 clear ones.
OVERCAST, EVEN_SHARE, EVEN_DAYS = (-2.4, -0.6), 0.6, 2
LONG_DAYS = 14  # ours: as long as an overcast that is worth waiting for


class Odds(NamedTuple):
    """The test's verdict on the judged day."""

    fall: float
    rise: float
    depth: float
    inputs: Array  # [inputs], NaN where not measured
    prior_sigma: float
    passing: float = 0.0  # probability that the fall comes and goes
    baseline: float = 0.0  # the level while healthy


class Case(NamedTuple):
    """A diagnosis; days are places in the history."""

    kind: str
    first: int
    earliest: int
    latest: int
    before: float
    after: float
    number: int  # of the input, from 1; 0 = none
    was_always: bool = False  # from the first day on
    is_passing: bool = False  # it comes and goes; `after` is the level of the days on which it is there

    @property
    def share(self) -> float:
        """Of the power, that is missing; negative where there is more than registered."""
        return float(1 - np.exp(self.after - self.before))


def input_log_odds(odds: Odds, history: History, *, is_unknown: bool) -> Array:
    """What an input's test says where it counts: nearly dead, or the whole site's level agrees; else -inf.

    An input whose planes nobody registered has a share that goes with the season: it counts where it is dead alone.
    """
    log_odds = np.full(MAX_INPUTS, -np.inf)
    for n in range(MAX_INPUTS):
        agrees = odds.fall > 0 and not is_unknown
        if np.isfinite(odds.inputs[n]) and (agrees or _is_dead(history, n, is_unknown=is_unknown)):
            log_odds[n] = odds.inputs[n]
    return log_odds


def _is_dead(history: History, n: int, *, is_unknown: bool) -> bool:
    """Whether input `n` has made next to nothing lately; under a sun that left it, less than a tenth."""
    recent = history.input_x[-DEAD_DAYS:, n]
    recent = recent[np.isfinite(recent)]
    return len(recent) > 0 and float(np.median(recent)) < (DEEP if is_unknown else input_shares.DEAD)


def decisive(odds: Odds, history: History, *, is_unknown: bool) -> float:
    """The log odds that open and close a case: the largest of fall, rise and inputs."""
    return max(odds.fall, odds.rise, float(input_log_odds(odds, history, is_unknown=is_unknown).max()))


def diagnose(odds: Odds, history: History, parts: Parts, threshold: float, *, is_unknown: bool = False) -> Case | None:
    """The diagnosis of a site whose odds exceed `threshold`; None where it is too early to tell.

    `is_unknown`: the register has no planes of it.
    """
    x = history.x
    if not (is_dark(history) or history.is_zero[-1]):
        x = np.where(history.is_zero, np.nan, x)  # dark days that are over were told as such; what is left came after
    change = change_point.find(x, history.sigma, odds.prior_sigma, above=history.above_sigma)
    known = np.flatnonzero(np.isfinite(x))
    first_data = int(known[0]) if len(known) else 0
    last = len(history.x) - 1
    capacity_days = CAPACITY_DAYS_UNKNOWN if is_unknown else CAPACITY_DAYS
    by_input = input_log_odds(odds, history, is_unknown=is_unknown)
    if by_input.max() > threshold:
        number = int(by_input.argmax())
        own = change_point.find(
            history.input_x[:, number], history.input_sigma[:, number], input_shares.BASELINE_SIGMA, is_fall=False
        )
        measured = np.flatnonzero(np.isfinite(history.input_x[:, number]))
        # Inputs are known only once their planes are learned: what began before shows in the whole site's level.
        if change.lead > SEEN_LEAD and change.first < own.first <= measured[0] + FIRST_DAYS:
            own = change
        return Case(STRING_LOSS, own.first, own.earliest, own.latest, change.before, change.after, number + 1)
    if max(odds.fall, odds.rise) <= threshold:
        return None
    if odds.rise > odds.fall:
        clear = history.clear_x[np.isfinite(history.clear_x)]
        if last < (capacity_days if len(clear) else CAPACITY_DAYS_UNKNOWN):
            return None
        # What no clear day shows is the neighbours': their planes are not learned yet, or they lie in the shade.
        if len(clear) and clear.max() < LESSER_RATIO * change.after:
            return None
        return Case(CAPACITY_MISMATCH, first_data, first_data, first_data, 0.0, change.after, 0, was_always=True)
    if is_dark(history) or (history.is_zero[-1] and odds.depth < DEEP):
        begin = dark_since(history)
        return Case(NO_GENERATION, begin, begin, begin, change.before, change.after, 0)
    if odds.passing > MOSTLY:
        level, low = odds.baseline, odds.baseline + odds.depth
        spell = change_point.find_passing(history.x, history.sigma, level, low, above=history.above_sigma)
        # Days of two kinds from the first on are the sky's two kinds, by planes that are not known, if it parts them.
        if is_unknown and (known < spell.first).sum() < capacity_days and _is_the_skys(history, parts.days):
            return None
        if _may_be_overcast(history, spell.first, level, low):
            return None
        return Case(UNDERPERFORMANCE, spell.first, spell.earliest, spell.latest, level, low, 0, is_passing=True)
    # A change of less than half the deviation that the test believes in is not that deviation, where days enough before
    # it show that it was there already.
    is_seen = np.isfinite(history.x) & (np.nan_to_num(history.sigma, nan=1.0) < change_point.MAX_SIGMA)
    is_lesser = change.after - change.before > LESSER_RATIO * odds.depth > change.after
    is_known_before = is_seen[: change.first].sum() >= capacity_days
    if is_lesser and not is_known_before and is_mostly_lone(history):
        # Most of it was there before the change, under clouds that may have hidden the roof.
        if last < first_data + YOUNG_DAYS or not has_a_height(history):
            return None
        is_known_before = True
    is_lesser = is_lesser and is_known_before
    is_soon = change.first <= first_data + FIRST_DAYS and change.lead < SEEN_LEAD
    if _may_be_overcast(history, change.first, change.before, change.after):
        return None
    if is_soon or is_lesser:
        if last < capacity_days + first_data:
            return None
        kind, number = from_the_first(history, change, parts)
        return Case(kind, first_data, first_data, change.latest, 0.0, change.after, number, was_always=True)
    kind, number = of_change(history, change, parts)
    return Case(kind, change.first, change.earliest, change.latest, change.before, change.after, number)


def from_its_onset(case: Case, history: History) -> Case:
    """The case from the day before, where that day lacks a part of what is missing since: it began amid it."""
    place = case.first - 1
    if case.was_always or case.is_passing or place < 0 or not np.isfinite(history.x[place]):
        return case
    lacks = case.before - history.x[place]
    if lacks < max(ONSET_LOG, ONSET_SIGMAS * history.sigma[place]):
        return case
    return case._replace(first=place, earliest=min(case.earliest, place))


def _is_the_skys(history: History, days: Days) -> bool:
    """Whether the days are not at two levels, or the sky parts them alike; `days`: the kept half hours of the site."""
    low = two_levels.low_days(history.x)
    if low is None:
        return True
    clearness = np.full(len(history.x), np.nan)
    place = days.day - (history.first - EPOCH).days
    inside = (place >= 0) & (place < len(clearness))
    lit = (days.share > 0) & np.isfinite(days.clearness)
    weight = np.where(lit, np.sin(np.radians(days.elevation_deg)), 0.0)
    total = np.where(lit, days.clearness, 0.0)
    mean = (total * weight).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    clearness[place[inside]] = np.where(weight.sum(axis=1) > 0, mean, np.nan)[inside]
    return two_levels.is_the_skys(low, np.isfinite(history.x) & ~low, clearness)


def _may_be_overcast(history: History, since: int, before: float, after: float) -> bool:
    """Whether days of overcast may be what a site without neighbours shows `since` a day: too few of them were even.

    Nor are they where a roof has ended at one height since its first days, or since then for a fortnight: no two
    overcasts let the same light through.
    """
    low, high = OVERCAST
    if not len(history.lone_near) or not low < after - before < high:
        return False
    x, near = history.x[since:], history.lone_near[since:]
    with np.errstate(invalid="ignore"):
        is_even = (x < (before + after) / 2) & (near >= EVEN_SHARE)
    is_lone = is_mostly_lone(history, since)
    is_from_first = not np.isfinite(history.x[: max(since - FIRST_DAYS, 0)]).any()
    is_height = (is_from_first or np.isfinite(x).sum() >= LONG_DAYS) and has_a_height(history, since)
    return bool(is_lone and is_even.sum() < EVEN_DAYS and not is_height)
