"""What the sequential test would show at a site, and how soon: its present sensitivity, for the desk to read.

A fall of the log level by D shows once D squared over its variance, baseline and days together, outweighs the prior
odds of a fault and the threshold. Each day counts for `TEMPER` of itself, as in the test. An approximation by
normal days: the test's own tails make it slower by a day or so.
"""

import numpy as np

from detectors.stats.robust import Array
from detectors.yields.sequential_test import FALLS, HAZARD, OPEN, TEMPER

WEEK_DAYS = 7
PLAIN_FALL_PCT = 30.0
MAX_DAYS = 365.0
NEEDED = OPEN + float(np.log(len(FALLS) / HAZARD))  # log likelihood ratio that turns the prior odds


def within_week_pct(baseline_sigma: Array, day_sigma: Array) -> Array:
    """The smallest fall in % that would show within seven days, [sites]; NaN where not known, 100 where none would."""
    sigma = np.sqrt(2 * NEEDED * (baseline_sigma**2 + day_sigma**2 / (TEMPER * WEEK_DAYS)))
    return np.asarray(100 * (1 - np.exp(-sigma)))


def days_to_show(baseline_sigma: Array, day_sigma: Array, fall_pct: float = PLAIN_FALL_PCT) -> Array:
    """Days until a fall of so many % would show, [sites]; NaN where it would not within a year, or nothing is known."""
    depth = -np.log(1 - fall_pct / 100)
    room = depth**2 / (2 * NEEDED) - baseline_sigma**2
    with np.errstate(invalid="ignore", divide="ignore"):
        days = np.ceil(day_sigma**2 / (TEMPER * room))
        return np.where((room > 0) & (days <= MAX_DAYS), np.maximum(days, 1.0), np.nan)
