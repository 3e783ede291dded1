"""What planes of modules make of a sky of any clearness, and what a power says of the sky: one table per plane.

The clearness of a sky is its global irradiance over the clear sky's. A plane's answer to it has two fixed series per
day, so that power is linear in the planes of a roof, and a power can be turned back into the clearness by a look-up:

    irradiance on the plane = beam_part(clearness) x beam_w_m2 + clearness x sky_w_m2
    beam_w_m2 = DNI cos(incidence) x IAM - Fd x DNI cos(zenith),   sky_w_m2 = GHI (Fd + albedo Fg)

of the clear sky, with the view factors of sky and ground Fd and Fg (Liu & Jordan 1963, isotropic) and the incidence
angle modifier of a glass pane (De Soto et al. 2006). Power follows the efficiency's temperature coefficient.
"""

from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.solar.pv_model import ALBEDO, Sky
from detectors.stats.robust import Array

CLEARNESS = np.array([0, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25])
NO_BEAM_BELOW, BEAM_EXPONENT, MAX_BEAM = 0.2, 1.4, 1.05  # ours: near Erbs et al. 1982's diffuse shares over a day
BEAM_PART = np.clip((CLEARNESS - NO_BEAM_BELOW) / (1 - NO_BEAM_BELOW), 0, MAX_BEAM) ** BEAM_EXPONENT
DIFFUSE_MODIFIER = 0.96  # ours: the modifier's mean over the sky; 0.95 (Brandemuehl & Beckman 1980) to 0.97
PERFORMANCE_RATIO = 0.85  # ours: all that neither light nor warmth explains; levels are learned from there
GAMMA_PER_K = -0.0038  # ours: between PVWatts' standard and premium modules
CELL_K_PER_W_M2 = 0.028  # ours: Ross 1976 has 0.02 to 0.04 by how the modules are mounted
STANDBY_RATIO = 0.006  # ours: of the rating; what an inverter takes before it gives
OPEN_AT, DULL_AT = 13, 7  # places in CLEARNESS of 1.0 and 0.4
MIN_ANSWER_RATIO, MIN_ANSWER_W_M2 = 1.6, 25.0  # ours: below it a power says too little of the sky
TILTS_DEG = (30.0, 30.0, 30.0, 30.0, 30.0, 5.0, 55.0)
TURNS_DEG = (-90.0, -45.0, 0.0, 45.0, 90.0, 0.0, 0.0)  # from towards the equator
USUAL_SHARES = np.array([0.1, 0.15, 0.4, 0.15, 0.1, 0.1, 0.0])  # ours: of the planes above, where nothing is known

_COSINES = np.linspace(0.0, 1.0, 181)


class Answer(NamedTuple):
    """A roof's two series under a clear sky; arrays broadcast against [sites, instants], W/m2."""

    beam_w_m2: Array
    sky_w_m2: Array


@cache
def _modifier() -> Array:
    """The glass pane's incidence angle modifier at _COSINES."""
    from pvlib import iam  # loads slowly, and most commands judge no day

    return np.asarray(np.nan_to_num(iam.physical(np.degrees(np.arccos(np.clip(_COSINES, 1e-6, 1))))))


def answer(sky: Sky, tilt_deg: Array, azimuth_deg: Array) -> Answer:
    """The series of planes whose angles broadcast against the sky's arrays."""
    tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
    cosine = (
        np.sin(tilt) * np.sin(azimuth) * sky.east + np.sin(tilt) * np.cos(azimuth) * sky.north + np.cos(tilt) * sky.up
    )
    cosine = np.clip(cosine, 0.0, 1.0)
    view_sky, view_ground = (1 + np.cos(tilt)) / 2 * DIFFUSE_MODIFIER, (1 - np.cos(tilt)) / 2
    beam = sky.dni * cosine * np.interp(cosine, _COSINES, _modifier()) - view_sky * sky.dni * np.maximum(sky.up, 0.0)
    return Answer(beam, sky.ghi * (view_sky + ALBEDO * view_ground))


def basis_planes(latitude: Array) -> tuple[Array, Array]:
    """Tilt and azimuth of the seven planes that stand for roofs of unknown planes, both [sites, 7]."""
    equator = np.where(np.asarray(latitude) >= 0, 180.0, 0.0)[:, None]
    azimuth = (equator + np.array(TURNS_DEG)[None]) % 360
    return np.broadcast_to(np.array(TILTS_DEG), azimuth.shape), azimuth


def basis_answers(sky: Sky, latitude: Array) -> Answer:
    """The series of the seven basis planes, both [sites, 7, instants]."""
    tilt, azimuth = basis_planes(latitude)
    wide = Sky(*(values[:, None, :] for values in sky))
    return answer(wide, tilt[:, :, None], azimuth[:, :, None])


def irradiance_w_m2(roof: Answer, clearness: Array) -> Array:
    """On the plane under a sky of this clearness, W/m2."""
    beam: Array = np.interp(clearness, CLEARNESS, BEAM_PART)
    return np.maximum(beam * roof.beam_w_m2 + clearness * roof.sky_w_m2, 0.0)


def efficiency(plane_w_m2: Array, ambient_c: Array) -> Array:
    """kW per kWp and kW/m2: the performance ratio at this irradiance and air temperature."""
    cell: Array = PERFORMANCE_RATIO * (1 + GAMMA_PER_K * (ambient_c + CELL_K_PER_W_M2 * plane_w_m2 - 25))
    return cell


def possible_w(roof: Answer, clearness: Array, ambient_c: Array, kwp: Array, ceiling_w: Array) -> Array:
    """W that the modules make under a sky of this clearness, cut at the inverter's ceiling."""
    plane = irradiance_w_m2(roof, clearness)
    return np.minimum(kwp * plane * efficiency(plane, ambient_c), ceiling_w)


def standby_w(kwp: Array, ceiling_w: Array) -> Array:
    """W that the inverter keeps for itself."""
    return STANDBY_RATIO * np.minimum(ceiling_w, np.asarray(kwp) * 1000)


def expected_w(roof: Answer, clearness: Array, ambient_c: Array, kwp: Array, ceiling_w: Array) -> Array:
    """`possible_w` without what the inverter keeps for itself."""
    made = possible_w(roof, clearness, ambient_c, kwp, ceiling_w)
    return np.maximum(made - standby_w(kwp, ceiling_w), 0.0)


def plane_from_power(power_w: Array, ambient_c: Array, kwp: Array) -> Array:
    """The irradiance on the plane that makes this power, W/m2: the root of the quadratic that `efficiency` makes."""
    wanted = power_w / (np.asarray(kwp) * PERFORMANCE_RATIO)
    a, c = 1 + GAMMA_PER_K * (ambient_c - 25), -GAMMA_PER_K * CELL_K_PER_W_M2
    return (a - np.sqrt(np.maximum(a * a - 4 * c * wanted, 0.0))) / (2 * c)


def clearness_from(roof: Answer, plane_w_m2: Array) -> tuple[Array, NDArray[np.bool_]]:
    """The clearness under which the plane has this irradiance, 0 to 1.25, and whether the plane answers to the sky."""
    shape = np.broadcast_shapes(roof.beam_w_m2.shape, plane_w_m2.shape)
    low, high = np.zeros(shape), np.zeros(shape)
    place = np.zeros(shape, dtype=np.int8)
    at: Any = 0.0
    open_w, dull_w = low, low
    for n, (beam, clearness) in enumerate(zip(BEAM_PART, CLEARNESS, strict=True)):
        # Low suns can make a plane's light fall as the sky clears: the running maximum keeps the table in order.
        at = np.maximum(at, beam * roof.beam_w_m2 + clearness * roof.sky_w_m2) + 1e-6
        if n == DULL_AT:
            dull_w = at
        elif n == OPEN_AT:
            open_w = at
        if n:
            is_here = place == n - 1
            high = np.where(is_here, at, high)
            passed = is_here & (at <= plane_w_m2) & (n < len(CLEARNESS) - 1)
            place = np.where(passed, n, place).astype(np.int8)
            low = np.where(passed, at, low)
        else:
            low = np.broadcast_to(at, shape).copy()
    share = np.clip((plane_w_m2 - low) / np.maximum(high - low, 1e-9), 0.0, 1.0)
    interpolated = CLEARNESS[place] + (CLEARNESS[place + 1] - CLEARNESS[place]) * share
    return interpolated, (open_w > MIN_ANSWER_RATIO * dull_w) & (open_w > MIN_ANSWER_W_M2)
