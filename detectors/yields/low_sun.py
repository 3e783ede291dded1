"""Whether a hill, a tree or a house before a sun lower than any before may be what a roof lacks.

What hides the sun takes its beam and leaves the sky's light: bright days fall, and dull ones do not. A part that fails
is missing under every sky. So under a low sun dull days are the witnesses, and until they have spoken nobody is sent.
"""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import numpy as np

from detectors.solar.position import elevation_deg
from detectors.stats.robust import Array
from detectors.yields.diagnosis import FIRST_DAYS
from detectors.yields.history import History
from detectors.yields.kinds import NO_GENERATION

OBSTACLE_DEG = 25.0  # ours: hills, trees and houses that hide a higher sun stand before few roofs
SINKING_DAYS = 7  # ours: the noon sun moves by a degree and more, except within a month of the solstices
QUARTERS = 96
DULL = 0.4  # ours: of a clear sky's yield; the beam makes hardly any of it
MAX_SIGMA = 0.4  # ours: of a dull day that tells anything
MIN_SIGMA = 0.1  # ours: of a dull day, whose sky neighbours see differently
SAME_SHARE = 0.5  # ours: of the depth; horizons hide a part of the sky too, and leave far more than half of its light
AGAINST_SIGMAS, AGAINST_DAYS = 2.5, 2  # ours: dull days that lack nothing speak against a fault under any sun
WORDS = " No dull day has shown it so far: a hill, a tree or a house before the sun does the same."


def may_be_hidden(
    history: History,
    since: date,
    before: float,
    after: float,
    latitude_deg: float,
    kwp: float,
    *,
    has_limit: bool,
    has_sky: bool = True,
) -> bool:
    """Whether an obstacle before the sun may be why a roof's level fell from `before` to `after` (logs) on a day.

    Of a site with a limit nobody knows which of its days were dull, as their yield goes by what was used. Where neither
    neighbours tell the sky nor the register the planes (not `has_sky`), no day is known to be dull either, and planes
    that were learned under a high sun err under a low one by more than an obstacle takes.
    """
    half = SAME_SHARE * (after - before)
    told, sigma, days = (np.nan, np.nan, 0) if has_limit else _of_dull_days(history, since, before, kwp)
    if days >= AGAINST_DAYS and told - AGAINST_SIGMAS * sigma > half:
        return True
    earlier = since - timedelta(days=SINKING_DAYS)
    is_sinking = _heights_deg(latitude_deg, since).max() < _heights_deg(latitude_deg, earlier).max()
    is_new = is_sinking or 0 <= (since - history.first).days <= FIRST_DAYS
    missing = 1 - float(np.exp(after - before))
    is_explained = low_share(latitude_deg, since) > missing or not has_sky
    return bool(is_new) and is_explained and not told + sigma < half


def of_case(
    case: Mapping[str, Any], history: History, site: Mapping[str, Any], *, has_limit: bool, has_sky: bool = True
) -> bool:
    """The same of a CASE row of a site (SITES).

    A roof that makes nothing lacks the sky's light too; an input that fell is told by the others, under the same sun.
    """
    if case["kind"] == NO_GENERATION or case["input"] or case["after"] >= case["before"]:
        return False
    return may_be_hidden(
        history, case["first_day"], case["before"], case["after"], site["latitude"], site["installed_kwp"],
        has_limit=has_limit, has_sky=has_sky,
    )  # fmt: skip


def _of_dull_days(history: History, since: date, before: float, kwp: float) -> tuple[float, float, int]:
    """How far the level of dull days since a day lies from `before`, its sigma, and how many they are."""
    first = max((since - history.first).days, 0)
    x, sigma = history.x[first:], np.hypot(history.sigma[first:], MIN_SIGMA)
    with np.errstate(invalid="ignore", divide="ignore"):
        brightness = history.expected_kwh[first:] / (history.clear_kwh[first:] * kwp)
        is_dull = np.isfinite(x) & (brightness < DULL) & (sigma < MAX_SIGMA)
    if not is_dull.any():
        return np.nan, np.nan, 0
    weight = sigma[is_dull] ** -2
    told = float((x[is_dull] * weight).sum() / weight.sum()) - before
    return told, float(weight.sum() ** -0.5), int(is_dull.sum())


def _heights_deg(latitude_deg: float, day: date) -> Array:
    """The sun's height at each quarter hour of a day."""
    begin = np.datetime64(day, "D").astype(np.float64)
    return elevation_deg(latitude_deg, 0.0, begin + np.arange(QUARTERS) / QUARTERS)


def low_share(latitude_deg: float, day: date) -> float:
    """The share of a clear day's light, by the sine of the sun's height, that what stands on one side may take, 0 to 1.

    All where the noon sun is below OBSTACLE_DEG; else a morning or an evening, half of the light from below it.
    """
    height = _heights_deg(latitude_deg, day)
    if height.max() < OBSTACLE_DEG:
        return 1.0
    light = np.sin(np.radians(np.maximum(height, 0.0)))
    return float(light[height < OBSTACLE_DEG].sum() / light.sum()) / 2
