"""How much less than the usual a healthy roof may give that faces away from the noon sun, and how much more steep ones.

Where nobody registered the planes, such roofs hardly differ by the shape of their days from a smaller and a larger one
of the usual planes: all make most about noon. How much they lack or gain goes with the sun's height.
"""

import numpy as np

from detectors.solar import plane_response
from detectors.solar.pv_model import Sky
from detectors.stats.robust import Array

MOST = 0.8  # ours: of the modules; hardly a roof has more of them on its far side
AWAY_TILT_DEG, USUAL_TILT_DEG = 45.0, 30.0  # ours: steep and usual tilts of pitched roofs
STEEP_TILT_DEG = 60.0  # ours: the steepest of roofs, or modules on a facade leaned out


def missing_share(sky: Sky, latitude: float) -> float:
    """Of the energy of a clear day that such a roof would lack; `sky` is one site's, [instants]; 1 without a sun."""
    sides = _sides_deg(latitude)
    usual = _of_clear_day(sky, [USUAL_TILT_DEG] * 2, sides).max()
    away = _of_clear_day(sky, [AWAY_TILT_DEG] * 2, sides).min()
    return float(MOST * (1 - away / usual)) if usual > 0 else 1.0


def surplus_share(sky: Sky, latitude: float) -> float:
    """Of the energy of a clear day that a steep roof towards the noon sun has beyond the usual ones; inf without a sun.

    The usual ones are those that planes are learned from until the days' shape tells more.
    """
    tilts, azimuths = plane_response.basis_planes(np.array([latitude]))
    steep = _of_clear_day(sky, [STEEP_TILT_DEG] * 2, _sides_deg(latitude)).max()
    usual = float(_of_clear_day(sky, [*tilts[0]], [*azimuths[0]]) @ plane_response.USUAL_SHARES)
    return max(float(steep) / usual - 1, 0.0) if usual > 0 else float("inf")


def _sides_deg(latitude: float) -> list[float]:
    """Towards the equator and away from it: between the tropics the noon sun stands on either."""
    return [180.0, 0.0] if latitude >= 0 else [0.0, 180.0]


def _of_clear_day(sky: Sky, tilt_deg: list[float], azimuth_deg: list[float]) -> Array:
    """What planes get of one site's clear sky, summed over its instants, [planes]."""
    tilt, azimuth = (np.array(one)[:, None] for one in (tilt_deg, azimuth_deg))
    each = plane_response.answer(Sky(*(values[None] for values in sky)), tilt, azimuth)
    return np.asarray(plane_response.irradiance_w_m2(each, np.ones(1)).sum(axis=1))
