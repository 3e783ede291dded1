"""Which sites stand near one another."""

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.stats.distance import EARTH_RADIUS_KM
from detectors.stats.robust import Array


class Nearest(NamedTuple):
    """Per site its nearest others, nearest first; both arrays are [sites, places], empty places hold -1 and NaN."""

    place: NDArray[np.intp]
    distance_km: Array


def nearest(sites: pl.DataFrame, *, max_count: int, within_km: float) -> Nearest:
    """The nearest others of each row of `sites` (SITES), at most `max_count`, none farther than `within_km`.

    Great-circle distances. Sites at one address are neighbours of one another. Sort the sites by their id first where
    equal distances must be settled the same way each time.
    """
    from scipy.spatial import KDTree  # loads slowly, and most commands judge no day

    count = sites.height
    if count < 2:
        return Nearest(np.full((count, 0), -1, dtype=np.intp), np.full((count, 0), np.nan))
    lat, lon = np.radians(sites.select("latitude", "longitude").to_numpy()).T
    where = np.column_stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])  # on the unit sphere
    chord, place = KDTree(where).query(where, k=min(max_count + 1, count))
    distance_km = 2 * np.arcsin(np.minimum(chord / 2, 1.0)) * EARTH_RADIUS_KM
    # The site itself is among them, but not always first where several share an address.
    is_self = place == np.arange(count)[:, None]
    is_self[:, -1] |= ~is_self.any(axis=1)
    keep = ~is_self
    shape = (count, place.shape[1] - 1)
    place, distance_km = place[keep].reshape(shape), distance_km[keep].reshape(shape)
    far = distance_km > within_km
    return Nearest(np.where(far, -1, place).astype(np.intp), np.where(far, np.nan, distance_km))
