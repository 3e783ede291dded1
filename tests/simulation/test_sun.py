"""The simulator's sun and clear sky against published values and a second implementation."""

from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pvlib
import pytest

from tests.simulation.sun import air_mass, clear_sky, sun_at

PLACES = ((51.5, -0.1), (-33.9, 151.2), (46.9, 7.6), (12.4, -1.5), (-41.2, 175.4), (64.1, -21.9))


def seconds(text: str) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()


def seconds_of(when: pd.DatetimeIndex) -> np.ndarray:
    return np.array([at.timestamp() for at in when])


def test_the_example_of_the_solar_position_algorithm():
    """Reda & Andreas, NREL/TP-560-34302, table A5.1: geometric elevation 39.872046, azimuth 194.34024 degrees."""
    sun = sun_at(np.array([seconds("2003-10-17 19:30:30")]), 39.742476, -105.1786)
    assert np.degrees(sun.elevation[0]) == pytest.approx(39.872, abs=0.02)
    assert np.degrees(sun.azimuth[0]) == pytest.approx(194.340, abs=0.02)


@pytest.mark.parametrize(("latitude", "longitude"), PLACES)
def test_a_second_implementation_gives_the_same_sun(latitude: float, longitude: float):
    when = pd.date_range("2026-01-01", "2026-12-31", freq="7h13min", tz="UTC")
    sun = sun_at(seconds_of(when), latitude, longitude)
    theirs = pvlib.solarposition.get_solarposition(when, latitude, longitude, method="nrel_numpy")
    assert np.degrees(sun.elevation) == pytest.approx(theirs["elevation"].to_numpy(), abs=0.02)
    turn = (np.degrees(sun.azimuth) - theirs["azimuth"].to_numpy() + 180) % 360 - 180
    assert np.abs(turn * np.cos(sun.elevation)).max() < 0.02
    extra = pvlib.irradiance.get_extra_radiation(when, solar_constant=1361.0, method="nrel").to_numpy()
    assert sun.extra_w_m2 == pytest.approx(extra, rel=0.002)


@pytest.mark.parametrize(
    ("day", "minutes"), [("2025-02-11", -14.18), ("2025-05-14", 3.67), ("2025-07-26", -6.56), ("2025-11-03", 16.44)]
)
def test_the_equation_of_time(day: str, minutes: float):
    """The sun is in the south of Greenwich at 12:00 less the equation of time (values of the SPA at noon UTC)."""
    at = seconds(f"{day} 12:00:00") - minutes * 60
    sun = sun_at(np.array([at]), 51.5, 0.0)
    assert np.degrees(sun.azimuth[0]) == pytest.approx(180.0, abs=0.05)


def test_air_mass_of_the_published_table():
    """Kasten & Young 1989, table: 1.0 at the zenith, 1.9939 at 30 degrees, 10.3 at 5 degrees of elevation."""
    assert air_mass(np.radians([90.0, 30.0, 5.0])) == pytest.approx([0.9997, 1.9939, 10.306], rel=0.002)


def test_clear_sky_is_near_a_second_model_and_dark_at_night():
    """Haurwitz' global irradiance is for an average sky; a dry and a hazy sky lie up to 15 % beside it."""
    when = pd.date_range("2026-06-20", "2026-06-21", freq="30min", tz="UTC")
    at = seconds_of(when)
    sun = sun_at(at, 45.0, 10.0)
    haurwitz = pvlib.clearsky.haurwitz(pd.Series(90 - np.degrees(sun.elevation), index=when))["ghi"].to_numpy()
    for tau_beam, tau_diffuse in ((0.28, 2.7), (0.36, 2.45), (0.50, 2.15)):
        sky = clear_sky(sun, tau_beam, tau_diffuse)
        ghi = sky.beam * sun.up + sky.diffuse
        assert ghi.sum() == pytest.approx(haurwitz.sum(), rel=0.15)
        assert sky.beam.max() < 1050
        assert ghi[np.degrees(sun.elevation) < -6.5].max(initial=0.0) == 0.0
