"""Distances between places."""

import numpy as np
import polars as pl
import pytest

from detectors.stats.distance import EARTH_RADIUS_KM, great_circle_km
from detectors.yields.neighbours import nearest


def test_from_the_equator_to_a_pole_is_a_quarter_of_the_circle() -> None:
    """IUGG mean radius 6371.0088 km: 10,007.557 km."""
    there = great_circle_km(0.0, 30.0, [90.0, -90.0, 0.0, 0.0], [0.0, 0.0, 120.0, 30.0])
    assert there == pytest.approx([10_007.557, 10_007.557, 10_007.557, 0.0], abs=1e-3)


def test_near_places_lie_as_far_as_the_chord_says_across_the_date_line_too() -> None:
    """Held against the chord in space, by which `nearest` works."""
    rng = np.random.default_rng(4)
    latitude, longitude = rng.uniform(-18, -17, 30), (rng.uniform(179.5, 180.5, 30) + 180) % 360 - 180
    sites = pl.DataFrame({"latitude": latitude, "longitude": longitude})
    near = nearest(sites, max_count=29, within_km=0.1 * EARTH_RADIUS_KM)
    for n in range(30):
        far = great_circle_km(latitude[n], longitude[n], latitude[near.place[n]], longitude[near.place[n]])
        assert far == pytest.approx(near.distance_km[n], abs=1e-4)
