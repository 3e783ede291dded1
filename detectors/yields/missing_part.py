"""What a part is that is missing of a roof's power: an input, one of its planes, a half, or none of these."""

from datetime import date
from typing import NamedTuple

import numpy as np

from detectors.solar import plane_response
from detectors.stats.robust import MAD_TO_SIGMA, Array
from detectors.yields import change_point
from detectors.yields.day_residual import weighted_median
from detectors.yields.half_hours import MAX_INPUTS, Days
from detectors.yields.history import History
from detectors.yields.kinds import CAPACITY_MISMATCH, STRING_LOSS, UNDERPERFORMANCE
from detectors.yields.own_past import HALF_HOURS
from detectors.yields.roof_model import EPOCH

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


class Parts(NamedTuple):
    """What a site's strings are told from."""

    days: Days  # its kept half hours
    shares: Array  # of the registered planes; empty where none is known
    each_w: Array  # what each of several registered planes would make, [planes, rows, places]; else empty


def from_the_first(history: History, change: change_point.Change, parts: Parts) -> tuple[str, int]:
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
    return of_change(history, change_point.Change(place, place, place, *levels), parts)


def of_change(history: History, change: change_point.Change, parts: Parts) -> tuple[str, int]:
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
