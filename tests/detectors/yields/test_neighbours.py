"""Who is near, against distances by the spherical law of cosines."""

import numpy as np
import pytest

from detectors.yields.neighbours import EARTH_RADIUS_KM, nearest
from tests.support import build


def _by_cosines(lat, lon):
    a, b = np.radians(lat), np.radians(lon)
    cosine = np.sin(a)[:, None] * np.sin(a) + np.cos(a)[:, None] * np.cos(a) * np.cos(b[:, None] - b)
    return np.arccos(np.clip(cosine, -1, 1)) * EARTH_RADIUS_KM


def test_the_nearest_are_those_of_another_formula_even_across_the_date_line():
    rng = np.random.default_rng(5)
    lat, lon = -17 + rng.uniform(-0.6, 0.6, 40), (180 + rng.uniform(-0.6, 0.6, 40) + 180) % 360 - 180
    sites = build.sites(*({"site_id": f"s{n:02d}", "latitude": lat[n], "longitude": lon[n]} for n in range(40)))
    near = nearest(sites, max_count=6, within_km=50)
    distance = _by_cosines(lat, lon)
    np.fill_diagonal(distance, np.inf)
    for row in range(40):
        expected = [n for n in np.argsort(distance[row])[:6] if distance[row, n] <= 50]
        assert [n for n in near.place[row] if n >= 0] == expected
        assert near.distance_km[row][: len(expected)] == pytest.approx(distance[row, expected], abs=1e-4)


def test_a_degree_of_latitude_is_beyond_fifty_kilometres():
    sites = build.sites({"site_id": "a", "latitude": 48.0}, {"site_id": "b", "latitude": 48.45}, {"latitude": 49.0})
    assert nearest(sites, max_count=5, within_km=50.1).place.tolist() == [[1, -1], [0, -1], [-1, -1]]


def test_sites_at_one_address_are_neighbours_but_never_their_own():
    sites = build.sites(*({"site_id": f"flat-{n}"} for n in range(6)))
    near = nearest(sites, max_count=3, within_km=1)
    assert near.place.shape == (6, 3)
    for row, places in enumerate(near.place):
        assert row not in places
        assert len(set(places)) == 3


def test_a_lone_site_has_none():
    assert nearest(build.sites(), max_count=3, within_km=50).place.shape == (1, 0)
