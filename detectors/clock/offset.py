"""How far first and last light of some days lie from the sun's, and whether light in the dark proves it."""

from typing import NamedTuple

import numpy as np

from detectors.clock.onsets import TWILIGHT_DEG, Array, Onsets
from detectors.clock.segments import Segment, is_possible_day
from detectors.stats.robust import median_of, quantile_of

NEEDED_DAYS = 5
IN_DARK_INTERVALS = 0.2  # of an interval: interpolated light less than this in the dark may be the onset's own error
PROOF_MORE_DAYS = (
    0.2  # a fifth of the days must show it, at 60 min two fifths: there dull days blur the onset both ways
)
IN_DARK_SHARE = 0.15  # of the offset: light less than this in the dark may be a clock's, but most of it is shade
WIDE_DEG = 8.0  # of sun height: shade or shut-off that makes the middle of first and last light doubtful
# ... but not below this, as intervals and their clouds make light late by minutes: where the sun climbs by a quarter of
# a degree a minute 8 degrees are 32 min, at 45 degrees north 45. Shade of one side errs by half of either.
WIDE_MIN = 45.0
LIGHT_PAST_SET_MIN = 2.0  # a roof that sees the whole sky shows light this long after sunset
SCATTER_MIN = 45.0  # ours, median distance from the median: if both onsets scatter more, they are no onsets
SHADE_MIN = 45.0  # ours: the uncertainty from shade at most
WIDE_PER_SLOW_DEG = 0.14  # more of it per minute of sampling beyond a quarter hour: there first light is seen later
OPEN_ROOF_LATE_MIN = 10.0  # light usually comes this long after sunrise at a roof with a free horizon
FULL_DARK_DEG = 6.0  # the end of civil twilight: from one day alone nothing else counts as darkness
SCATTERED_SHARE = 0.4  # ours: of a step; what lies about more widely than that shows none of this height
BEYOND_SHADE = 2.0  # ours: of the uncertainty of 95 %, shade included: four sigmas
RECENT_DAYS = 45  # of a segment, so that the seasons' shade does not mix in


class Offset(NamedTuple):
    """An offset over some days in minutes, stamped minus true."""

    minutes: float
    uncertainty: float  # 95 %
    days: int
    certain: bool  # whole intervals show power in the dark
    proven: bool  # light in the dark, interpolated
    width_deg: float  # sun height that first and last light miss together
    scattered: bool = False  # both onsets scatter too much to be onsets
    scatter: float = 0.0  # of the steadier onset, median distance from the median
    dark_days: int = 0  # on which whole intervals lie beyond civil twilight
    middle: float = 0.0  # of first and last light: `minutes`, but where one side is cut off
    is_beside: bool = False  # the roofs around show it

    @property
    def in_dark(self) -> bool:
        """Whether light in the dark shows that the clock is off."""
        return self.certain or self.proven


def onset_error(interval: float) -> float:
    """Minutes (95 %) by which the middle misses however many days there are, from the same series."""
    return 3.0 + 0.14 * interval


def middle_error(interval: float, days: int) -> float:
    """Minutes (95 %) by which the middle of first and last light misses, from real series at 5 to 60 min sampling."""
    return float(np.hypot(onset_error(interval), (12.0 + 0.3 * interval) / np.sqrt(max(days, 1))))


def measure(onsets: Onsets, device: int, segment: Segment) -> Offset | None:
    """The offset over the last days of a segment; None without a day of light."""
    span = slice(max(segment.start, segment.end - RECENT_DAYS + 1), segment.end + 1)
    first, last = onsets.first_late[device, span], onsets.last_early[device, span]
    first_end, last_start = onsets.first_end_late[device, span], onsets.last_start_early[device, span]
    use = np.isfinite(first) & np.isfinite(last) & is_possible_day(first_end, last_start)
    days = int(use.sum())
    if days == 0:
        return None
    first, last, first_end, last_start = first[use], last[use], first_end[use], last_start[use]
    interval = float(onsets.interval[device])
    rate = _median_of_known(onsets.height_rate[device, span])
    late, early = low(first, 0.2), low(last, 0.2)
    wide = max(WIDE_DEG, WIDE_MIN * rate) + WIDE_PER_SLOW_DEG * max(0.0, interval - 15.0)
    if (late + early) * rate > wide and days >= 10:  # the few days that ran to the end tell more
        late, early = low(first, 0.08), low(last, 0.08)
    width_deg = max(late + early, 0.0) * rate
    offset = middle = (late - early) / 2
    error = middle_error(interval, days)
    whole_morning, whole_evening = _dark_rank(first_end), _dark_rank(last_start)
    certain = min(whole_morning, whole_evening) < 0
    full_dark = -(FULL_DARK_DEG - TWILIGHT_DEG) / rate
    dark_days = int(np.sum(np.minimum(first_end, last_start) < full_dark))
    if days == 1:
        certain = dark_days == 1
    in_the_morning = min(whole_morning, late) < min(whole_evening, early)
    open_late = OPEN_ROOF_LATE_MIN + interval / 6
    if width_deg > wide or (certain and in_the_morning != (offset < 0)):
        # The middle means nothing where one side is cut off: the side in the dark alone, as at an open roof.
        offset = late - open_late if in_the_morning else open_late - early
    # Shade may lie all on one side, the dark one too: then the offset is off by half of what is missing.
    error = float(np.hypot(error, np.clip((late + early) / 2 + LIGHT_PAST_SET_MIN, 0.0, SHADE_MIN)))
    tolerance = max(_median_of_known(onsets.twilight[device, span]), IN_DARK_INTERVALS * interval)
    tolerance = max(tolerance, IN_DARK_SHARE * abs(offset))
    slow = float(np.clip((interval - 15.0) / 45.0, 0.0, 1.0))
    dark_side = low(first if offset < 0 else last, 0.2 + PROOF_MORE_DAYS * slow)
    proven = days >= NEEDED_DAYS and dark_side < -tolerance
    scatter = min(_scatter(first), _scatter(last))
    scattered = days >= 2 and scatter > SCATTER_MIN
    return Offset(
        offset, error, days, certain and not scattered, proven and not scattered, width_deg, scattered, scatter,
        dark_days, middle,
    )  # fmt: skip


def _scatter(values: Array) -> float:
    return median_of(np.abs(values - median_of(values)))


def _median_of_known(values: Array) -> float:
    return median_of(values[~np.isnan(values)])


def _dark_rank(values: Array) -> float:
    """The third least of ten or more days, the second of five, the median of fewer: one freak day proves nothing."""
    if len(values) < NEEDED_DAYS:
        return median_of(values)
    return float(np.sort(values)[2 if len(values) >= 10 else 1])


def low(values: Array, share: float) -> float:
    """A low quantile: clouds make light late, and seldom early."""
    return quantile_of(values, share)


def is_scattered(height: float, before: Offset, now: Offset) -> bool:
    """Whether first and last light lie about more widely than a step of this height, minutes, could show.

    A roof that follows a house's load by day has no first and last light to speak of.
    """
    return max(before.scatter, now.scatter) > SCATTERED_SHARE * abs(height)


def contradict(height: float, before: Offset, now: Offset, min_height: float) -> bool:
    """Whether the offsets moved by a step or more the other way than the light jumped: then neither is the clock's.

    All in minutes. At a limited roof first and last light follow the house's load, and a busy week moves them.
    """
    moved = now.minutes - before.minutes
    return height * moved < 0 and abs(moved) >= min_height


def is_no_light_of_the_sun(offset: Offset) -> bool:
    """Whether nothing in the dark proves the offset, and it is further from a right clock than shade explains.

    A roof that makes what an empty house takes has its first and last power hours from the sun's light.
    """
    return not offset.in_dark and abs(offset.minutes) > BEYOND_SHADE * offset.uncertainty
