"""What a day shows of a roof that was curtailed: what it made in all is less than it could have made."""

import numpy as np

from detectors.stats.robust import Array
from detectors.yields.fleet_day import ZERO_RATIO, Fleet, clear_w, is_curtailed
from detectors.yields.lone_site import TOP
from detectors.yields.own_past import Correction
from detectors.yields.sequential_test import MIN_MARGIN

BEST_QUARTERS = 4  # ours: an hour in all; of fewer quarter hours one may be a glitch, or the edge of a cloud
HIGH_LIGHT_RATIO = 0.3  # ours: of the peak capacity; below it a wrong plane or a horizon makes any ratio
MIN_ENERGY = 0.3  # ours: kWh per kWp due; below it a day's total is low suns alone


def of_day(fleet: Fleet, expected: Array, sky: Array, correction: Correction) -> Array:
    """A level that each limited site has at least, log: all that it made over all that was due.

    So has each site on a day with high voltage.

    What was curtailed could have been more, so the roof is at least so good. Without neighbours the sky is taken for
    clear, which errs to the same side. The best hour of the day tells more than the whole of it where the house takes
    all for some of the time alone.
    """
    made = np.where(is_curtailed(fleet)[:, None], fleet.reported_w, np.nan)
    lowest = np.full(len(made), np.nan)
    for due_w, level in (
        (np.where(np.isfinite(sky), expected * np.exp(correction.log_usual), np.nan), fleet.roofs.level),
        (clear_w(fleet), np.zeros(len(made))),
    ):
        known = np.isfinite(made) & np.isfinite(due_w)
        due, total = (np.where(known, one, 0.0).sum(axis=1) / 4000 for one in (due_w, made))
        is_enough = (due > MIN_ENERGY * fleet.roofs.kwp) & (total > ZERO_RATIO * due)
        with np.errstate(divide="ignore", invalid="ignore"):
            lowest = np.fmax(lowest, np.where(is_enough, np.log(total / due) + level, np.nan))
    return np.asarray(np.fmax(lowest, best_hour(made, clear_w(fleet), fleet.roofs.kwp)))


def best_hour(made_w: Array, clear_w: Array, kwp: Array) -> Array:
    """Log of what the best quarter hours of a high sun have over the clear sky, less what clouds add; NaN = too few.

    No more than 0: an hour in which unregistered planes look at the sun tells of no modules beyond the register.
    """
    is_high = np.isfinite(made_w) & (clear_w > HIGH_LIGHT_RATIO * 1000 * kwp[:, None])
    ratio = np.where(is_high, made_w / np.maximum(clear_w, 1e-9), 0.0)
    best = -np.partition(-ratio, BEST_QUARTERS - 1, axis=1)[:, BEST_QUARTERS - 1]
    with np.errstate(divide="ignore"):
        return np.where(best > 0, np.minimum(np.log(best) - TOP, 0.0), np.nan)


def not_below(x: Array, lowest: Array) -> Array:
    """A level, or that which the roof has at least where the two contradict each other."""
    with np.errstate(invalid="ignore"):
        return np.where(x < lowest - MIN_MARGIN, lowest, x)
