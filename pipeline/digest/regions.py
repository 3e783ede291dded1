"""Sites that lie near each other share the weather: they alone are compared, and they are told together."""

from collections import Counter, defaultdict
from collections.abc import Sequence

import numpy as np
import polars as pl

NEAR_KM = 50.0  # ours: the sky of a day is much the same within this distance, not beyond some hundred km
EARTH_KM = 6371.0
SHARED = 0.5  # ours: a name's first part is the region's if more than this share of its sites have it


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
    """A number per site, alike where a chain of sites leads from one to the other; all alike without coordinates."""
    known = sites.select(pl.col("latitude", "longitude").fill_null(0.0)).to_numpy()
    if not len(known):
        return []
    from sklearn.cluster import DBSCAN  # loads slowly, and not every command makes a digest

    near = DBSCAN(eps=NEAR_KM / EARTH_KM, min_samples=1, metric="haversine", algorithm="ball_tree")
    return [int(label) for label in near.fit(np.radians(known)).labels_]


def _shared(names: Sequence[str]) -> str:
    first = [name.split(",")[0].strip() for name in names if "," in name]
    if not first:
        return ""
    name, times = Counter(first).most_common(1)[0]
    return name if times > SHARED * len(names) else ""
