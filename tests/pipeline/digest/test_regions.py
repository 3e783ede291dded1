"""Regions are chains of sites that lie near each other, found without holding every site against every other."""

import numpy as np
import polars as pl
import pytest
from scipy.sparse.csgraph import connected_components

from detectors.stats.distance import EARTH_RADIUS_KM
from pipeline.digest.regions import NEAR_KM, regions


def frame(places: np.ndarray, zone: str = "Europe/Berlin") -> pl.DataFrame:
    """Sites at [latitude, longitude]."""
    return pl.DataFrame(
        {"site_id": [f"S{n:04}" for n in range(len(places))], "latitude": places[:, 0], "longitude": places[:, 1]}
    ).with_columns(name=pl.lit(None, pl.String), timezone=pl.lit(zone))


def groups(labels: list[str] | np.ndarray) -> set[frozenset[int]]:
    return {frozenset(n for n, one in enumerate(labels) if one == label) for label in set(labels)}


@pytest.mark.parametrize("middle", [(50.0, 9.0), (-33.0, 179.9), (69.0, 20.0), (0.0, 0.0)])
def test_they_are_those_of_all_distances(middle: tuple[float, float]) -> None:
    """Against the great-circle distances of all pairs (haversine), some 250 km around places in all quarters."""
    draw = np.random.default_rng(7)
    places = np.array(middle) + draw.uniform(-2.5, 2.5, (90, 2)) * [1, 1 / np.cos(np.radians(middle[0]))]
    north, east = np.radians(places).T
    half = np.sin((north[:, None] - north) / 2) ** 2 + (
        np.cos(north[:, None]) * np.cos(north) * np.sin((east[:, None] - east) / 2) ** 2
    )
    near = 2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(half)) <= NEAR_KM
    wanted = groups(connected_components(near)[1])
    assert 1 < len(wanted) < 90
    sites = frame(places)
    found = regions(sites)
    assert groups([found[site_id] for site_id in sites["site_id"]]) == wanted


def test_a_distance_decides_to_the_metre() -> None:
    degrees = np.degrees(NEAR_KM / EARTH_RADIUS_KM)
    for share, count in ((0.9999, 1), (1.0001, 2)):
        assert len(set(regions(frame(np.array([[0.0, 10.0], [degrees * share, 10.0]]))).values())) == count
