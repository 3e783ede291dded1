"""An offset that no light in the dark proves, told by the roofs around.

Of one roof by itself nobody can say whether light that comes and goes half an hour early is a clock's or a wall's in
the west. Roofs under the same sun tell: a wall, a hill or an inverter that starts late makes light come later than at
an open roof, and none makes it come earlier. So a roof whose light comes (or lasts) beyond that of every roof around,
and goes (or begins) as much short of theirs, has a clock that is off.
"""

import numpy as np

from detectors.clock.limits import raise_limit
from detectors.clock.offset import RECENT_DAYS, Offset, low, measure, middle_error
from detectors.clock.onsets import Onsets
from detectors.clock.segments import Segment
from detectors.stats.distance import great_circle_km

NEAR_KM = 100.0  # ours: light and shade of hills differ less within it than by what is told
OTHERS_NEEDED = 2  # that agree: of two that differ nobody knows which is wrong
OTHERS_ASKED = 8  # the nearest: of hundreds, one would be as early by chance
DAYS_NEEDED = 7  # ours: of which the fifth least is the second
SAME_INTERVAL_MIN = 15.0  # ours: onsets of coarser readings are seen later
# ours: beyond the earliest of the roofs around. Inverters start between 5 and 15 W/m2, which the sun passes within ten
# minutes at 45 degrees north, and a roof that faces the sun as it rises sees 15 W/m2 five minutes sooner.
AHEAD_MIN = 15.0
TOGETHER = 0.5  # as of a step: first and last light move by the same, the one earlier and the other later


def beside(onsets: Onsets, device: int, segment: Segment) -> Offset | None:
    """The offset of a segment by the roofs around, in minutes; None where they do not show one."""
    own = measure(onsets, device, segment)
    if own is None or own.days < DAYS_NEEDED or own.scattered:
        return None
    late, early = _sides(onsets, device, segment)
    others = _others(onsets, device, segment, min(late, early) + AHEAD_MIN)
    if len(others) < OTHERS_NEEDED:
        return None
    mornings, evenings = np.array(others).T
    from_first, from_last = late - float(np.median(mornings)), early - float(np.median(evenings))
    shift = (from_first - from_last) / 2
    is_together = abs(from_first + from_last) <= TOGETHER * abs(from_first - from_last)
    ahead = min(mornings.min(), evenings.min()) - (late if shift < 0 else early)
    if not is_together or ahead < AHEAD_MIN or abs(shift) < raise_limit(float(onsets.interval[device])):
        return None
    error = float(np.hypot(middle_error(float(onsets.interval[device]), own.days), abs(from_first + from_last) / 2))
    return own._replace(minutes=shift, uncertainty=error, is_beside=True)


def _others(onsets: Onsets, device: int, segment: Segment, earliest: float) -> list[tuple[float, float]]:
    """(first light after sunrise, last light before sunset) of the nearest other sites whose clocks look right.

    None once one of them has less than `earliest` on either side: the device is not ahead of it, whatever the rest say.
    """
    km = great_circle_km(
        float(onsets.latitude[device]), float(onsets.longitude[device]), onsets.latitude, onsets.longitude
    )
    found: dict[str, tuple[float, float]] = {}
    for other in np.argsort(km, kind="stable").tolist():
        if km[other] > NEAR_KM or len(found) == OTHERS_ASKED:
            break
        site = onsets.sites[other]
        is_alike = abs(onsets.interval[other] - onsets.interval[device]) <= SAME_INTERVAL_MIN
        if site == onsets.sites[device] or site in found or not is_alike:
            continue
        its = measure(onsets, other, segment)
        if its is None or its.days < DAYS_NEEDED or its.scattered:
            continue
        late, early = _sides(onsets, other, segment)
        if abs(late - early) / 2 < raise_limit(float(onsets.interval[other])):
            if min(late, early) < earliest:
                return []
            found[site] = (late, early)
    return list(found.values())


def _sides(onsets: Onsets, device: int, segment: Segment) -> tuple[float, float]:
    """Minutes by which first light comes after sunrise and last light goes before sunset, clouds aside."""
    span = slice(max(segment.start, segment.end - RECENT_DAYS + 1), segment.end + 1)
    first, last = onsets.first_late[device, span], onsets.last_early[device, span]
    both = np.isfinite(first) & np.isfinite(last)
    return low(first[both], 0.2), low(last[both], 0.2)
