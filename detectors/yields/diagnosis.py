"""What is wrong at a site that the test believes in: the kind, since when, and how much is missing."""

from datetime import date, timedelta
from typing import NamedTuple

import numpy as np

from detectors.solar import plane_response
from detectors.stats.robust import MAD_TO_SIGMA, Array
from detectors.yields import change_point, input_shares, two_levels
from detectors.yields.day_residual import weighted_median
from detectors.yields.half_hours import MAX_INPUTS, Days
from detectors.yields.own_past import HALF_HOURS
from detectors.yields.roof_model import EPOCH

NO_GENERATION, STRING_LOSS = "no-generation", "string-loss"
CAPACITY_MISMATCH, UNDERPERFORMANCE = "capacity-mismatch", "underperformance"
ZERO_DAYS = 3  # of which two without generation
ALIVE_DAYS = 2  # ours: on one alone it may have been switched on for a test ...
WHOLE, WHOLE_SIGMA = -0.25, 0.3  # ours: log; ... unless it made most of what was due that day
DEEP = -2.4  # log: less than a tenth
FIRST_DAYS = 2  # ours: a change so soon after the first data was there from the first day
ONSET_LOG, ONSET_SIGMAS = 0.1, 2.5  # ours: one healthy day in a hundred lacks so much by chance
SEEN_LEAD = 3.0  # ours: log likelihood, 20 to 1; unless the few days before show that the roof had its power
LESSER_RATIO = 0.5  # ours: of the deviation believed in; nearer to none than to it
CAPACITY_DAYS = 5  # ours: earlier a shortfall may as well be a fault that goes away
CAPACITY_DAYS_UNKNOWN = 10  # ours: earlier it may as well be planes that are not learned yet
YOUNG_DAYS = 20  # ours: so long a lone roof's first days may all have been dull ones
DEAD_DAYS = 5  # of which the median counts
INPUT_SHIFT, INPUT_SIGMAS = 0.25, 4.0  # ours: log; an input's shift beyond both means a string
INPUT_FLOOR = 0.03
INPUT_EXPLAINS = 0.75  # ours: of what the whole lost; an input alone loses more, but for its days' noise
HALF_TOLERANCE = 0.045  # ours: a half that went missing is one of two strings
HALF_SIGMAS = 1.5  # ours: of the share's own error, where few days tell a level; more would name falls of any size
GONE_FIT = 0.75  # ours: by how much the fit must be better without a plane that is gone
# ... where the days before show what hills and wrong planes take from each half hour. Measured on every night of a
# month at falls on simulated roofs of several registered planes: 0.94 at the lowest of ten falls of a whole roof.
GONE_FIT_SEEN = 0.9
FEW_ROWS = 0.2  # ours: of a half hour's usual energy; one that was seldom lit before is taken as the planes have it
SILENT_SHARE = 0.02  # ours: of the strongest input's energy; a meter of an open input shows its offset
MISSING_TOLERANCE = 0.15  # ours: log; the level before was never seen, the register's sigma of a level counts twice
MIN_PLANE_ROWS = 40
ALIKE = 0.05  # ours: of the days' shape; weather and wrong planes scatter by more, so it shows no plane that is gone
MOSTLY = 0.5  # of the probability of a fall: it comes and goes
# An overcast may last for a week and lets through 9 to 55 % (log) of a clear sky's light. Measured at 108 healthy
# simulated roofs: one dull day in two is followed by another (of other days one in fourteen), and best spans made up
# so much of the day's energy on 17 of 564 dull days, and on 2,052 of 4,682 clear ones.
OVERCAST, EVEN_SHARE, EVEN_DAYS = (-2.4, -0.6), 0.6, 2
SAME_HEIGHT, SAME_HEIGHT_DAYS = 0.15, 7  # ours: log; a week of days that reach it and none that exceeds it
LONG_DAYS = 14  # ours: as long as an overcast that is worth waiting for
LONE_SIGMA, LONE_CLOUDS = 0.1, 0.5  # of a lone day's level, and what its clouds add


class History(NamedTuple):
    """One site's days up to the judged one, the last; every array is [days], NaN where nothing was told."""

    first: date
    x: Array  # by pairs, else of the best spans of a lone site
    sigma: Array
    above_sigma: Array  # of what lies above the level: clouds take a lone day's best spans below it alone
    is_zero: np.ndarray
    input_x: Array  # [days, inputs]
    input_sigma: Array
    expected_kwh: Array
    actual_kwh: Array
    clear_x: Array = np.empty(0)  # of clear days, by their own best spans; of a site without a limit
    lone_near: Array = np.empty(0)  # share of the energy near the best spans, on days told by these alone
    clear_kwh: Array = np.empty(0)  # per kWp, of the day's usable intervals under a clear sky

    def on(self, place: int) -> date:
        """The date of a day of the series."""
        return self.first + timedelta(days=place)


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


def _has_fallen(history: History, n: int, first: int, lost: float) -> bool | None:
    """Whether input `n` fell on day `first` by more than its days before scatter by; None with too few days of it.

    `lost`: of the whole roof, whose inputs together lose no larger share than the one that fell.
    """
    before, after = history.input_x[:first, n], history.input_x[first:, n]
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    if len(after) < 2 or len(before) < 3:
        return None
    shift = float(np.median(after) - np.median(before))
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(before - np.median(before)))) + INPUT_FLOOR
    return shift < -max(INPUT_SHIFT, INPUT_SIGMAS * sigma) and 1 - np.exp(shift) > INPUT_EXPLAINS * lost


def decisive(odds: Odds, history: History, *, is_unknown: bool) -> float:
    """The log odds that open and close a case: the largest of fall, rise and inputs."""
    return max(odds.fall, odds.rise, float(input_log_odds(odds, history, is_unknown=is_unknown).max()))


class Parts(NamedTuple):
    """What a site's strings are told from."""

    days: Days  # its kept half hours
    shares: Array  # of the registered planes; empty where none is known
    each_w: Array  # what each of several registered planes would make, [planes, rows, places]; else empty


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
    if is_lesser and not is_known_before and _is_mostly_lone(history):
        # Most of it was there before the change, under clouds that may have hidden the roof.
        if last < first_data + YOUNG_DAYS or not _has_a_height(history):
            return None
        is_known_before = True
    is_lesser = is_lesser and is_known_before
    is_soon = change.first <= first_data + FIRST_DAYS and change.lead < SEEN_LEAD
    if _may_be_overcast(history, change.first, change.before, change.after):
        return None
    if is_soon or is_lesser:
        if last < capacity_days + first_data:
            return None
        kind, number = _from_the_first(history, change, parts)
        return Case(kind, first_data, first_data, change.latest, 0.0, change.after, number, was_always=True)
    kind, number = _partial(history, change, parts)
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
    is_mostly_lone = _is_mostly_lone(history, since)
    is_from_first = not np.isfinite(history.x[: max(since - FIRST_DAYS, 0)]).any()
    is_height = (is_from_first or np.isfinite(x).sum() >= LONG_DAYS) and _has_a_height(history, since)
    return bool(is_mostly_lone and is_even.sum() < EVEN_DAYS and not is_height)


def _is_mostly_lone(history: History, since: int = 0) -> bool:
    """Whether most of the days told something by their best spans alone."""
    near = history.lone_near[since:]
    return bool(np.isfinite(near).sum() > np.isfinite(history.x[since:]).sum() / 2)


def _has_a_height(history: History, since: int = 0) -> bool:
    """Whether the days that a lone site told by its best spans end at one height, which none of them exceeds."""
    x = history.x[since:][np.isfinite(history.lone_near[since:]) & np.isfinite(history.x[since:])]
    return len(x) > 0 and int((x > x.max() - SAME_HEIGHT).sum()) >= SAME_HEIGHT_DAYS


def is_dark(history: History) -> bool:
    """Two of the last three days made nothing, and the last one that told anything was no whole day."""
    return not is_alive(history) and int(history.is_zero[-ZERO_DAYS:].sum()) >= min(2, len(history.x))


def is_alive(history: History) -> bool:
    """The last two days that told anything made something, or the last one made most of what was due."""
    known_days = np.flatnonzero(np.isfinite(history.x))[-ALIVE_DAYS:]
    is_whole = (history.x[known_days] > WHOLE) & (history.sigma[known_days] < WHOLE_SIGMA)
    if (is_whole & ~history.is_zero[known_days])[-1:].any():
        return True
    return len(known_days) == ALIVE_DAYS and not history.is_zero[known_days].any()


def dark_since(history: History) -> int:
    """The first day without generation of the present spell; days that told nothing do not end it."""
    place = len(history.x) - 1
    while place > 0 and (history.is_zero[place - 1] or not np.isfinite(history.x[place - 1])):
        place -= 1
    while place < len(history.x) - 1 and not history.is_zero[place]:
        place += 1
    return place


def _from_the_first(history: History, change: change_point.Change, parts: Parts) -> tuple[str, int]:
    """Whether what was missing from the first day on is a string, and the input's number.

    An input that never made anything may have no modules at all, so the level has to lack what a string gives, where
    the register tells how the modules are parted. A half alone proves no string: half of the modules look alike.
    """
    number = silent_input(parts.days)
    if number:
        inputs = np.isfinite(parts.days.inputs_w).any(axis=(1, 2)).sum()
        missing = np.append(parts.shares[parts.shares < 1], 1 / inputs)
        is_its_share = (np.abs(change.after - np.log(1 - missing)) < MISSING_TOLERANCE).any()
        if is_its_share or not len(parts.shares):
            return STRING_LOSS, number
    is_lost = len(parts.each_w) > 0 and _lost_plane(parts, history.first, 0)
    return (STRING_LOSS if is_lost else CAPACITY_MISMATCH), 0


def silent_input(days: Days) -> int:
    """The only input that makes next to nothing while others do, from 1; 0 = there is none, or inputs are not read."""
    measured = np.isfinite(days.inputs_w).any(axis=(1, 2))
    made = np.where(measured, np.nansum(days.inputs_w, axis=(1, 2)), np.inf)
    silent = np.flatnonzero(made < SILENT_SHARE * np.where(measured, made, 0.0).max(initial=0.0))
    return int(silent[0]) + 1 if len(silent) == 1 else 0


def part_of(history: History, first_day: date, parts: Parts) -> tuple[str, int]:
    """What a part that is missing since `first_day` is, and the input's number, by the days up to the judged one."""
    place = min(max((first_day - history.first).days, 0), len(history.x) - 1)
    levels = []
    for span in (slice(0, place), slice(place, None)):
        x, sigma = history.x[span], history.sigma[span]
        weight = np.where(np.isfinite(x), 1 / np.maximum(sigma, change_point.MIN_SIGMA) ** 2, 0.0)
        levels.append(float(np.nan_to_num(weighted_median(np.nan_to_num(x)[None], weight[None])[0])))
    return _partial(history, change_point.Change(place, place, place, *levels), parts)


def _partial(history: History, change: change_point.Change, parts: Parts) -> tuple[str, int]:
    """Whether a part that went missing is a string: an input's shift, one of several planes, or a half.

    Of planes that look the same way no shape tells which is gone; then the share of one of them is its sign.
    """
    lost = float(1 - np.exp(change.after - change.before))
    fallen = [_has_fallen(history, n, change.first, lost) for n in range(MAX_INPUTS)]
    if True in fallen:
        return STRING_LOSS, fallen.index(True) + 1
    if False in fallen:
        return UNDERPERFORMANCE, 0
    if len(parts.each_w) and not _are_alike(parts):
        return (STRING_LOSS if _lost_plane(parts, history.first, change.first) else UNDERPERFORMANCE), 0
    tolerance = max(HALF_TOLERANCE, HALF_SIGMAS * share_error(history, change.first))
    is_part = (np.abs(lost - (parts.shares if len(parts.each_w) else np.array([0.5]))) < tolerance).any()
    return (STRING_LOSS if is_part and len(history.x) - 1 - change.first >= 1 else UNDERPERFORMANCE), 0


def share_error(history: History, first: int) -> float:
    """Sigma of a half that went missing on `first`, from how well the days on either side tell their levels."""
    known = np.where(np.isfinite(history.x), 1 / np.maximum(history.above_sigma, change_point.MIN_SIGMA) ** 2, 0.0)
    sums = [float(np.nansum(one)) for one in (known[:first], known[first:])]
    return 0.5 * float(np.sqrt(sum(1 / max(one, 1.0) for one in sums)))


def _lost_plane(parts: Parts, first: date, since: int) -> bool:
    """Whether one of the planes gives nothing any more: the half hours' shape fits the others alone."""
    days = parts.days
    is_since = days.day >= (first - EPOCH).days + since
    usable = (days.share > 0) & np.isfinite(days.clearness)
    row, at = np.nonzero(usable & is_since[:, None])
    actual, by_plane = days.power_w[row, at], parts.each_w[:, row, at].T
    if len(row) < MIN_PLANE_ROWS or not actual.any():
        return False
    gone_fit = GONE_FIT
    before = np.nonzero(usable & ~is_since[:, None])
    if len(before[0]) >= MIN_PLANE_ROWS:
        by_plane, gone_fit = by_plane * _usual(parts, *before)[days.slot[row, at], None], GONE_FIT_SEEN
    scale = float(actual.mean())
    weight = 1 / np.sqrt(scale * np.maximum(actual, 1) + 0.05 * scale**2)
    rows, values = by_plane * weight[:, None], actual * weight
    whole = rows.sum(axis=1)
    left = [_left(values, whole - rows[:, n]) for n in range(rows.shape[1])]
    return min(left) < gone_fit * _left(values, whole)


def _are_alike(parts: Parts) -> bool:
    """Whether the days' shape would be the same without any one of the planes."""
    usable = (parts.days.share > 0) & np.isfinite(parts.days.clearness)
    by_plane = parts.each_w[:, usable].T
    whole = by_plane.sum(axis=1)
    left = [(_left(rest, whole), np.linalg.norm(rest)) for rest in (whole - one for one in by_plane.T)]
    return all(apart <= ALIKE * height for apart, height in left)


def _usual(parts: Parts, row: np.ndarray, at: np.ndarray) -> Array:
    """What the roof made of each half hour of the UTC day, [slots], as a ratio to what all planes would have made."""
    slot, due = parts.days.slot[row, at], parts.each_w[:, row, at].sum(axis=0)
    made = np.bincount(slot, parts.days.power_w[row, at], HALF_HOURS)
    all_due = np.bincount(slot, due, HALF_HOURS) * made.sum() / max(float(due.sum()), 1e-12)
    few = FEW_ROWS * all_due.mean()
    return np.asarray((made + few) / np.maximum(all_due + few, 1e-12))


def _left(values: Array, shape: Array) -> float:
    """What a shape of any height leaves of the values."""
    level = shape @ values / max(float(shape @ shape), 1e-12)
    return float(np.linalg.norm(values - level * shape))


def each_plane_w(days: Days, planes: list[tuple[float, float, float]], kwp: float) -> Array:
    """What each of a roof's planes (share, tilt, azimuth) would make of its kept half hours, [planes, rows, places]."""
    tilt, azimuth = (np.array([one[k] for one in planes])[:, None, None] for k in (1, 2))
    sky = type(days.sky)(*(values[None] for values in days.sky))
    answer = plane_response.answer(sky, tilt, azimuth)
    light = plane_response.irradiance_w_m2(answer, np.nan_to_num(days.clearness)[None])
    share = np.array([one[0] for one in planes])[:, None, None]
    made: Array = light * plane_response.PERFORMANCE_RATIO * kwp * share
    return made
