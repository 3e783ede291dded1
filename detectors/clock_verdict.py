"""One suspicious device: how far its clock is off today, since when, and which kind of error that is."""

from datetime import date
from typing import Literal, NamedTuple

import numpy as np

from detectors.clock_history import WHOLE_DARK_MIN, Drift, Stretch, fit_drift, is_possible_day
from detectors.clock_marks import Array, Marks
from detectors.clock_zones import changes

Cause = Literal["constant", "daylight saving", "drift", "step"]

RAISE_MIN = 20.0  # smaller offsets are not told from the marks' own error within some days
RAISE_PER_SLOW_MIN = 2 / 3  # per minute of sampling beyond half an hour: 40 min at 60, above half an interval
STEP_MIN = 18.0  # a change of offset that shows at 15 min sampling
STEP_PER_SLOW_MIN = 0.27  # per minute beyond 15: 22 at 30, 30 at 60 min
NEEDED_DAYS = 5
LIGHT_AFTER_DARK_MIN = 4.0  # interpolated light this far in the dark is no noise of the mark, at fine sampling
LIGHT_AFTER_DARK_INTERVALS = 0.2  # the same at coarse sampling, in intervals
WIDE_DEG = 8.0  # of sun height: shade or shut-off that makes the middle of first and last light doubtful
OPEN_ROOF_LATE_MIN = 10.0  # light usually comes this long after sunrise at a roof with a free horizon
CHANGE_NEAR_DAYS = 5  # a step this near a change of clocks belongs to it
CHANGE_WITHIN = (2 / 3, 4 / 3)  # of the zone's own step: 40-80 min for an hour
DRIFT_S_PER_DAY = 8.0
DRIFT_TOTAL_MIN = 25.0
RECENT_DAYS = 45  # of a stretch, so that the seasons' shade does not mix in


class Offset(NamedTuple):
    """An offset over some days in minutes, stamped minus true."""

    minutes: float
    uncertainty: float  # 95 %
    days: int
    certain: bool  # whole intervals show power in the dark
    proven: bool  # light in the dark, interpolated
    width_deg: float  # sun height that first and last light miss together


class Diagnosis(NamedTuple):
    """What is wrong with a device's clock."""

    cause: Cause
    now: Offset
    start: int  # column of the first wrong day
    before: float | None  # offset before `start`
    step: float | None  # after - before
    drift: Drift | None
    change: date | None  # the change of clocks that it goes with
    applied_twice: bool  # else left out


def raise_limit(interval: float) -> float:
    """Minutes from which an offset is told."""
    return RAISE_MIN + RAISE_PER_SLOW_MIN * max(0.0, interval - 30.0)


def step_limit(interval: float) -> float:
    """Minutes from which a change of offset is told."""
    return STEP_MIN + STEP_PER_SLOW_MIN * max(0.0, interval - 15.0)


def mark_error(interval: float, days: int) -> float:
    """Minutes (95 %) by which the middle of first and last light misses, from real series at 5 to 60 min sampling."""
    return float(np.hypot(3.0 + 0.14 * interval, (12.0 + 0.3 * interval) / np.sqrt(max(days, 1))))


def measure(marks: Marks, device: int, stretch: Stretch) -> Offset | None:
    """The offset over the last days of a stretch; None without a day of light."""
    span = slice(max(stretch.start, stretch.end - RECENT_DAYS + 1), stretch.end + 1)
    first, last = marks.first_late[device, span], marks.last_early[device, span]
    first_end, last_start = marks.first_end_late[device, span], marks.last_start_early[device, span]
    use = np.isfinite(first) & np.isfinite(last) & is_possible_day(first_end, last_start)
    days = int(use.sum())
    if days == 0:
        return None
    first, last, first_end, last_start = first[use], last[use], first_end[use], last_start[use]
    interval = float(marks.interval[device])
    rate = float(np.nanmedian(marks.dark_rate[device, span]))
    late, early = _low(first, 0.2), _low(last, 0.2)
    if (late + early) * rate > WIDE_DEG and days >= 10:  # the few days that ran to the end tell more
        late, early = _low(first, 0.08), _low(last, 0.08)
    width_deg = max(late + early, 0.0) * rate
    offset = (late - early) / 2
    error = mark_error(interval, days)
    if width_deg > WIDE_DEG:  # one side is cut off: the side in the dark alone
        open_late = OPEN_ROOF_LATE_MIN + interval / 6
        offset = late - open_late if abs(min(late, 0.0)) >= abs(min(early, 0.0)) else open_late - early
        error = float(np.hypot(error, 15.0))
    else:
        error = float(np.hypot(error, max(late + early, 0.0) / 6))
    tolerance = max(LIGHT_AFTER_DARK_MIN, LIGHT_AFTER_DARK_INTERVALS * interval)
    dark_side = early if offset > 0 else late
    whole = last_start if offset > 0 else first_end
    certain = bool(_dark_rank(whole) < -WHOLE_DARK_MIN)
    return Offset(offset, error, days, certain, days >= NEEDED_DAYS and dark_side < -tolerance, width_deg)


def _dark_rank(values: Array) -> float:
    """The third smallest of ten or more days, the second of five, all of fewer: one freak day proves nothing."""
    ordered = np.sort(values)
    if len(ordered) >= 10:
        return float(ordered[2])
    return float(ordered[1]) if len(ordered) >= NEEDED_DAYS else float(ordered[-1])


def _low(values: Array, share: float) -> float:
    return float(np.quantile(values, share))


class Step(NamedTuple):
    """A jump of the offset between two stretches."""

    at: int  # column of the first day after
    before: Offset
    height: float
    change: tuple[date, float] | None  # the change of clocks that it goes with: day, minutes put forward


def diagnose(marks: Marks, device: int, history: list[Stretch], zones: tuple[str, str]) -> Diagnosis | str | None:
    """What is wrong today; a reason if it can't be told; None if the clock is right. `zones`: site's, claim's."""
    interval = float(marks.interval[device])
    limit = raise_limit(interval)
    if not history or (now := measure(marks, device, history[-1])) is None:
        return "no day with a whole morning and evening of generation"
    step = _last_step(marks, device, history, zones)
    drift = _drift(marks, device, history, step)
    if drift is not None and abs(drift.offset) >= limit:
        return Diagnosis("drift", now, drift.start, None, None, drift, None, False)
    if abs(now.minutes) < limit:
        return None if now.days >= NEEDED_DAYS or step is None else "the offset changed within the last days"
    if step is not None:
        return _after_step(step, now)
    if not (now.certain or now.proven):
        return _uncertain(now)
    start = history[0].start if _holds(marks, device, history) else history[-1].start
    return Diagnosis("constant", now, start, None, None, None, None, False)


def _holds(marks: Marks, device: int, history: list[Stretch]) -> bool:
    return all(
        (past := measure(marks, device, stretch)) is None
        or abs(past.minutes) >= raise_limit(float(marks.interval[device]))
        for stretch in history
    )


def _after_step(step: Step, now: Offset) -> Diagnosis:
    twice = step.change is not None and step.height * step.change[1] > 0
    day = step.change[0] if step.change else None
    cause: Cause = "step" if step.change is None else "daylight saving"
    return Diagnosis(cause, now, step.at, step.before.minutes, step.height, None, day, twice)


def _uncertain(now: Offset) -> str:
    if now.days < NEEDED_DAYS:
        return f"only {now.days} days with light, none with generation in the dark; {NEEDED_DAYS} days settle it"
    return (
        f"first and last light lie {abs(now.minutes):.0f} min {'late' if now.minutes > 0 else 'early'}, but nothing was "
        "generated in the dark: shade on one side, hours shut off, or the clock; compare the logger's clock with a "
        "watch, or its first and last light with a neighbour's"
    )


def _last_step(marks: Marks, device: int, history: list[Stretch], zones: tuple[str, str]) -> Step | None:
    """The step at which today's stretch began, if first and last light moved together there."""
    if len(history) < 2:
        return None
    now = measure(marks, device, history[-1])
    earlier = [stretch for stretch in history[:-1] if (m := measure(marks, device, stretch)) and m.days >= NEEDED_DAYS]
    if not earlier or now is None:
        return None
    before = measure(marks, device, earlier[-1])
    assert before is not None
    interval = float(marks.interval[device])
    at = history[-1].start
    first = _jump(marks.first_late[device], earlier[-1], history[-1])
    last = -_jump(marks.last_early[device], earlier[-1], history[-1])
    height = (first + last) / 2
    change = _change_at(marks.days, at, earlier[-1].end, height, zones)
    together = abs(first - last) <= 0.5 * abs(first + last)
    enough = now.days >= NEEDED_DAYS or now.certain or (change is not None and now.days >= 2)
    if abs(height) < step_limit(interval) or not (together or now.certain) or not enough:
        return None
    return Step(at, before, height, change)


def _jump(late: Array, before: Stretch, after: Stretch) -> float:
    old = late[max(before.start, before.end - 13) : before.end + 1]
    new = late[after.start : min(after.end, after.start + 13) + 1]
    old, new = old[np.isfinite(old)], new[np.isfinite(new)]
    return _low(new, 0.2) - _low(old, 0.2) if len(old) and len(new) else float("nan")


def _change_at(
    days: list[date], at: int, last_before: int, height: float, zones: tuple[str, str]
) -> tuple[date, float] | None:
    for zone in dict.fromkeys(zones):
        for index, forward in changes(zone, days):
            low, high = sorted(abs(forward) * share for share in CHANGE_WITHIN)
            near = last_before - CHANGE_NEAR_DAYS < index <= at + CHANGE_NEAR_DAYS
            if near and low <= abs(height) <= high:
                return days[index], forward
    return None


def _drift(marks: Marks, device: int, history: list[Stretch], step: Step | None) -> Drift | None:
    """The line that explains the days better than a jump does; None if there is none."""
    if step is not None and step.change is not None:
        return None
    best: Drift | None = None
    for start in dict.fromkeys([history[0].start, history[-1].start]):
        line = fit_drift(marks.first_late[device], marks.last_early[device], start)
        if line is None:
            continue
        span = history[-1].end - start
        steady = abs(line.first_slope - line.last_slope) <= 0.6 * abs(line.first_slope + line.last_slope)
        fast = abs(line.slope) * 60 >= DRIFT_S_PER_DAY and abs(line.slope) * span >= DRIFT_TOTAL_MIN
        if (
            fast
            and steady
            and line.cost < _best_jump_cost(marks, device, start)
            and (best is None or line.cost < best.cost)
        ):
            best = line
    return best


def _best_jump_cost(marks: Marks, device: int, start: int) -> float:
    """Mean absolute residual of the best single jump (or none) through the daily offsets, minutes."""
    middle = (marks.first_late[device, start:] - marks.last_early[device, start:]) / 2
    middle = middle[np.isfinite(middle)]
    best = np.minimum(np.abs(middle - np.median(middle)), 60.0).mean()
    for cut in range(5, len(middle) - 5, 2):
        old, new = middle[:cut], middle[cut:]
        rest = np.concatenate([old - np.median(old), new - np.median(new)])
        best = min(best, np.minimum(np.abs(rest), 60.0).mean())
    return float(best)
