"""What a roof lacks that faces away from the sun, and a steep one gains, beside pvlib's own sky and plane models."""

import numpy as np
import pandas as pd
import pvlib
import pytest

from detectors.solar.pv_model import Sky
from detectors.yields import away, roofs


def _of_day(latitude: float, day: str, planes: list[tuple[float, float]]) -> list[float]:
    """By pvlib: Ineichen's clear sky, isotropic plane irradiance; azimuths from towards the equator."""
    times = pd.date_range(day, periods=96, freq="15min", tz="UTC")
    place = pvlib.location.Location(latitude, 0.0)
    sun, sky = place.get_solarposition(times), place.get_clearsky(times)
    toward = 180 if latitude > 0 else 0
    return [
        pvlib.irradiance.get_total_irradiance(
            tilt, (toward + turn) % 360, sun["apparent_zenith"], sun["azimuth"], sky["dni"], sky["ghi"], sky["dhi"]
        )["poa_global"].clip(lower=0).sum()
        for tilt, turn in planes
    ]  # fmt: skip


def _sky(latitude: float, day: str) -> Sky:
    at = (np.datetime64(day) - np.datetime64("1970-01-01")).astype(int) + np.arange(96)[None] / 96
    return Sky(*(values[0] for values in roofs.skies(np.array([float(latitude)]), np.array([0.0]), at)))


@pytest.mark.parametrize(
    ("latitude", "day"),
    [(47, "2026-06-18"), (47, "2026-03-15"), (52, "2026-12-10"), (-34.8, "2025-12-25"), (10, "2026-03-21")],
)
def test_it_goes_with_the_suns_height_as_pvlib_has_it(latitude, day):
    usual, far = _of_day(latitude, day, [(30, 0), (45, 180)])
    assert away.missing_share(_sky(latitude, day), latitude) == pytest.approx(0.8 * (1 - far / usual), abs=0.04)


@pytest.mark.parametrize(("latitude", "day"), [(12, "2026-06-10"), (-15, "2025-12-20")])
def test_between_the_tropics_the_summers_sun_stands_on_the_other_side(latitude, day):
    """There a roof towards the equator is the one that faces away."""
    usual, far, steep = _of_day(latitude, day, [(30, 180), (45, 0), (60, 180)])
    assert far < 0.8 * usual
    assert away.missing_share(_sky(latitude, day), latitude) == pytest.approx(0.8 * (1 - far / usual), abs=0.04)
    assert away.surplus_share(_sky(latitude, day), latitude) < 0.05
    assert steep < usual


@pytest.mark.parametrize(
    ("latitude", "day"), [(52, "2026-12-10"), (52, "2026-02-20"), (47, "2026-04-10"), (-34.8, "2026-06-20")]
)
def test_a_steep_roof_gains_under_a_low_sun_as_pvlib_has_it(latitude, day):
    """Beside usual planes: four tenths towards the equator, the rest turned by up to 90 degrees, or flat.

    pvlib's planes have no glass, which throws back more of what comes in at a flat angle.
    """
    planes = [(30, -90), (30, -45), (30, 0), (30, 45), (30, 90), (5, 0)]
    steep, *each = _of_day(latitude, day, [(60, 0), *planes])
    usual = np.array(each) @ [0.1, 0.15, 0.4, 0.15, 0.1, 0.1]
    assert away.surplus_share(_sky(latitude, day), latitude) == pytest.approx(steep / usual - 1, rel=0.15, abs=0.03)


def test_under_a_high_sun_a_steep_roof_gains_nothing():
    assert away.surplus_share(_sky(47.0, "2026-06-18"), 47.0) == 0.0


def test_without_a_sun_nothing_can_be_said():
    night = Sky(*(np.zeros(96) for _ in Sky._fields))
    assert away.missing_share(night, 70.0) == 1.0
    assert away.surplus_share(night, 70.0) == float("inf")
