"""What was done with daylight saving, by the step of the offset at a change of clocks."""

import numpy as np

from detectors.clock.explain import ZONE_FITS_MAX_MIN, ZONE_FITS_MIN, Claim, explaining
from detectors.clock.offset import Offset
from detectors.clock.onsets import Onsets

LEFT_OUT, TWICE, ALL_WINTER = "left out", "applied twice", "kept through the winter"
RIGHT_AGAIN_DAYS = 14  # ours: two weeks are time enough for the desk; the next change of clocks tells it anew


def begun(height: float, forward: float) -> str:
    """Of stamps that were right until the clocks changed by `forward` minutes, and `height` off since."""
    if height * forward > 0:
        return TWICE
    return LEFT_OUT if forward > 0 else ALL_WINTER


def now_on(minutes: float, next_forward: float) -> str:
    """Of stamps that are `minutes` off before a change of clocks by `next_forward`; empty where it explains nothing."""
    if abs(abs(minutes) - abs(next_forward)) > ZONE_FITS_MIN:
        return ""
    if next_forward > 0:
        return ALL_WINTER if minutes > 0 else ""
    return LEFT_OUT if minutes < 0 else TWICE


def ended(
    onsets: Onsets, device: int, since: int, at: int, offsets: tuple[Offset, Offset], forward: float, claim: Claim
) -> str:
    """Of stamps that were off from column `since` on and are right since the clocks changed near column `at`.

    `offsets`: before and now. Empty where no change of clocks by `forward` does that, where it is RIGHT_AGAIN_DAYS
    ago, and where neither daylight saving applied twice nor one zone explains every day before and since.
    """
    before, now = offsets
    saving = now_on(np.sign(before.minutes) * abs(forward), forward)
    if not saving or len(onsets.days) - at > RIGHT_AGAIN_DAYS:
        return ""
    if abs(abs(before.minutes) - abs(forward)) > ZONE_FITS_MAX_MIN:
        return ""
    if saving != TWICE and not explaining(onsets, device, since, *now[:2], claim, today=at, is_right_now=True):
        return ""
    return saving
