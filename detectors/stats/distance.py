"""Distances on the earth."""

import numpy as np
from numpy.typing import ArrayLike

from detectors.stats.robust import Array

EARTH_RADIUS_KM = 6371.0088  # IUGG mean radius


def great_circle_km(latitude: float, longitude: float, latitudes: ArrayLike, longitudes: ArrayLike) -> Array:
    """Kilometres from one place to others, all in degrees; shape of the others.

    The haversine formula (Sinnott, Sky and Telescope 68, 1984, p. 159, from memory), which holds for near places too.
    """
    here, there = np.radians(latitude), np.radians(latitudes)
    turn = np.radians(np.asarray(longitudes, dtype=float) - longitude)
    haversine = np.sin((there - here) / 2) ** 2 + np.cos(here) * np.cos(there) * np.sin(turn / 2) ** 2
    return np.asarray(2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.minimum(haversine, 1.0))))
