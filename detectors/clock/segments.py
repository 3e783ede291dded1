"""The clock's history at suspicious devices: segments of constant offset.

The segments are the cheapest path through a grid of offsets: each day charges an offset for the light that it would
put before sunrise or after sunset (dear) and for the light that would then be missing (cheap), and every jump has a
price. The same calculation serves all suspicious devices of a fleet at once.
"""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from detectors.clock.onsets import SEAM_MIN, Array, Index, Onsets
from detectors.stats.robust import quantile

GRID_STEP_MIN = 5.0
JUMP_PRICE = 80.0  # ours: one day with power wholly in the dark, or some five days half an hour off, pay for a jump
DARK_PRICE = 0.8  # per minute of light before sunrise or after sunset
MISSING_PRICE = 0.2  # per minute of missing light: clouds, shade and shut-off explain it
ONSET_CAP = 25.0  # one onset's charge at most: outages and freak days
WHOLE_DARK_PRICE = 2.0  # per minute by which a whole interval with power lies in the dark
WHOLE_DARK_CAP = 60.0
BATCH = 256  # devices at once, to bound memory


class Segment(NamedTuple):
    """A span of days with one offset: columns of the onsets, first and last included."""

    start: int
    end: int


def segments(onsets: Onsets, devices: Index) -> list[list[Segment]]:
    """For every device the segments of constant offset, oldest first; none where there is no light."""
    found: list[list[Segment]] = []
    for begin in range(0, len(devices), BATCH):
        found += _batch(onsets, devices[begin : begin + BATCH])
    return found


def typical_half(first_late: Array, last_early: Array) -> Array:
    """Minutes by which light usually comes after sunrise and goes before sunset: no clock error changes their mean.

    By device and day, from the days around; 0 where unknown.
    """
    half = (first_late + last_early) / 2
    width, days = 31, half.shape[1]
    typical = np.zeros_like(half)
    for begin in range(0, days, 15):
        around = half[:, max(0, begin - (width - 15) // 2) : begin + 15 + (width - 15) // 2]
        typical[:, begin : begin + 15] = np.nan_to_num(quantile(around, 0.2))[:, None]
    return typical


def _charge(late: Array, offsets: Array) -> Array:
    """Price of an onset for every device (rows) and offset (columns); an unseen onset is free."""
    rest = late[:, None] - offsets[None, :]
    return np.nan_to_num(np.minimum(np.where(rest < 0, -DARK_PRICE * rest, MISSING_PRICE * rest), ONSET_CAP))


def _charge_dark(late: Array, offsets: Array) -> Array:
    rest = offsets[None, :] - late[:, None]
    return np.nan_to_num(np.clip(WHOLE_DARK_PRICE * rest, 0.0, WHOLE_DARK_CAP))


def _batch(onsets: Onsets, devices: Index) -> list[list[Segment]]:
    first, last = onsets.first_late[devices], onsets.last_early[devices]
    first_end, last_start = onsets.first_end_late[devices], onsets.last_start_early[devices]
    usable = np.isfinite(first) & np.isfinite(last) & is_possible_day(first_end, last_start)
    half = typical_half(np.where(usable, first, np.nan), np.where(usable, last, np.nan))
    offsets = np.arange(-SEAM_MIN, 750.0 + GRID_STEP_MIN, GRID_STEP_MIN)
    count, days = first.shape
    worth = np.zeros((count, len(offsets)))
    origin = np.empty((days, count), dtype=np.int32)
    jumped = np.zeros((days, count, len(offsets)), dtype=np.bool_)
    for day in range(days):
        origin[day] = np.argmin(worth, axis=1)
        floor = worth[np.arange(count), origin[day]][:, None] + JUMP_PRICE
        jumped[day] = worth > floor
        worth = np.minimum(worth, floor)
        use = usable[:, day]
        if not use.any():
            continue
        price = _charge(first[:, day] - half[:, day], offsets) + _charge(last[:, day] - half[:, day], -offsets)
        price += _charge_dark(first_end[:, day], offsets) + _charge_dark(last_start[:, day], -offsets)
        worth = worth + np.where(use[:, None], price, 0.0)
        worth -= worth.min(axis=1, keepdims=True)
    state = np.argmin(worth, axis=1)
    breaks = np.zeros((count, days), dtype=np.bool_)
    for day in range(days - 1, -1, -1):
        jump = jumped[day, np.arange(count), state]
        breaks[:, day] = jump
        state = np.where(jump, origin[day], state)
    return [_split(row, lit) for row, lit in zip(breaks, usable, strict=True)]


def is_possible_day(first_end_late: Array, last_start_early: Array) -> npt.NDArray[np.bool_]:
    """False where whole intervals show light for longer than there can be any: no clock error can do that."""
    with np.errstate(invalid="ignore"):
        return ~(first_end_late + last_start_early < 0)


def _split(breaks: npt.NDArray[np.bool_], lit: npt.NDArray[np.bool_]) -> list[Segment]:
    days = np.flatnonzero(lit)
    if not len(days):
        return []
    cuts = [int(day) for day in np.flatnonzero(breaks) if days[0] < day <= days[-1]]
    starts = [int(days[0]), *cuts]
    ends = [cut - 1 for cut in cuts] + [int(days[-1])]
    return [Segment(start, end) for start, end in zip(starts, ends, strict=True)]
