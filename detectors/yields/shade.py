"""Shade by hours of the day: what obstacles take of the direct sun, told as what it is and never as a fault.

The engine learns what a roof usually makes at each half hour under a bright and under a dull sky, beside its registered
planes. An obstacle takes the sun's beam and leaves the sky's light: bright half hours fall short together, dull ones do
not, and nothing exceeds the planes elsewhere. Where something does, the planes are in doubt and no shade is told.
"""

from datetime import datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.frames import LOCAL
from detectors.solar.plane_response import Answer
from detectors.stats.robust import Array
from detectors.yields import own_past, roofs
from detectors.yields.fleet_day import Fleet
from detectors.yields.night import Night
from detectors.yields.own_past import BRIGHT, HALF_HOURS
from detectors.yields.roof_model import EPOCH

_COLUMNS: dict[str, Any] = {
    "site_id": pl.String,
    "day": pl.Date,
    "shaded_h": pl.Float64,  # hours of the day that lie in shade when the sky is bright; 0 = none
    "from_utc": LOCAL,  # of the block that costs most; null = no shade
    "until_utc": LOCAL,
    "sun_from_deg": pl.Float64,  # the sun's azimuth at these two
    "sun_until_deg": pl.Float64,
    "below_deg": pl.Float64,  # the sun's greatest height in it
    "shade_kwh": pl.Float64,  # that shade took of this day, under its sky
    "possible_kwh": pl.Float64,  # of the whole day, shade taken off
}
SHADE = pl.Schema(_COLUMNS)
MAX_SHADED_LOG = -0.2  # ours: a sixth of the power is missing; less is within what planes and clear skies err by
CERTAIN_SIGMAS = 2.0  # ours: of the half hour's own error
MAX_DULL_SHARE = 0.6  # ours: of the bright shortfall; an obstacle that hides the sun hides a part of the sky at most
MIN_HALF_HOURS = 2  # ours: an hour; a single half hour may be a chimney's, or chance
MAX_ABOVE_LOG = 0.15  # ours: no half hour of right planes exceeds them by more, beside what the angles explain
MIN_BRIGHT = 8  # ours: half hours that were seen under a bright sky; of fewer nobody knows the day's shape
REGISTER_DEG = 5.0  # ours: registers give tilt and azimuth to the next five degrees, or so
STRONG_RATIO = 0.1  # ours: of the day's highest light; with less a half hour's shade costs nothing
LOWEST_DEG = 4.0  # as `roofs`: below it horizons decide everywhere


def shaded(night: Night) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which half hours of UTC lie in shade under a bright sky, [sites, 48], and whether that is known, [sites]."""
    fleet = night.fleet
    height = fleet.elevation_deg.reshape(-1, HALF_HOURS, 2).mean(axis=2)
    usual = []
    for part, sky in ((slice(0, HALF_HOURS), 0.0), (slice(HALF_HOURS, 2 * HALF_HOURS), 1.0)):
        prior = own_past.prior_sigma(height, sky, fleet.roofs.is_unknown[:, None]) ** 2
        usual.append(own_past.shrink(fleet.past.offset[:, part], fleet.past.noise[:, part], prior).log_usual)
    dull, bright = usual
    offset, noise = (one[:, HALF_HOURS:] for one in fleet.past)
    light, by_angles = _light(fleet.light.answer), _by_angles(fleet, fleet.light.answer)
    is_seen = np.isfinite(offset) & (light > STRONG_RATIO * light.max(axis=1, keepdims=True))
    with np.errstate(invalid="ignore"):
        is_short = is_seen & (bright < MAX_SHADED_LOG - by_angles)
        is_short &= offset + CERTAIN_SIGMAS * np.sqrt(noise) < MAX_SHADED_LOG / 2
    is_short &= dull > MAX_DULL_SHARE * bright
    is_known = (is_seen.sum(axis=1) >= MIN_BRIGHT) & ~fleet.roofs.is_unknown
    is_known &= ~(np.where(is_seen, bright, 0.0) > MAX_ABOVE_LOG + by_angles).any(axis=1)
    return _long_enough(is_short) & is_known[:, None], is_known


def _by_angles(fleet: Fleet, answer: Answer) -> Array:
    """Log of what a register that is off by REGISTER_DEG would explain at each half hour, [sites, 48]."""
    light = _light(answer)
    latitude, max_log = fleet.sites["latitude"].to_numpy(), np.zeros(light.shape)
    for by in (-REGISTER_DEG, REGISTER_DEG):
        for planes in (
            fleet.planes._replace(azimuth_deg=fleet.planes.azimuth_deg + by),
            fleet.planes._replace(tilt_deg=np.abs(fleet.planes.tilt_deg + by)),
        ):
            moved = _light(roofs.answers(fleet.sky, latitude, planes, fleet.shares))
            with np.errstate(divide="ignore", invalid="ignore"):
                max_log = np.fmax(max_log, np.abs(np.log(moved / light)))
    return max_log


def _light(answer: Answer) -> Array:
    """W/m2 on the registered planes under a clear sky, by half hour."""
    return np.asarray((answer.beam_w_m2 + answer.sky_w_m2).reshape(-1, HALF_HOURS, 2).mean(axis=2))


def _long_enough(flags: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Runs of at least MIN_HALF_HOURS, around midnight of UTC too, [sites, 48]."""
    is_long = np.zeros(flags.shape, dtype=bool)
    for shift in range(MIN_HALF_HOURS):
        window = np.ones(flags.shape, dtype=bool)
        for n in range(MIN_HALF_HOURS):
            window &= np.roll(flags, shift - n, axis=1)
        is_long |= window
    return is_long


def of_night(night: Night) -> pl.DataFrame:
    """SHADE rows of the sites of registered planes whose bright hours are known, under a known sky."""
    fleet = night.fleet
    is_shaded, is_known = shaded(night)
    by_quarter = np.repeat(is_shaded, 2, axis=1) & np.isfinite(night.roof_w) & (np.nan_to_num(night.clearness) > BRIGHT)
    usual = own_past.correct(
        fleet.past, fleet.half_hour, night.clearness, fleet.elevation_deg, fleet.roofs.is_unknown
    ).log_usual
    lost_w = np.where(by_quarter, np.nan_to_num(night.roof_w) * (np.exp(-np.minimum(usual, 0.0)) - 1), 0.0)
    usual_w = np.repeat(np.where(is_shaded, -np.minimum(fleet.past.offset[:, HALF_HOURS:], 0.0), 0.0), 2, axis=1)
    clear_w = fleet.light.answer.beam_w_m2 + fleet.light.answer.sky_w_m2
    rows = []
    number = float((fleet.day - EPOCH).days)
    for n in np.flatnonzero(is_known & np.isfinite(night.possible_kwh)):
        site = fleet.sites.row(int(n), named=True)
        row: dict[str, Any] = {
            "site_id": site["site_id"], "day": fleet.day, "shaded_h": float(is_shaded[n].sum()) / 2,
            "shade_kwh": float(lost_w[n].sum()) / 4000, "possible_kwh": float(night.possible_kwh[n]),
        }  # fmt: skip
        if is_shaded[n].any():
            at = roofs.instants(np.array([site["longitude"]]), np.array([number]), HALF_HOURS)[0]
            worth = (usual_w[n] * clear_w[n]).reshape(HALF_HOURS, 2).sum(axis=1)
            sun = np.degrees(np.arctan2(fleet.sky.east[n], fleet.sky.north[n])) % 360
            row |= _block(is_shaded[n], at, worth, fleet.elevation_deg[n], sun)
        rows.append(row)
    return pl.DataFrame(rows, schema=SHADE)


def _block(flags: NDArray[np.bool_], at: Array, worth: Array, height_deg: Array, sun_deg: Array) -> dict[str, Any]:
    """Where the block of shade that costs most lies.

    `at` are the middles of the half hours, days since 1970; the sun's height and azimuth are of quarter hours.
    """
    order = np.argsort(at)
    mine = np.flatnonzero(flags[order])
    runs = np.split(order[mine], np.flatnonzero(np.diff(mine) > 1) + 1)
    block = max(runs, key=lambda run: float(worth[run].sum()))
    quarters = np.stack([2 * block, 2 * block + 1], axis=1).ravel()
    lit = quarters[height_deg[quarters] > LOWEST_DEG]
    begin, end = at[block[0]] - 0.5 / HALF_HOURS, at[block[-1]] + 0.5 / HALF_HOURS
    return {
        "from_utc": _instant(begin), "until_utc": _instant(end),
        "sun_from_deg": float(sun_deg[lit[0]]), "sun_until_deg": float(sun_deg[lit[-1]]),
        "below_deg": float(height_deg[lit].max()),
    }  # fmt: skip


def _instant(days: float) -> datetime:
    return datetime(1970, 1, 1) + timedelta(seconds=round(days * 86_400))  # noqa: DTZ001 (UTC, as LOCAL is)
