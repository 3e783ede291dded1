"""What a roof lacks of which most modules face away from the sun, beside pvlib's own sky and plane models."""

import numpy as np
import pandas as pd
import pvlib
import pytest

from detectors.solar.pv_model import Sky
from detectors.yields import away, roofs


def _lacks(latitude: float, day: str) -> float:
    """By pvlib: Ineichen's clear sky, isotropic plane irradiance, parts by hand."""
    times = pd.date_range(day, periods=96, freq="15min", tz="UTC")
    place = pvlib.location.Location(latitude, 0.0)
    sun, sky = place.get_solarposition(times), place.get_clearsky(times)
    toward = 180 if latitude > 0 else 0
    usual, far = (
        pvlib.irradiance.get_total_irradiance(
            tilt, azimuth, sun["apparent_zenith"], sun["azimuth"], sky["dni"], sky["ghi"], sky["dhi"]
        )["poa_global"].clip(lower=0).sum()
        for tilt, azimuth in ((30, toward), (45, (toward + 180) % 360))
    )  # fmt: skip
    return 0.8 * (1 - far / usual)


@pytest.mark.parametrize(
    ("latitude", "day"),
    [(47, "2026-06-18"), (47, "2026-03-15"), (52, "2026-12-10"), (-34.8, "2025-12-25"), (10, "2026-03-21")],
)
def test_it_goes_with_the_suns_height_as_pvlib_has_it(latitude, day):
    at = (np.datetime64(day) - np.datetime64("1970-01-01")).astype(int) + np.arange(96)[None] / 96
    sky = roofs.skies(np.array([float(latitude)]), np.array([0.0]), at)
    told = away.missing_share(Sky(*(values[0] for values in sky)), latitude)
    assert told == pytest.approx(_lacks(latitude, day), abs=0.04)


def test_without_a_sun_nothing_can_be_said():
    night = Sky(*(np.zeros(96) for _ in Sky._fields))
    assert away.missing_share(night, 70.0) == 1.0
