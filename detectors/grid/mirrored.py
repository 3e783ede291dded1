"""Days on which the grid shows feed-in where it showed import on the days before, and everything else goes on.

A regulator keeps up a little import all day and all night. Shown as feed-in from a day on, it may be a sensor whose
sign was turned, or a regulator that was told to feed in. What the house takes at least tells the two apart: what
generation, battery and grid give together falls by twice the import kept up where the sign alone has changed, and with
the other sign it is what it was before. Where the regulator has changed, it stays.
"""

from datetime import date
from typing import Any

import numpy as np

from detectors.stats.robust import robust_sigma

ONE_SIDED_SHARE = 0.95  # ours: a load that drops or jumps shows the other sign for a few intervals
MIN_SIDE_H = 6.0  # ours: a quarter of a day with a flow that has a sign
BEFORE_DAYS = 14  # ours: of the days before, the latest ones tell; a house's least load changes with the season
MIN_BEFORE = 5  # ours: a working week's habits
NEAR_SHARE = 0.5  # ours: of what is kept up; the two signs lie twice of it apart, so each has a quarter of that for it
SURE_SIGMAS = 3.0  # ours: of the least load's own scatter, that must fit into what is kept up


def one_sided(own_h: Any, other_h: Any) -> Any:
    """Whether a day's grid shows one sign nearly all the time, by its hours and the other's: numbers or expressions."""
    return (own_h >= MIN_SIDE_H) & (own_h >= ONE_SIDED_SHARE * (own_h + other_h))


def is_one_sided(row: dict, side: str) -> bool:
    """The same of a row and the sign "plus" or "minus"."""
    other = {"plus": "minus", "minus": "plus"}[side]
    return bool(one_sided(row[f"{side}_h"], row[f"{other}_h"]))


def mirrored_days(rows: list[dict]) -> dict[date, float]:
    """Day -> what the house took at least before, W, of days, oldest first, on which the sign alone has changed."""
    found: dict[date, float] = {}
    before: list[float] = []
    for row in rows:
        if row["base_w"] is None or row["base_turned_w"] is None:
            continue
        if is_one_sided(row, "plus"):
            before.append(row["base_w"])
        elif is_one_sided(row, "minus") and len(before) >= MIN_BEFORE:
            bases = np.array(before[-BEFORE_DAYS:])
            usual_w, kept_w = float(np.median(bases)), abs(row["kept_w"])
            is_known = SURE_SIGMAS * float(robust_sigma(bases)) <= kept_w
            is_same = abs(row["base_turned_w"] - usual_w) <= NEAR_SHARE * kept_w
            if is_known and is_same and row["base_w"] <= usual_w - kept_w:
                found[row["day"]] = usual_w
    return found
