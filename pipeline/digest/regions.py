"""Sites that lie near each other share the weather: they alone are compared, and they are told together."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.stats.distance import EARTH_RADIUS_KM

NEAR_KM = 50.0  # ours: the sky of a day is much the same within this distance, not beyond some hundred km
CHORD_KM = 2 * EARTH_RADIUS_KM * np.sin(NEAR_KM / EARTH_RADIUS_KM / 2)  # through the earth, of NEAR_KM on its surface
SHARED = 0.5  # ours: a name's first part is the region's if more than this share of its sites have it

Points = NDArray[np.float64]  # km, [sites, 3]


def regions(sites: pl.DataFrame) -> dict[str, str]:
    """site_id -> the name of its region: what most of its sites' names begin with, else the city of their zone."""
    groups: dict[int, list[int]] = defaultdict(list)
    for place, number in enumerate(_labels(sites)):
        groups[number].append(place)
    names, zones, ids = (sites[name].to_list() for name in ("name", "timezone", "site_id"))
    found: dict[str, str] = {}
    taken: Counter[str] = Counter()
    for places in sorted(groups.values(), key=lambda group: ids[group[0]]):
        name = _shared([str(names[i] or "") for i in places]) or str(zones[places[0]] or "UTC").split("/")[-1]
        name = name.replace("_", " ")
        taken[name] += 1
        label = name if taken[name] == 1 else f"{name} {taken[name]}"
        found |= {ids[i]: label for i in places}
    return found


def _labels(sites: pl.DataFrame) -> list[int]:
    """A number per site, alike where a chain of sites leads from one to the other; all alike without coordinates.

    Sites of one cube, whose diagonal is the distance, are near each other; cubes are joined where any two of their
    sites are. So thousands of sites in one town are not held against each other pair by pair, which for 10,000 takes
    2.4 GB.
    """
    angles = np.radians(sites.select(pl.col("latitude", "longitude").fill_null(0.0)).to_numpy())
    if not len(angles):
        return []
    from scipy.sparse import coo_array  # loads slowly, and not every command makes a digest
    from scipy.sparse.csgraph import connected_components

    north, east = angles[:, 0], angles[:, 1]
    points = EARTH_RADIUS_KM * np.column_stack(
        (np.cos(north) * np.cos(east), np.cos(north) * np.sin(east), np.sin(north))
    )
    cubes, cube = np.unique(np.floor(points / (CHORD_KM / np.sqrt(3))).astype(int), axis=0, return_inverse=True)
    pairs = np.array(list(_near_cubes(points, cubes, cube.ravel())), int).reshape(-1, 2)
    joined = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(cubes), len(cubes)))
    return [int(label) for label in connected_components(joined, directed=False)[1][cube.ravel()]]


def _near_cubes(points: Points, cubes: NDArray[np.int_], cube: NDArray[np.int_]) -> Iterator[tuple[int, int]]:
    """Pairs of cubes of which a site of one lies near a site of the other."""
    from scipy.spatial import KDTree

    order = np.argsort(cube, kind="stable")
    inside = np.split(points[order], np.searchsorted(cube[order], np.arange(1, len(cubes))))
    trees = [KDTree(some) for some in inside]
    for one, other in KDTree(cubes).query_pairs(2.0 * np.sqrt(3) + 0.1):  # two cubes away in each direction
        nearest, _ = trees[one].query(inside[other], distance_upper_bound=CHORD_KM * (1 + 1e-9))
        if np.isfinite(nearest).any():
            yield one, other


def _shared(names: Sequence[str]) -> str:
    first = [name.split(",")[0].strip() for name in names if "," in name]
    if not first:
        return ""
    name, times = Counter(first).most_common(1)[0]
    return name if times > SHARED * len(names) else ""
