"""How much less than the usual a healthy roof may give of which most modules face away from the equator.

Where nobody registered the planes, such a roof hardly differs by the shape of its days from a smaller one that faces
the sun: both make most about noon. How much it lacks goes with the sun's height.
"""

import numpy as np

from detectors.solar import plane_response
from detectors.solar.pv_model import Sky

MOST = 0.8  # ours: of the modules; hardly a roof has more of them on its far side
AWAY_TILT_DEG, USUAL_TILT_DEG = 45.0, 30.0  # ours: steep and usual tilts of pitched roofs


def missing_share(sky: Sky, latitude: float) -> float:
    """Of the energy of a clear day that such a roof would lack; `sky` is one site's, [instants]; 1 without a sun."""
    equator = 180.0 if latitude >= 0 else 0.0
    tilt, azimuth = np.array([[USUAL_TILT_DEG], [AWAY_TILT_DEG]]), np.array([[equator], [(equator + 180) % 360]])
    each = plane_response.answer(Sky(*(values[None] for values in sky)), tilt, azimuth)
    usual, away = plane_response.irradiance_w_m2(each, np.ones(1)).sum(axis=1)
    return float(MOST * (1 - away / usual)) if usual > 0 else 1.0
