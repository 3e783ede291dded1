"""Whether another peak capacity from the first day on may be something else: planes, a horizon, or the roofs around."""

from datetime import timedelta
from typing import NamedTuple

import polars as pl

from detectors.solar.pv_model import Sky
from detectors.stats.robust import Array, median, robust_sigma
from detectors.yields import away, half_hours, turned_planes
from detectors.yields.diagnosis import Case
from detectors.yields.fleet_day import Fleet
from detectors.yields.kinds import CAPACITY_MISMATCH
from detectors.yields.night import Night

# Ours: of the days that told something. Another capacity was so from the first day on until it is put right, by the
# register or by the export that another site's was; a fortnight then shows it within eight days.
RECENT_DAYS = 14
# Ours: beyond what the roofs around differ by among themselves, as where many registers are wrong; of healthy ones
# that differ so one in fifteen lies as high.
AROUND_SIGMAS, MIN_AROUND = 1.5, 4
MIN_SHARE = 0.15  # ours: two and a half sigma of what healthy roofs differ by (`baseline_prior.SITE_SIGMA`)
LOW_SUN_DEG = 20.0  # ours: a house or a hill hides a noon sun below it, all winter long


class Unknown(NamedTuple):
    """What a healthy roof may lack or have beyond the usual today, of which nobody registered the planes."""

    away_share: float
    steep_share: float


def may_be_unseen(case: Case, noon_deg: float, unknown: Unknown | None) -> bool:
    """Whether another capacity from the first day on may be what roofs differ by, unknown planes, or a horizon.

    `unknown` is None where the register knows the planes. Healthy roofs differ besides by what their planes make.
    """
    if not case.was_always or case.kind != CAPACITY_MISMATCH:
        return False
    if abs(case.share) < MIN_SHARE:
        return True
    if case.share < 0:
        return unknown is not None and 1 - case.share < (1 + MIN_SHARE) * (1 + unknown.steep_share)
    return noon_deg < LOW_SUN_DEG or (unknown is not None and case.share < unknown.away_share)


def levels_around(fleet: Fleet, n: int, residuals: pl.DataFrame) -> Array:
    """The levels that the neighbours of the site at place `n` showed lately, [neighbours]; `residuals`: RESIDUAL."""
    names = fleet.sites["site_id"].gather(fleet.near[n][fleet.near[n] >= 0])
    since = fleet.day - timedelta(days=RECENT_DAYS)
    known = residuals.filter(pl.col("site_id").is_in(names.implode()), pl.col("day") > since, pl.col("x").is_not_nan())
    return known.group_by("site_id").agg(pl.col("x").median())["x"].drop_nulls().to_numpy()


def is_beyond(case: Case) -> bool:
    """Whether it says that there always was more than the register has."""
    return case.was_always and case.share < 0


def is_within(case: Case, around: Array) -> bool:
    """Whether a capacity beyond the register is no more than what the roofs around differ by among themselves."""
    if len(around) < MIN_AROUND:
        return False
    return bool(abs(case.after - median(around)) < AROUND_SIGMAS * robust_sigma(around))


def may_be_turned(case: Case, fleet: Fleet, n: int, days: half_hours.Days) -> bool:
    """Whether registered planes that lie turned explain the days better than another capacity from the first day on."""
    if not case.was_always or case.kind != CAPACITY_MISMATCH:
        return False
    roofs = fleet.roofs
    turn = turned_planes.best(days, fleet.planes.of(n), float(roofs.kwp[n]), float(roofs.ceiling_w[n]))
    return turn is not None and turn.left_ratio < turned_planes.MAYBE_LEFT


def of_unknown_planes(night: Night, n: int) -> Unknown:
    """By the sky of the judged day over the site at place `n`."""
    fleet = night.fleet
    sky, latitude = Sky(*(values[n] for values in fleet.sky)), float(fleet.sites["latitude"][n])
    return Unknown(away.missing_share(sky, latitude), away.surplus_share(sky, latitude))
