"""On which of its days a case is there, at which level, and what each day of it lost."""

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from detectors.stats.robust import Array
from detectors.yields.day_residual import weighted_median
from detectors.yields.history import History


def passing_part(case: Mapping[str, Any], history: History, low: float | None) -> dict[str, Any]:
    """On how many of its days a fall to some `low` that comes and goes was there, and the level of these days.

    None for a fall that is there on all of them.
    """
    first = max((case["first_day"] - history.first).days, 0)
    days = np.isfinite(history.x[first:]).sum()
    if low is None or not days:
        return {"share_of_days": None}
    there = is_there({**case, "after": low}, history.x)
    return {
        "share_of_days": float(there[first:].sum() / days), "after": level_since(history, first, low, there)
    }  # fmt: skip


def is_there(case: Mapping[str, Any], x: Array) -> NDArray[np.bool_]:
    """The days nearer to the level of a fall that comes and goes than to the one before."""
    with np.errstate(invalid="ignore"):
        return np.asarray(x < (case["before"] + case["after"]) / 2)


def level_since(history: History, first: int, otherwise: float, counts: NDArray[np.bool_] | None = None) -> float:
    """The level of the days since `first`, of those that `counts` names."""
    x, sigma = history.x[first:], history.sigma[first:]
    known = np.isfinite(x) if counts is None else np.isfinite(x) & counts[first:]
    weight = np.where(known, 1 / np.maximum(sigma, 0.03) ** 2, 0.0)
    if not weight.any():
        return otherwise
    return float(weighted_median(np.nan_to_num(x)[None], np.nan_to_num(weight)[None])[0])


def day_loss_kwh(case: Mapping[str, Any], history: History, place: int) -> float:
    """What a day of a case (a row of CASE) lost, kWh: expected less actual energy of the same intervals, never below 0.

    Without a known sky by the case's own share; NaN where nobody can say. A roof that makes more than it should loses
    nothing, nor does one whose fall comes and goes on a day on which it is not there.
    """
    x = history.x[place : place + 1]
    if case["share_of_days"] is not None and np.isfinite(x).all() and not is_there(case, x).all():
        return 0.0
    due, made = history.expected_kwh[place], history.actual_kwh[place]
    if np.isfinite(due) and np.isfinite(made):
        return max(float(due - made), 0.0)
    if history.is_zero[place] and case["usual_kwh"] is not None:
        return float(case["usual_kwh"])
    missing = np.exp(case["before"] - case["after"]) - 1
    return float(made * max(missing, 0.0))
