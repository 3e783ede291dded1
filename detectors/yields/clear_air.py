"""What a sky brighter than the usual clear one leaves open of a roof that looks elsewhere than its neighbours.

The clear sky is a month's usual one. What is brighter may be clean air, whose surplus is beam, or clouds beside the
sun, whose surplus is diffuse (measured at Golden, February 2019 and January 2022, the pvanalytics package's
irradiance: under steady skies 1.1 to 1.15 times the usual one the beam is 1.10 of the usual, under changing ones 1.0,
with nearly twice the diffuse light). Roofs that look the same way need not know which; a roof that looks away from the
sun gets the half of what its neighbours let expect, or all of it.
"""

import numpy as np
from numpy.typing import NDArray

from detectors.solar import plane_response
from detectors.solar.plane_response import BEAM_PART, CLEARNESS, Answer
from detectors.stats.robust import Array, median

# Beam over the clear sky's, per clearness beyond 1, where all of the surplus is beam: global over direct horizontal
# irradiance, 1.15 to 1.4 under high and low suns, and in clean air less of it is scattered besides.
ALL_BEAM = 1.4
MIN_SKY_W_M2 = 1.0


def log_change(answer: Answer, sky: Array, expected_w: Array, share: Array, near: NDArray[np.intp]) -> Array:
    """By how much the day's expected energy would change if all surplus were beam, log, [sites].

    `answer` of each roof, `sky` the clearness over it, `expected_w` under that and the `share` of each quarter hour
    that counts are [sites, quarters]; `near` are places of sites, [sites, neighbours], -1 where empty.

    A reference whose light is beam x b + clearness x s tells, with more beam, that much less clearness: b / s of it.
    What is left of it at the roof is s (b / s - the same of the middle of its references).
    """
    clearness = np.nan_to_num(sky)
    surplus = ALL_BEAM * (clearness - 1) - (np.interp(clearness, CLEARNESS, BEAM_PART) - 1)
    is_brighter = (clearness > 1) & (surplus > 0) & (share > 0)
    changes = np.zeros(len(sky))
    sites, quarters = np.flatnonzero(is_brighter.any(axis=1)), np.flatnonzero(is_brighter.any(axis=0))
    if not len(sites) or not near.size:
        return changes
    beam, diffuse = (np.broadcast_to(one, sky.shape)[:, quarters] for one in answer)
    beam_per_sky = np.where(diffuse > MIN_SKY_W_M2, beam / np.maximum(diffuse, MIN_SKY_W_M2), np.nan)
    around = np.vstack([beam_per_sky, np.full((1, len(quarters)), np.nan)])[near[sites]]
    rows = np.ix_(sites, quarters)
    apart = np.nan_to_num(beam_per_sky[sites] - median(around, axis=1)) * diffuse[sites]
    light = plane_response.irradiance_w_m2(Answer(beam[sites], diffuse[sites]), clearness[rows])
    change = np.where(is_brighter[rows], surplus[rows], 0.0) * apart / np.maximum(light, MIN_SKY_W_M2)
    weight = expected_w * share
    total = weight[sites].sum(axis=1)
    changes[sites] = np.where(total > 0, (weight[rows] * change).sum(axis=1) / np.maximum(total, 1e-9), 0.0)
    return changes
