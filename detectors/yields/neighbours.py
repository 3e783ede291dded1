"""Who stands near whom, and what the near ones say together."""

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.spatial import KDTree

from detectors.stats.robust import Array, median, robust_sigma

EARTH_RADIUS_KM = 6371.0088  # IUGG mean radius
BLOCK_SITES = 1000  # ours: 1,000 sites x 24 neighbours x 60 days hold 12 MB at a time


class Nearest(NamedTuple):
    """Per site its nearest others, nearest first; both arrays are [sites, places], empty places hold -1 and NaN."""

    place: NDArray[np.intp]
    distance_km: Array


class Opinion(NamedTuple):
    """What a site's neighbours say, each array [sites, days]; NaN where nobody has a say."""

    median: Array
    spread: Array
    voices: NDArray[np.intp]  # how many were heard


def nearest(sites: pl.DataFrame, *, most: int, within_km: float) -> Nearest:
    """The nearest others of each row of `sites` (SITES), at most `most`, none farther than `within_km`.

    Great-circle distances. Sites at one address are neighbours of one another. Sort the sites by their id first where
    equal distances must be settled the same way each time.
    """
    count = sites.height
    if count < 2:
        return Nearest(np.full((count, 0), -1, dtype=np.intp), np.full((count, 0), np.nan))
    lat, lon = np.radians(sites.select("latitude", "longitude").to_numpy()).T
    where = np.column_stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])  # on the unit sphere
    chord, place = KDTree(where).query(where, k=min(most + 1, count))
    distance_km = 2 * np.arcsin(np.minimum(chord / 2, 1.0)) * EARTH_RADIUS_KM
    # The site itself is among them, but not always first where several share an address.
    is_self = place == np.arange(count)[:, None]
    is_self[:, -1] |= ~is_self.any(axis=1)
    keep = ~is_self
    shape = (count, place.shape[1] - 1)
    place, distance_km = place[keep].reshape(shape), distance_km[keep].reshape(shape)
    far = distance_km > within_km
    return Nearest(np.where(far, -1, place).astype(np.intp), np.where(far, np.nan, distance_km))


def consult(values: Array, near: Nearest, *, most: int, least: int) -> Opinion:
    """For each site and day the median and spread of the `most` nearest that have a value; NaN with under `least`.

    `values` is [sites, days], NaN where a site has nothing to say.
    """
    sites, days = values.shape
    middle, scatter = np.full((sites, days), np.nan), np.full((sites, days), np.nan)
    count = np.zeros((sites, days), dtype=np.intp)
    if near.place.shape[1] == 0:
        return Opinion(middle, scatter, count)
    padded = np.vstack([values, np.full((1, days), np.nan)])  # place -1 is the empty last row
    for start in range(0, sites, BLOCK_SITES):
        block = slice(start, start + BLOCK_SITES)
        said = np.ascontiguousarray(padded[near.place[block]].transpose(0, 2, 1))  # [sites, days, places]
        has_say = np.isfinite(said)
        said[np.cumsum(has_say, axis=-1) > most] = np.nan
        count[block] = np.minimum(has_say.sum(axis=-1), most)
        middle[block], scatter[block] = median(said), robust_sigma(said)
    few = count < least
    middle[few], scatter[few] = np.nan, np.nan
    return Opinion(middle, scatter, count)
