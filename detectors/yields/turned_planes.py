"""Registered planes that lie turned: a roof entered with azimuths that count from another side, or the wrong way round.

A capacity other than the registered one multiplies all that a roof makes. Planes turned by 60 degrees and more change
what it makes under a clear sky beside a dull one, and in the morning beside the evening. The two are held against each
other with one size for all days: the registered planes at whatever capacity fits, and the same planes turned, at about
the registered one.
"""

from typing import NamedTuple

import numpy as np
import polars as pl

from detectors.solar import plane_response
from detectors.solar.pv_model import Sky
from detectors.stats.robust import Array
from detectors.yields.half_hours import Days
from detectors.yields.pyranometer import CLIPPED_RATIO
from detectors.yields.roofs import PlaneRow, Planes

# Ours: smaller turns are hardly entered by mistake, and a clock that is wrong by an hour turns the sky by 15 degrees.
TURNS_DEG = np.arange(60.0, 301.0, 15.0)
# Half of the square of what is left unexplained has to go. Measured at the registered roofs of four simulated fleets in
# all seasons, shaded, limited and faulty ones among them, on eight nights each: 0.84 at the lowest of 696.
MAX_LEFT = 0.7
# More is no proof, but the capacity that fits is none either: with the register's 0.5 to 2 times what it was at these
# roofs 1.4 % fall below at most.
MAYBE_LEFT = 0.9
MAX_LEVEL = 0.25  # ours: log; two sigma of what the levels of healthy roofs scatter by
MIN_DAYS, BETTER_SHARE = 5, 0.75  # ours: so many days, of which most are told better, that no odd one decides
MIN_POINTS, MIN_DAY_POINTS = 60, 4  # ours: half hours
RECENT_DAYS = 30
MIN_HEIGHT_DEG = 20.0  # ours: horizons and neighbours that see little of a low sun make wrong turns of it
NOISE_SHARE = 0.05  # ours: of the square of the mean power; the rest of a half hour's variance grows with its power


class Turn(NamedTuple):
    """How all planes of a roof lie turned from the register, clockwise."""

    turn_deg: float
    left_ratio: float  # what is left unexplained, of what the register leaves; inf = no turn at about its capacity
    is_steady: bool  # on most days, and these are enough

    @property
    def is_found(self) -> bool:
        """Whether the register is to be taken for wrong."""
        return self.is_steady and self.left_ratio < MAX_LEFT


def best(days: Days, planes: list[PlaneRow], kwp: float, ceiling_w: float, turns_deg: Array = TURNS_DEG) -> Turn | None:
    """The turn of the registered `planes` of one site that its `days` of half hours fit best; None where few tell.

    The sky has to be that of others: a roof's own is read through the planes that are in question.
    """
    with np.errstate(invalid="ignore"):
        usable = (days.share > 0) & np.isfinite(days.clearness) & (days.elevation_deg > MIN_HEIGHT_DEG)
        usable &= (days.power_w < CLIPPED_RATIO * ceiling_w) & (
            days.day > days.day.max(initial=0) - RECENT_DAYS
        )[:, None]  # fmt: skip
    row, at = np.nonzero(usable)
    made = days.power_w[row, at]
    if not planes or len(row) < MIN_POINTS or not made.any():
        return None
    weight = 1 / np.sqrt(made.mean() * np.maximum(made, 1) + NOISE_SHARE * made.mean() ** 2)
    sky = Sky(*(values[row, at] for values in days.sky))
    light = days.clearness[row, at], days.ambient_c[row], kwp

    def each_w(turn_deg: Array) -> Array:
        share, tilt, azimuth = (np.array(one)[:, None] for one in zip(*planes, strict=True))
        roof = plane_response.answer(sky, tilt, (azimuth + turn_deg[:, None, None]) % 360)
        plane = plane_response.irradiance_w_m2(roof, light[0])
        return np.asarray(plane * plane_response.efficiency(plane, light[1]) * kwp * share)

    as_registered = each_w(np.zeros(1))[0]
    whole = as_registered.sum(axis=0)
    others = [whole, *(whole - one for one in as_registered)] if len(planes) > 1 else [whole]  # or one plane is gone
    turned = each_w(turns_deg).sum(axis=1)
    rest, level = _rest(made * weight, np.stack([*others, *turned]) * weight)
    left = np.sqrt((rest**2).sum(axis=1))
    best_other = int(left[: len(others)].argmin())
    fits = np.where(np.abs(level[len(others) :]) < MAX_LEVEL, left[len(others) :], np.inf)
    one = int(fits.argmin())
    told = np.bincount(row) >= MIN_DAY_POINTS
    gained = np.bincount(row, rest[best_other] ** 2 - rest[len(others) + one] ** 2)[told]
    is_steady = len(gained) >= MIN_DAYS and bool((gained > 0).mean() >= BETTER_SHARE)
    return Turn(float(turns_deg[one]), float(fits[one] / max(left[best_other], 1e-9)), is_steady)


def found(days: Days, planes: list[PlaneRow], kwp: float, ceiling_w: float, before: Turn | None = None) -> Turn | None:
    """How the registered planes lie turned; None = as registered. `before` is what was found earlier.

    A season may prove less than the one before it: what was found stays until the register explains the days better,
    or another turn does so by much.
    """
    turn = best(days, planes, kwp, ceiling_w)
    if before is not None:
        kept = best(days, planes, kwp, ceiling_w, np.array([before.turn_deg]))
        if kept is None or turn is None:
            return before
        if kept.left_ratio < 1 and turn.left_ratio > MAX_LEFT * kept.left_ratio:
            return kept
    return turn if turn is not None and turn.is_found else None


def _rest(made: Array, shapes: Array) -> tuple[Array, Array]:
    """What each shape leaves of `made` at the size that fits best, [shapes, points], and the log of that size."""
    size = (shapes @ made) / np.maximum((shapes**2).sum(axis=1), 1e-12)
    return made - size[:, None] * shapes, np.log(np.maximum(size, 1e-12))


def as_they_lie(planes: Planes, models: pl.DataFrame) -> Planes:
    """`planes` turned by what `models` (turn_deg and turned_from_deg of ROOF_MODEL, a row per site) found.

    A site whose azimuths are no longer those that were held against its days has them as they are registered.
    """
    azimuth = planes.azimuth_deg.copy()
    found = models.with_row_index("row").drop_nulls("turn_deg")
    for n, turn, before in found.select("row", "turn_deg", "turned_from_deg").iter_rows():
        mine = np.flatnonzero(planes.site == n)
        if planes.azimuth_deg[mine].tolist() == before:
            azimuth[mine] = (azimuth[mine] + turn) % 360
    return planes._replace(azimuth_deg=azimuth)
