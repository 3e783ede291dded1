"""What the order of a file's rows tells about clock changes: the fold of a repeated hour, and standard time.

Works on plain arrays and knows no zones; `conversion.to_utc` finds the rows that need it.
"""

import numpy as np

# What became of a stamp.
OK, FOLD_0, FOLD_1, AMBIGUOUS, NONEXISTENT, STANDARD = range(6)  # folds as in PEP 495

DAYLIGHT_STEP_MAX_US = (
    2 * 3_600_000_000
)  # no daylight saving moved a clock by more since 1970 (IANA); Apia's day is no hour
EVEN_STEPS = 1.5  # ours: stamps that jitter by less than half an interval still run evenly
DOUBLED_SHARE = 0.25  # ours: a file that writes every row twice has equal neighbours in half of its steps


def settle_repeated(
    local_us: np.ndarray,
    series: np.ndarray,
    change: np.ndarray,
    low_us: np.ndarray,
    high_us: np.ndarray,
    *,
    has_end_labels: bool,
) -> np.ndarray:
    """FOLD_0, FOLD_1 or AMBIGUOUS of rows whose `change` is not -1 (the number of their repeated hour), OK elsewhere.

    `series` numbers the rows of one file, site and device, in the file's order. Within one series and one repeated
    hour, the largest step back starts fold 1; where no stamp steps back, the second of two equal neighbours
    is fold 1 (hourly readings, or a file sorted by its wall clock). A descending series, told by the majority
    of its steps, is read from its end. A series that leaves the hour by more than its own length starts afresh.
    Labels at the interval's end repeat (low, high] rather than [low, high): some write the high edge twice, some the
    low one; the order settles both.
    """
    status = np.zeros(len(local_us), np.uint8)
    touched = np.flatnonzero(np.isin(series, np.unique(series[change >= 0])))
    order = touched[np.argsort(series[touched], kind="stable")]
    _, number = np.unique(series[order], return_inverse=True)
    stamps = local_us[order]
    step, same = np.diff(stamps), np.diff(number) == 0
    votes = np.bincount(number[1:], weights=np.sign(step) * same, minlength=number[-1] + 1)
    outside = same & (change[order][1:] < 0)
    equal_outside = np.bincount(number[1:], weights=outside & (step == 0), minlength=number[-1] + 1)
    doubled = equal_outside > DOUBLED_SHARE * np.bincount(number[1:], weights=outside, minlength=number[-1] + 1)

    place = np.arange(len(order))
    forward = np.lexsort((np.where(votes[number] < 0, -place, place), number))
    order, number, stamps = order[forward], number[forward], stamps[forward]
    hour = change[order]
    near = np.zeros(len(order), bool)
    for k in np.unique(hour[hour >= 0]):
        length = high_us[k] - low_us[k]
        near |= (stamps >= low_us[k] - length) & (stamps <= high_us[k] + length)
    inside = np.flatnonzero(hour >= 0)
    visit_key = np.stack([number, hour, np.cumsum(~near)])[:, inside]
    starts = np.concatenate([[True], (np.diff(visit_key, axis=1) != 0).any(axis=0)])
    visit = np.cumsum(starts) - 1
    status[order[inside]] = _folds(
        stamps[inside], starts, visit, doubled[number[inside]],
        at_low=has_end_labels & (stamps[inside] == low_us[hour[inside]]),
        at_high=has_end_labels & (stamps[inside] == high_us[hour[inside]]),
    )  # fmt: skip
    return status


def _folds(
    stamps: np.ndarray,
    starts: np.ndarray,
    visit: np.ndarray,
    doubled: np.ndarray,
    *,
    at_low: np.ndarray,
    at_high: np.ndarray,
) -> np.ndarray:
    """FOLD_0, FOLD_1 or AMBIGUOUS for rows in their true order, `visit` by visit."""
    step = np.where(starts, 1, np.diff(stamps, prepend=stamps[0]))
    largest_back = np.minimum.reduceat(step, np.flatnonzero(starts))[visit]
    turn = (step < 0) & (step == largest_back)
    turns = np.cumsum(turn)
    second = turns - (turns - turn)[starts][visit] > 0
    second |= (largest_back >= 0) & (step == 0) & ~doubled
    low_twice = _any(visit, at_low & second)
    second |= at_high & low_twice & (largest_back >= 0)
    has_second = _any(visit, second)
    status = np.where(second, FOLD_1, np.where(has_second, FOLD_0, AMBIGUOUS)).astype(np.uint8)
    status[at_low & ~has_second] = FOLD_0  # the interval before the hour ends there, whichever way the file counts
    # The high edge alone, with nothing of the hour before it, is the plain clock reading.
    status[at_high & ~has_second & ~_any(visit, ~at_high)] = FOLD_1
    return status


def _any(group: np.ndarray, flag: np.ndarray) -> np.ndarray:
    """For each row, whether `flag` holds anywhere in its group (numbered from 0)."""
    return (np.bincount(group, weights=flag) > 0)[group] if len(group) else flag


def runs_through(stamps_us: np.ndarray, low_us: int, high_us: int, *, has_end_labels: bool) -> bool:
    """Whether a series passes the nonexistent hour [low, high) as if there were none.

    It must hold stamps before, inside and after, and no step across may be longer than one and a half of the series'
    usual one: a clock that jumped shows a step of an hour more, a stray stamp leaves a hole beside it. With marks at
    the interval's end the two edges are the same instant on a clock that jumped, so a series that holds both, one
    step apart, did not jump.
    """
    if high_us - low_us > DAYLIGHT_STEP_MAX_US:
        return False
    stamps = np.unique(stamps_us)
    first = int(np.searchsorted(stamps, low_us, side="right" if has_end_labels else "left")) - 1
    last = int(np.searchsorted(stamps, high_us, side="left"))
    if first < 0 or last >= len(stamps) or (last - first < 2 and not has_end_labels):
        return False
    steps, counts = np.unique(np.diff(stamps), return_counts=True)
    usual = steps[np.argmax(counts)]
    return bool(np.diff(stamps[first : last + 1]).max() <= EVEN_STEPS * usual)
