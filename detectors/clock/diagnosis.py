"""One suspicious device: how far its clock is off today, since when, and which kind of error that is."""

from datetime import date
from typing import Literal, NamedTuple

import numpy as np

from detectors.clock.beside import beside
from detectors.clock.drift import MARGIN, TOGETHER, TOTAL_MIN, Drift, best_drift
from detectors.clock.explain import Claim, entered_zone, explaining
from detectors.clock.kinds import REASONS
from detectors.clock.limits import RAISE_MIN, raise_limit, step_limit
from detectors.clock.lit_days import step_height
from detectors.clock.offset import (
    NEEDED_DAYS,
    Offset,
    contradict,
    is_no_light_of_the_sun,
    is_scattered,
    low,
    measure,
    onset_error,
)
from detectors.clock.onsets import Array, Onsets
from detectors.clock.saving import begun, ended
from detectors.clock.segments import Segment
from detectors.clock.zones import changes
from detectors.finding import Reason, because

Cause = Literal["constant", "daylight saving", "drift", "step"]

WRONG_BEFORE_SHARE = 0.6  # ours, of the limit: an offset before a step, unproven, that the step may have set right
CHANGE_NEAR_DAYS = 5  # a step this near a change of clocks belongs to it
CHANGE_FITS_MIN, CHANGE_FITS_PER_MIN = 9.0, 0.1  # ours: a step is a change of clocks' if it is as high within this
AGAIN_DAYS = 2  # ours: with light, as one day may be written wrongly, that of a change of clocks most of all
HIDDEN_SHARE = 0.5  # ours, of the limit: an open roof's own light is not early by so much
FINE_SHARE = 0.42  # of a slow sampling's interval: half an interval is the onsets' error as well as the clock's
ASIDE_MIN = 10.0  # ours: as far as planes that look aside move the middle; the onsets' own error comes upon it
LATELY_DAYS = 12  # ours: in which a drift of 40 s/day moves by 8 min, less than a day's own middle scatters
CLEAR_DRIFT_DAYS = 40  # ours: a drift that needs no light in the dark to be believed
CLEAR_GAIN = 12.0  # twice the evidence of a drift that shows light in the dark
CLEAR_TOGETHER = 0.25  # stricter than where there is light in the dark: shade changes with the seasons


class Diagnosis(NamedTuple):
    """What is wrong with a device's clock."""

    cause: Cause
    now: Offset
    start: int  # column of the first wrong day
    before: float | None  # offset before `start`
    step: float | None  # after - before
    drift: Drift | None
    change: date | None  # the change of clocks that it goes with
    saving: str = ""  # what was done with daylight saving
    since: int = 0  # column of the first day that the explanation holds for, right ones before `start` among them
    zone: str | None = None  # entered instead of the claimed one: right until its clocks, or the claim's, changed
    today: int = 0  # column of the first day with today's offset
    is_over: bool = False  # the change of clocks has made the stamps right again, until the next one


class Change(NamedTuple):
    """A change of clocks."""

    day: date
    forward: float  # minutes
    claimed: bool  # of the zone that the exports claim; else only of the zone where the site stands
    zone: str | None = None  # the zone entered instead, whose change, or lack of it, explains the step


class Step(NamedTuple):
    """A jump of the offset between two segments."""

    at: int  # column of the first day after
    before: Offset
    height: float
    change: Change | None  # that it goes with
    since: int  # column of the first day of the segment before
    error: float  # of the height, 95 %


def diagnose(onsets: Onsets, device: int, history: list[Segment], claim: Claim) -> Diagnosis | Reason | None:
    """What is wrong today; a reason if it can't be told; None if the clock is right."""
    if not history or measure(onsets, device, history[-1]) is None:
        return because(REASONS, "no-whole-day")
    segment, earlier = _today(onsets, device, history)
    found = _cause(onsets, device, history[0].start, segment, earlier, claim)
    return found._replace(today=segment.start) if isinstance(found, Diagnosis) else found


def _cause(
    onsets: Onsets, device: int, first: int, segment: Segment, earlier: Segment | None, claim: Claim
) -> Diagnosis | Reason | None:
    interval = float(onsets.interval[device])
    limit = raise_limit(interval)
    now = measure(onsets, device, segment)
    assert now is not None
    step = _step(onsets, device, segment, earlier, now, claim)
    line = best_drift(onsets, device)
    if step is not None and step.change is not None and line is not None and line.gain < MARGIN:
        line = None  # the clocks changed that day, and nothing says that it drifts
    is_steady = line is None or line.gain < MARGIN
    is_known = now.days >= NEEDED_DAYS or now.certain
    was_wrong = is_steady and is_known and step is not None and step.before.in_dark
    if was_wrong and explaining(onsets, device, first, *now[:2], claim, today=segment.start):
        return Diagnosis("constant", now, first, None, None, None, None)  # one zone, whose clocks changed
    if line is not None and line.is_over and line.gain >= MARGIN:
        segment, step = Segment(line.resets[-1], segment.end), None  # set right for good: what was before is past
        line, now = None, measure(onsets, device, segment)
        assert now is not None
    moves_both, moves_one = (False, False) if line is None else (line.moves_together(), line.moves_one_way)
    in_dark = (moves_both or moves_one) and (now.in_dark or _is_in_dark_lately(onsets, device, segment))
    if line is not None and (moves_both or (moves_one and in_dark)):
        if _is_reportable(line, in_dark) and (in_dark or _stands_without_a_day(onsets, device)):
            return Diagnosis("drift", now, line.start, None, None, line, None)
        moves = step is not None or (abs(now.minutes) >= limit and (line.in_steps or line.gain > 0))
        towards = now.minutes if step is None else step.height
        if moves and line.is_undecided and (line.resets or line.slope * towards > 0):
            return because(REASONS, "moving", s_per_day=line.slope * 60, uncertainty_s=line.slope_error * 60)
    if step is not None and not step.before.in_dark:
        return _after_step(step, now, limit)
    if step is not None and abs(now.minutes) < limit and (over := _right_again(onsets, device, step, now, claim)):
        return over
    if now.days < NEEDED_DAYS and earlier is not None:
        return because(REASONS, "changed-lately")
    if is_steady and step is None and not now.in_dark:
        now = beside(onsets, device, segment) or now
    if abs(now.minutes) < limit:
        return (
            _uncertain(now._replace(minutes=now.middle))
            if _is_hidden(now, limit)
            else _too_fine(now, interval, is_new=earlier is None)
        )
    if not now.in_dark and not now.is_beside:
        return _uncertain(now)
    if step is not None:
        return _stepped(step, now)
    before = measure(onsets, device, earlier) if earlier is not None else None
    if before is not None and before.days >= NEEDED_DAYS and not before.in_dark and abs(before.minutes) < limit:
        height = now.minutes - before.minutes  # right first, wrong from a later day on: no zone of the first day
        return Diagnosis("step", now, segment.start, before.minutes, height, None, None)
    if (
        line is not None
        and line.in_steps
        and line.is_undecided
        and not explaining(onsets, device, segment.start, *now[:2], claim, today=segment.start)
    ):
        return because(REASONS, "moving", s_per_day=line.slope * 60, uncertainty_s=line.slope_error * 60)
    return Diagnosis("constant", now, segment.start, None, None, None, None)


def _is_in_dark_lately(onsets: Onsets, device: int, segment: Segment) -> bool:
    """Whether the last days show light in the dark, or the roofs around that the clock is off.

    A drift's offset is today's, not the middle of some weeks.
    """
    span = Segment(max(segment.start, segment.end - LATELY_DAYS + 1), segment.end)
    lately = measure(onsets, device, span)
    return lately is not None and (lately.in_dark or beside(onsets, device, span) is not None)


def _stands_without_a_day(onsets: Onsets, device: int) -> bool:
    """Whether the days before the last one told it too: what no light in the dark proves is not told of one day."""
    line = best_drift(onsets, device, without=1)
    return line is not None and line.moves_together() and _is_reportable(line, in_dark=False)


def _is_reportable(line: Drift, in_dark: bool) -> bool:
    """Whether the drift is known, has moved the clock far enough, and is no wall's."""
    if line.gain < MARGIN or not line.is_known or line.total < TOTAL_MIN or abs(line.max_offset) < RAISE_MIN:
        return False
    is_clear = line.moves_together(CLEAR_TOGETHER) and line.gain >= CLEAR_GAIN and line.days_moved >= CLEAR_DRIFT_DAYS
    is_beyond_shade = line.gain >= CLEAR_GAIN if line.resets else line.moves_both_ends
    return in_dark or is_clear or is_beyond_shade


def _today(onsets: Onsets, device: int, history: list[Segment]) -> tuple[Segment, Segment | None]:
    """The segment of today's offset with older ones that differ by less than a step, and the last that differs more."""
    now = measure(onsets, device, history[-1])
    start = history[-1].start
    for segment in reversed(history[:-1]):
        past = measure(onsets, device, segment)
        if past is None or past.days < NEEDED_DAYS or now is None:
            continue
        if abs(past.minutes - now.minutes) >= step_limit(float(onsets.interval[device])):
            return Segment(start, history[-1].end), segment
        start = segment.start
    return Segment(start, history[-1].end), None


def _after_step(step: Step, now: Offset, limit: float) -> Diagnosis | Reason | None:
    """The verdict where the clock was right before the step, as far as could be seen: the step is the offset."""
    if not now.in_dark and abs(now.minutes) < limit and abs(step.before.minutes) >= WRONG_BEFORE_SHARE * limit:
        return None  # it was wrong before, unproven, and is right now
    if max(abs(step.height), abs(now.minutes)) < limit:
        return None
    wide = float(np.hypot(now.uncertainty, step.before.uncertainty))
    offset, error = step.height, step.error
    # Walls and trees move first and last light before the step as much as after it: they are not in its height. A
    # height that today's offset contradicts beyond what shade explains is of days that the step cuts through.
    if abs(step.before.minutes) < limit and abs(step.height - now.minutes) > wide:
        if abs(now.minutes) <= wide:  # roofs shut off on most afternoons jump by hours when dull days let them run
            return _uncertain(now)
        offset, error = now.minutes, wide
    return _stepped(step, now._replace(minutes=offset, uncertainty=error))


def _stepped(step: Step, now: Offset) -> Diagnosis:
    if step.change is None:
        return Diagnosis("step", now, step.at, step.before.minutes, step.height, None, None)
    if step.change.zone is not None:
        saving = f"as in {step.change.zone}, which would explain both seasons"
    elif not step.change.claimed:
        saving = "followed by the stamps but not by the claimed zone"
    else:
        saving = begun(step.height, step.change.forward)
    return Diagnosis(
        "daylight saving", now, step.at, step.before.minutes, step.height, None, step.change.day, saving,
        step.since, step.change.zone,
    )  # fmt: skip


def _right_again(onsets: Onsets, device: int, step: Step, now: Offset, claim: Claim) -> Diagnosis | None:
    """Daylight saving that was wrong until a change of clocks made the stamps right, which the next one will undo."""
    if step.change is None or step.change.zone is not None:
        return None
    offsets = (step.before, now)
    saving = ended(onsets, device, step.since, step.at, offsets, step.change.forward, claim)
    if not saving:
        return None
    return Diagnosis(
        "daylight saving", now, step.since, step.before.minutes, step.height, None, step.change.day, saving,
        step.since, is_over=True,
    )  # fmt: skip


def _is_hidden(now: Offset, limit: float) -> bool:
    """Whether shade on one side may hide an offset: the open side alone shows half of one, the middle a whole one."""
    return abs(now.middle) >= limit and now.minutes * now.middle > 0 and abs(now.minutes) >= HIDDEN_SHARE * limit


def _too_fine(now: Offset, interval: float, *, is_new: bool) -> Reason | None:
    """Why an offset below the limit is left open; `is_new`: nothing larger was set right before it.

    Of fine readings only what light in the dark shows: shade, and planes that look aside, make no light there.
    """
    if interval > 30 and now.in_dark and abs(now.minutes) > FINE_SHARE * interval:
        return because(REASONS, "finer-than-interval", interval_min=interval, **_lies(now))
    small = max(ASIDE_MIN + onset_error(interval), now.uncertainty)
    if interval <= 30 and now.in_dark and is_new and abs(now.minutes) >= small:
        return because(REASONS, "below-limit", uncertainty_min=now.uncertainty, **_lies(now))
    return None


def _lies(now: Offset) -> dict[str, float | str]:
    return {"offset_min": abs(now.minutes), "side": "late" if now.minutes > 0 else "early"}


def _uncertain(now: Offset) -> Reason:
    if now.dark_days:
        return because(REASONS, "dark-on-few", dark_days=now.dark_days, days=now.days)
    if now.days < NEEDED_DAYS:
        return because(REASONS, "few-days-none-dark", days=now.days, needed_days=NEEDED_DAYS)
    return because(REASONS, "none-dark", **_lies(now))


def _step(
    onsets: Onsets, device: int, segment: Segment, earlier: Segment | None, now: Offset, claim: Claim
) -> Step | None:
    """The step at which today's segment began, if first and last light moved together there."""
    if earlier is None or (before := measure(onsets, device, earlier)) is None:
        return None
    first = _jump(onsets.first_late[device], earlier, segment)
    last = -_jump(onsets.last_early[device], earlier, segment)
    height, error = step_height(onsets, device, earlier.end, segment.start)
    if not np.isfinite(height):
        height, error = (first + last) / 2, before.uncertainty
    together = abs(first - last) <= TOGETHER * abs(first + last)
    if before.scattered or now.scattered or is_no_light_of_the_sun(before):
        return None
    min_height = step_limit(float(onsets.interval[device]))
    if max(abs(height), abs(first + last) / 2) < min_height or not (together or now.certain):
        return None
    if contradict(height, before, now, min_height):
        return None
    if not now.certain and is_scattered(height, before, now):
        return None
    change = _change_at(onsets, device, segment.start, earlier, (height, error), (before, now), claim)
    if now.days < AGAIN_DAYS:
        return None  # after right days, one wrong day is as well a file that was written wrongly
    if now.days < NEEDED_DAYS and not now.certain and change is None:
        return None
    error = float(np.hypot(error, onset_error(float(onsets.interval[device]))))
    return Step(segment.start, before, height, change, earlier.start, error)


def _jump(late: Array, before: Segment, after: Segment) -> float:
    old = late[max(before.start, before.end - 13) : before.end + 1]
    new = late[after.start : min(after.end, after.start + 13) + 1]
    old, new = old[np.isfinite(old)], new[np.isfinite(new)]
    return low(new, 0.2) - low(old, 0.2) if len(old) and len(new) else float("nan")


def _change_at(
    onsets: Onsets,
    device: int,
    at: int,
    earlier: Segment,
    height: tuple[float, float],
    offsets: tuple[Offset, Offset],
    claim: Claim,
) -> Change | None:
    """The change of clocks that the step goes with: of the claimed or the site's zone, or of one entered instead.

    `height`: the step and its error; it must be as high as the change. `offsets`: before and now.
    """
    interval = float(onsets.interval[device])
    fits = CHANGE_FITS_MIN + CHANGE_FITS_PER_MIN * interval + height[1] / 2
    # No shade is in a step's height: what its 95 % interval excludes is no change of clocks.
    fits = min(fits, max(float(np.hypot(height[1], onset_error(interval))), CHANGE_FITS_MIN))
    for zone in dict.fromkeys((claim.stamped_zone, claim.timezone)):
        for index, forward in changes(zone, onsets.days[0], len(onsets.days)):
            near = earlier.end - CHANGE_NEAR_DAYS < index <= at + CHANGE_NEAR_DAYS
            if near and abs(abs(height[0]) - abs(forward)) <= fits:
                return Change(onsets.days[index], forward, zone == claim.stamped_zone)
    before = offsets[0]
    if abs(before.minutes) >= raise_limit(float(onsets.interval[device])):
        return None
    entered = entered_zone(onsets, device, at, earlier.start, height[0], fits, claim)
    return None if entered is None else Change(onsets.days[at], height[0], False, entered)
