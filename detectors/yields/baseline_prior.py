"""How far the level of a healthy roof may lie from what the register lets expect, before anything was seen of it."""

import numpy as np
from numpy.typing import NDArray

from detectors.solar import plane_response
from detectors.solar.pv_model import Sky
from detectors.stats.robust import Array
from detectors.yields.fleet_day import Fleet, column

# Fitted: 43 healthy roofs without a limit, of registered planes, lay within 0.07 (root mean square) of the register's
# level after 60 days, the walk of these days in it; the few without neighbours within 0.09.
SITE_SIGMA, FEW_SIGMA, FEW = 0.06, 0.06, 1.5
UNKNOWN_SIGMA = 0.06  # fitted: of roofs of unknown planes, beside what follows
PLANES_SHARE = 0.5  # ours: of the sigma over the planes that a roof may have; the rest shows in the shape of its days
# Fitted to 185 healthy limited roofs beside neighbours after 60 days: what little usable energy leaves open. With less
# than 0.25 kWh per kWp of a good day their levels lay within 0.19 of the register's, with more within 0.11 (root mean
# square; before neighbours were held against each other's common level, 0.30 and 0.14).
LIMITED_SIGMA, LIMITED_MORE, LIMITED_KWH = 0.05, 0.25, 0.25
LONE_MORE, LONE_KWH = 0.4, 0.3  # as fitted before to 73 healthy ones of all kinds; lone ones alone were not measured


def planes_sigma(fleet: Fleet) -> Array:
    """How far the energy of a clear day differs over the planes that a roof may have, log, [sites]; 0 if registered.

    Under a high sun all roofs make much the same; in a winter of the north one that faces away makes a third.
    """
    sigma = np.zeros(fleet.sites.height)
    rows = np.flatnonzero(fleet.roofs.is_unknown)
    if len(rows):
        lit = np.flatnonzero((fleet.sky.up[rows] > 0).any(axis=0))
        sky = Sky(*(one[np.ix_(rows, lit)] for one in fleet.sky))
        each = plane_response.basis_answers(sky, fleet.sites["latitude"].to_numpy()[rows])
        made = np.log(np.maximum(plane_response.irradiance_w_m2(each, np.ones(1)).sum(axis=2), 1.0))
        share = plane_response.USUAL_SHARES
        sigma[rows] = np.sqrt(((made - (made @ share)[:, None]) ** 2) @ share)
    return sigma


def limited_sigma(energy: Array, *, is_lone: bool | NDArray[np.bool_] = False) -> Array:
    """What a limit adds, by the usable kWh per kWp of a good day, log; `is_lone`: few neighbours tell its sky."""
    more, kwh = np.where(is_lone, LONE_MORE, LIMITED_MORE), np.where(is_lone, LONE_KWH, LIMITED_KWH)
    return np.asarray(LIMITED_SIGMA + more * np.exp(-energy / kwh))


def sigma(fleet: Fleet) -> Array:
    """Of each site's baseline before its first day, by what its days show of it, [sites]."""
    models, has_limit, is_unknown = fleet.models, fleet.roofs.has_limit, fleet.roofs.is_unknown
    energy = column(models, "energy", 0.0)
    few = column(models, "neighbours", 0.0) < FEW
    limited = limited_sigma(energy, is_lone=few)
    return np.asarray(
        np.sqrt(
            SITE_SIGMA**2
            + (UNKNOWN_SIGMA * is_unknown) ** 2
            + (PLANES_SHARE * planes_sigma(fleet)) ** 2
            + (has_limit * limited) ** 2
            + (FEW_SIGMA * few) ** 2
        )
    )
