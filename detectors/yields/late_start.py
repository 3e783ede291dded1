"""How long an inverter made nothing in the morning under a sun that its modules saw, before it began.

What a roof lacks for an hour or two under a low sun moves the day's level little, and looks like an obstacle. But the
sky's light comes past any obstacle: an inverter that makes nothing at all under a sun that its modules see is off. Low
insulation does so, as dew keeps it from connecting until the modules have dried.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.stats.robust import Array, median
from detectors.yields.fleet_day import Fleet
from detectors.yields.pyranometer import expected_w
from detectors.yields.quarter_hours import QUARTER_S, QUARTERS

DULL = 0.2  # ours: clearness; so much light an overcast lets through, where no neighbour tells the sky
# Ours: of the peak capacity. Inverters start from a hundredth or less of their rating, and the sky's light alone, a
# sixth of a clear one's, is more than a tenth of that where the whole lets expect three times as much.
DUE_RATIO, OFF_RATIO, ON_RATIO = 0.03, 0.002, 0.01
# Ours: of what was due; the sky's light alone comes past a mountain too, and a coarse meter shows none of it.
SKY_ALONE = 0.1
WORKS_QUARTERS = 8  # ours: two hours of the same day; a roof that stays dark is another's case


class Late(NamedTuple):
    """What a morning without power cost, [sites]; NaN where nobody can say."""

    hours: Array
    kwh: Array


def of_day(fleet: Fleet, sky: Array, roof_w: Array, is_out: NDArray[np.bool_]) -> Late:
    """How long each roof made nothing under a lit sky before it began, and what was due meanwhile.

    `sky`: clearness, [sites, quarters], NaN where nobody tells it; `roof_w`: what each roof could have made by its own
    past, likewise, which its late mornings draw down in time, so that the higher counts; `is_out`: sites that cannot
    be judged, [sites]. Nor can those that a feed-in limit may shut off.
    """
    usual = np.nan_to_num(median(sky), nan=DULL)[:, None]  # under the lowest suns nobody tells the sky
    due = np.fmax(expected_w(fleet.light, fleet.roofs, np.where(np.isfinite(sky), sky, usual)), roof_w)
    noon = (0.5 - fleet.sites["longitude"].to_numpy() / 360) * QUARTERS
    since_noon = (np.arange(QUARTERS)[None] + 0.5 - noon[:, None] + QUARTERS / 2) % QUARTERS
    order = np.argsort(since_noon, axis=1)  # from one local midnight to the next
    due, made, up = (np.take_along_axis(one, order, 1) for one in (due, fleet.reported_w, fleet.sky.up))
    peak = 1000 * fleet.roofs.kwp[:, None]
    with np.errstate(invalid="ignore"):
        is_shown = due > np.maximum(DUE_RATIO * peak, step_w(fleet.reported_w, fleet.interval_s)[:, None] / SKY_ALONE)
        is_lit, is_off, is_on = is_shown & (up > 0), made < OFF_RATIO * peak, made > ON_RATIO * peak
    place = np.arange(QUARTERS)[None]
    is_before = place < np.where(is_on.any(axis=1), is_on.argmax(axis=1), 0)[:, None]
    is_before &= is_lit & (place < QUARTERS // 2)
    is_alive = (is_before & ~is_off).any(axis=1)  # makes a little, or was not read
    hours = np.where(is_alive, 0.0, is_before.sum(axis=1) / 4)
    kwh = np.where(is_alive, 0.0, np.where(is_before, due, 0.0).sum(axis=1) / 4000)
    is_out = is_out | fleet.roofs.has_limit | (is_on.sum(axis=1) < WORKS_QUARTERS)
    return Late(*(np.where(is_out, np.nan, one) for one in (hours, kwh)))


def step_w(reported_w: Array, interval_s: Array) -> Array:
    """The least step between a day's readings, [sites], of means over quarter hours; less may be shown as nothing.

    `detectors.stats.resolution` asks the readings themselves, which the night does not read again for this.
    """
    steps = np.diff(np.sort(np.nan_to_num(reported_w), axis=1), axis=1)
    least = np.where(steps > 0.5, steps, np.inf).min(axis=1)  # quarter hours are kept in whole W
    readings = np.maximum(QUARTER_S / np.maximum(interval_s, 1.0), 1.0)  # in a quarter hour, whose means step finer
    return np.where(np.isfinite(least), least * readings, 0.0)
