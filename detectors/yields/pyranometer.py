"""The fleet as a pyranometer: every neighbour's power says how clear the sky was, and each is held against each.

A neighbour's power, where nothing curtailed it, is turned into the clearness of its sky; what the site's own planes
make of that sky is what this neighbour lets expect. The pairs stay apart until the day's end: a faulty neighbour
spoils one pair only, and their median tolerates it. Irradiance sensors are further members.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.solar import plane_response
from detectors.solar.plane_response import Answer
from detectors.stats.robust import Array, median
from detectors.yields import capped

CLIPPED_RATIO = 0.96  # ours: a mean this near to the ceiling holds clipped minutes
MAX_IRRADIANCE_W_M2 = 1500.0  # ours: beyond it no sensor is right for a quarter hour
CHOICE_FACTOR = 1.25  # measured: an interval counts where a quarter more than expected could still have been used
SMOOTH_QUARTERS = 3  # 45 minutes: clouds do not reach two sites in the same quarter hour
MIN_ENERGY_KWH_PER_KWP = 0.015  # ours: below it a pair's day is rounding
MIN_RATIO = 0.02  # the logarithm of a day without generation stays finite


class Roofs(NamedTuple):
    """What is known of the sites before the judged day; every array is [sites]."""

    kwp: Array
    ceiling_w: Array  # inf where none is known
    level: Array  # log of the performance over the usual one, learned
    has_limit: NDArray[np.bool_]
    is_unknown: NDArray[np.bool_]  # the register does not know its planes


class Day(NamedTuple):
    """The fleet's quarter hours of one day; every array is [sites, quarters]."""

    answer: Answer
    ambient_c: Array
    power_w: Array  # of the intervals whose energies close, NaN where there are none
    share: Array  # of the quarter hour that these take
    is_free: NDArray[np.bool_]  # nothing was curtailed in them, by meter or battery
    usable_w: Array  # what house and grid could have taken for sure; inf where there is no limit
    battery_w: Array  # what the battery could have taken besides
    is_at_work: NDArray[np.bool_]  # the battery charged, or gave with room left; or house and grid took all


def takers_w(day: Day) -> Array:
    """What was usable for sure of each quarter hour, [sites, quarters]; inf where there is no limit.

    Within the means of a quarter hour a house's load comes and goes: surely usable is what also was in those beside.
    """
    sure = capped.min_around(day.usable_w, day.share > 0)
    return np.asarray(sure + np.where(day.is_at_work, day.battery_w, 0.0))


def gain(roofs: Roofs) -> Array:
    """Peak capacity by the learned level, [sites, 1]."""
    return np.asarray((roofs.kwp * np.exp(roofs.level))[:, None])


def expected_w(day: Day, roofs: Roofs, clearness: Array) -> Array:
    """W of each site under this clearness, [sites, quarters]."""
    return plane_response.expected_w(day.answer, clearness, day.ambient_c, gain(roofs), roofs.ceiling_w[:, None])


def clearness(day: Day, roofs: Roofs, is_used: NDArray[np.bool_]) -> Array:
    """The sky's clearness as each site's power tells it, [sites, quarters]; NaN where it does not."""
    standby = plane_response.standby_w(roofs.kwp, roofs.ceiling_w)[:, None]
    plane = plane_response.plane_from_power(np.nan_to_num(day.power_w) + standby, day.ambient_c, gain(roofs))
    sky, answers = plane_response.clearness_from(day.answer, plane)
    clipped = np.nan_to_num(day.power_w) >= CLIPPED_RATIO * roofs.ceiling_w[:, None]
    return np.where(is_used & np.isfinite(day.power_w) & answers & ~clipped, sky, np.nan)


def sensed_clearness(answer: Answer, irradiance_w_m2: Array) -> Array:
    """The same from an irradiance sensor in the plane of the modules."""
    is_valid = (irradiance_w_m2 >= 0) & (irradiance_w_m2 < MAX_IRRADIANCE_W_M2)
    sky, answers = plane_response.clearness_from(answer, np.nan_to_num(irradiance_w_m2))
    return np.where(is_valid & answers, sky, np.nan)


def of_neighbours(references: Array, neighbours: NDArray[np.intp]) -> Array:
    """References' rows, [references, quarters], of each site's neighbours: [sites, neighbours, quarters].

    Place -1 in `neighbours`, [sites, neighbours], is an empty one.
    """
    padded = np.vstack([references, np.full((1, references.shape[1]), np.nan)])
    return padded[neighbours]


def consensus(by_neighbour: Array) -> Array:
    """The median of the neighbours' clearness, [sites, quarters]."""
    return median(by_neighbour, axis=1)


def smoothed(clearness: Array, quarters: int) -> Array:
    """The mean of what is known within so many quarter hours; NaN where nothing is."""
    known = np.isfinite(clearness)
    reach = quarters // 2
    total, count = np.zeros(clearness.shape), np.zeros(clearness.shape)
    for shift in range(-reach, reach + 1):
        into = slice(max(shift, 0), clearness.shape[1] + min(shift, 0))
        from_ = slice(max(-shift, 0), clearness.shape[1] + min(-shift, 0))
        total[:, into] += np.where(known, clearness, 0.0)[:, from_]
        count[:, into] += known[:, from_]
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def choose(day: Day, roofs: Roofs, sky: Array) -> NDArray[np.bool_]:
    """The quarter hours that count, [sites, quarters].

    They are chosen by what the sky over the neighbours lets expect, never by the site's own power: intervals that were
    free are the ones in which it made less than its neighbours. So of a battery it must be seen that it was at work,
    not that it charged below its limit: with the brighter ones left out, dull days looked like a fall by a half.
    """
    likely = smoothed(sky, SMOOTH_QUARTERS)
    expected = expected_w(day, roofs, np.where(np.isfinite(likely), likely, 1.0)) * CHOICE_FACTOR
    # House and grid are sure to take it; of a battery it must be seen that it did.
    is_taken = expected < takers_w(day)
    return np.isfinite(day.power_w) & (day.share > 0) & (is_taken | ~roofs.has_limit[:, None])


class Pairs(NamedTuple):
    """A day's pairs, [sites, neighbours]."""

    log_ratio: Array  # actual over what this neighbour lets expect; NaN where they share too little
    energy: Array  # kWh per kWp expected over the shared intervals


def pairs(
    day: Day, roofs: Roofs, is_used: NDArray[np.bool_], by_neighbour: Array, correction: Array, weight: Array
) -> Pairs:
    """Each site against each of its neighbours.

    `correction` is the log of what is usual at this sun and sky, `weight` how well it is known, both [sites, quarters].
    Of limited sites both what was due and what was made are cut at what was usable: beside a changing sky a roof is
    held in some of the quarter hours in which its neighbours let expect less than its takers had room for.
    """
    wide = Answer(day.answer.beam_w_m2[:, None], day.answer.sky_w_m2[:, None])
    expected = plane_response.expected_w(
        wide,
        np.nan_to_num(by_neighbour),
        day.ambient_c[:, None],
        gain(roofs)[:, None],
        roofs.ceiling_w[:, None, None],
    )
    expected *= np.exp(correction)[:, None]
    made_w, rows = np.nan_to_num(day.power_w), np.flatnonzero(roofs.has_limit)
    if len(rows):
        max_w = takers_w(day)[rows]
        sky_sigma = capped.sky_sigma(by_neighbour[rows])
        expected[rows] = capped.capped_mean(expected[rows], max_w[:, None], sky_sigma[:, None])
        made_w[rows] = np.minimum(made_w[rows], np.maximum(max_w, 0.0))
    shared = (is_used[:, None] & np.isfinite(by_neighbour)) * (weight * day.share)[:, None] / 4  # hours
    due_wh = (expected * shared).sum(axis=2)
    made_wh = (made_w[:, None] * shared).sum(axis=2)
    is_enough = due_wh > MIN_ENERGY_KWH_PER_KWP * 1000 * roofs.kwp[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.log(np.maximum(made_wh, MIN_RATIO * due_wh) / due_wh)
    return Pairs(np.where(is_enough, ratio, np.nan), due_wh / 1000 / roofs.kwp[:, None])
