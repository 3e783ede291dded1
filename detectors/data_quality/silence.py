"""Which sites and devices are silent beyond what is usual of them, and whose day was cut short."""

import numpy as np

from detectors.data_quality.deliveries import Past
from detectors.data_quality.lateness import MARGIN_MORNINGS
from detectors.data_quality.missing_exports import MAJORITY, SILENT_H

NEVER_DAYLIGHT_H = 6.0  # common practice: 6 daylight hours where a site has never reported
CUT_H = 18.0  # ours: days cut by another clock leave up to 6 h of a missing day; a neighbour shows that it is missing
REGULAR_H = 3.0  # ours: with no longer gap than this a site delivers without pause
TO_THE_END_H = 23.0  # ours: a neighbour whose day goes on until here was delivered in full


def is_silent(past: Past, limit_h: np.ndarray) -> np.ndarray:
    """Whether each site was silent beyond its limit at the end of each day, [sites, days].

    A logger that lives on the roof's own power sleeps through dark days, so where only daylight is ever delivered,
    daylight has to go by as well.
    """
    dark = past.is_daylight_only[:, None] & (past.missed_daylight_h < NEVER_DAYLIGHT_H)
    reported = (past.silent_h >= limit_h[:, None]) & ~dark
    # ours: nobody knows yet how late its first file comes, so it is waited for one morning more.
    never = np.pad(past.never_daylight_h, ((0, 0), (MARGIN_MORNINGS, 0)))[:, :-MARGIN_MORNINGS] >= NEVER_DAYLIGHT_H
    return np.where(past.has_reported, reported, never & bool(past.delivered.any()))


def is_cut(past: Past, limit_h: np.ndarray, group: np.ndarray) -> np.ndarray:
    """Days that break off in their first hours at sites that never pause, while their kind is there to the end."""
    here = past.delivered[:, -1]
    is_full = here & (np.nan_to_num(past.last_h[:, -1]) >= TO_THE_END_H)
    early = here & (past.silent_h[:, -1] >= CUT_H) & (past.usual_gap_h <= REGULAR_H) & (limit_h <= SILENT_H)
    count = int(group.max()) + 1
    full, others = np.bincount(group, is_full, minlength=count), np.bincount(group, here, minlength=count) - 1
    return early & (full > MAJORITY * others)[group]
