"""The closed-form day against pvlib's own functions, step by step, and published tables."""

from datetime import date

import numpy as np
import pandas as pd
import pvlib
import pytest

from detectors.solar import clear_day

PLACES = [(48.1, 11.6), (59.3, 18.1), (-33.9, 151.2), (4.0, 100.0)]


def test_haurwitz_as_published():
    # Haurwitz 1946, rounded: zenith 0, 10, 30, 60, 80 degrees
    cosines = np.cos(np.radians([0, 10, 30, 60, 80]))
    assert clear_day.haurwitz_w_m2(cosines) == pytest.approx([1035, 1018, 888, 487, 135], abs=1)
    assert clear_day.haurwitz_w_m2([0.0, -0.5]).tolist() == [0.0, 0.0]


@pytest.mark.parametrize(("latitude", "longitude"), PLACES)
@pytest.mark.parametrize("day", ["2025-01-15", "2025-03-21", "2025-06-21", "2025-10-10"])
@pytest.mark.parametrize(("tilt", "azimuth"), [(0, 180), (35, 180), (30, 90), (45, 270), (25, 0)])
def test_a_days_energy_is_that_of_pvlib_at_five_minutes(latitude, longitude, day, tilt, azimuth):
    stamps = pd.date_range(day, periods=288, freq="5min", tz="UTC") - pd.Timedelta(hours=longitude / 15)
    sun = pvlib.solarposition.get_solarposition(stamps, latitude, longitude)
    ghi = pvlib.clearsky.haurwitz(sun["zenith"])["ghi"]
    split = pvlib.irradiance.erbs(ghi, sun["zenith"], stamps)
    beam = (ghi - split["dhi"]) / np.maximum(np.cos(np.radians(sun["zenith"])), 0.065)
    facing = np.maximum(pvlib.irradiance.aoi_projection(tilt, azimuth, sun["zenith"], sun["azimuth"]), 0)
    ratio = (beam * facing).sum() / (ghi - split["dhi"]).sum()
    made = clear_day.clear_day(
        np.array([latitude]), np.array([float(tilt)]), np.array([float(azimuth)]), [date.fromisoformat(day)]
    )
    assert made.ghi_kwh_m2[0, 0] == pytest.approx(ghi.sum() / 12000, rel=0.01)
    assert made.beam_ratio[0, 0] == pytest.approx(ratio, rel=0.015, abs=0.005)


def test_east_and_west_make_the_same_of_a_day_and_flat_makes_of_it_what_falls():
    dates = [date(2025, 2, 9), date(2025, 7, 19)]
    east, west, flat = (
        clear_day.clear_day(np.array([50.0]), np.array([tilt]), np.array([azimuth]), dates)
        for tilt, azimuth in ((35.0, 90.0), (35.0, 270.0), (0.0, 10.0))
    )
    assert east.beam_ratio == pytest.approx(west.beam_ratio)
    assert flat.beam_ratio == pytest.approx(np.ones((1, 2)), abs=0.005)


def test_diffuse_share_falls_with_clearness_and_has_no_jump():
    clearness = np.linspace(0, 0.8, 200)
    for sunset in (1.2, 1.6):
        share = clear_day.diffuse_ratio(clearness, np.array(sunset))
        assert share[0] == pytest.approx(1.0)
        assert 0.14 <= share[-1] <= 0.18
        assert np.diff(share).min() > -0.025
        assert np.diff(share).max() < 0.006


def test_daylight_of_the_solstice_and_of_the_poles():
    # Sun's centre, no refraction: 2 / 15 x acos(-tan(50) x tan(23.45)) = 16.2 h
    assert clear_day.daylight_h(np.array([50.0, 80.0, -80.0]), date(2025, 6, 21)) == pytest.approx(
        [16.15, 24, 0], abs=0.06
    )
