"""The closed form of the sun against the worked example of NREL's report and two libraries.

Reda & Andreas, "Solar Position Algorithm for Solar Radiation Applications", NREL/TP-560-34302 (rev. January 2008),
table A5.1: 2003-10-17 12:30:30 UTC-7, 39.742476 N, 105.1786 W. The Astronomical Almanac gives its low-precision
coordinates as good to 0.01 degrees, which is 0.04 min of transit and some 0.1 min of rise at middle latitudes.
"""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pvlib
import pytest
from astral import Observer
from astral.sun import noon as astral_noon
from astral.sun import sunrise as astral_sunrise
from astral.sun import sunset as astral_sunset

from detectors.solar.position import daylight_h, elevation_deg, sun_coordinates, sun_times

GOLDEN = (39.742476, -105.1786)
PLACES = [(51.5074, -0.1278), (38.7223, -9.1393), (-33.8688, 151.2093), (64.1, -21.9), (1.35, 103.8), (-17.5, -149.6)]


def unix_day(day: date) -> float:
    return float((day - date(1970, 1, 1)).days)


def minutes(hours: int, minute: int, seconds: float) -> float:
    return hours * 60 + minute + seconds / 60


def test_the_worked_example_of_the_nrel_report() -> None:
    day = unix_day(date(2003, 10, 17))
    instant = day + minutes(19, 30, 30) / 1440
    declination, equation = sun_coordinates(instant)
    assert declination == pytest.approx(-9.31434, abs=0.01)
    assert equation == pytest.approx(14.641503, abs=0.04)
    assert 90 - elevation_deg(*GOLDEN, instant) == pytest.approx(50.127954, abs=0.01)  # geometric zenith
    rise, transit, _ = sun_times(*GOLDEN, day)
    assert transit == pytest.approx(minutes(18, 46, 4.97), abs=0.05)
    assert rise == pytest.approx(minutes(13, 12, 43.46), abs=0.1)
    # The report's sunset, 00:20:19.19 UT, is that of the UTC date: the evening of the 16th in Colorado.
    assert sun_times(*GOLDEN, day - 1)[2] - 1440 == pytest.approx(minutes(0, 20, 19.19), abs=0.1)


@pytest.mark.parametrize(("day", "expected"), [("02-11", -14.18), ("05-14", 3.67), ("07-26", -6.56), ("11-03", 16.44)])
def test_the_extremes_of_the_equation_of_time(day: str, expected: float) -> None:
    """SPA at 12:00 UTC of 2025."""
    assert sun_coordinates(unix_day(date.fromisoformat(f"2025-{day}")) + 0.5)[1] == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize("day", ["2024-02-28", "2025-03-20", "2025-12-31", "2026-11-03"])
def test_an_instant_s_sun_does_not_hang_on_the_others_asked_for(day: str) -> None:
    """To the last digit, or a history would differ by how many sites were summed up together."""
    begin = unix_day(date.fromisoformat(day)) - 0.021
    instants = np.random.default_rng(3).permutation(begin + np.arange(864) / 576)
    together = np.array(sun_coordinates(instants))
    assert (together == np.array([sun_coordinates(one) for one in instants]).T).all()
    among_years = np.append(instants, begin + 1000.3 * np.arange(10))
    assert (together == np.array(sun_coordinates(among_years))[:, :864]).all()


@pytest.mark.parametrize("place", PLACES)
def test_rise_transit_and_set_against_pvlib_through_a_year(place: tuple[float, float]) -> None:
    days = [date(2025, 1, 1) + timedelta(days=i) for i in range(0, 365, 31)]
    rise, noon, fall = sun_times(*place, np.array([unix_day(day) for day in days]))
    for i, day in enumerate(days):
        for ours, name in ((rise[i], "sunrise"), (noon[i], "transit"), (fall[i], "sunset")):
            if np.isnan(ours):
                continue
            instant = datetime(day.year, day.month, day.day, tzinfo=UTC) + timedelta(minutes=float(ours))
            spa = pvlib.solarposition.sun_rise_set_transit_spa(pd.DatetimeIndex([instant]), *place)[name].iloc[0]
            gap = (spa - instant).total_seconds() / 60
            gap = (gap + 720) % 1440 - 720  # SPA speaks of the events of the UTC date, ours belong to one transit
            assert abs(gap) < 3.0 if abs(place[0]) > 60 else abs(gap) < 2.6
            if instant.date() == day:
                assert abs(gap) < (0.5 if abs(place[0]) < 60 else 1.0)


@pytest.mark.parametrize("place", PLACES[:3])
@pytest.mark.parametrize("day", [date(2025, 3, 20), date(2025, 6, 21), date(2025, 12, 21)])
def test_a_second_library_agrees(place: tuple[float, float], day: date) -> None:
    """astral (Meeus's formulas, its own rounding): within a minute."""
    observer = Observer(*place)
    rise, noon, fall = sun_times(*place, unix_day(day))
    start = datetime(day.year, day.month, day.day, tzinfo=UTC)
    for ours, theirs in ((rise, astral_sunrise), (noon, astral_noon), (fall, astral_sunset)):
        instant = start + timedelta(minutes=float(ours))
        assert abs((theirs(observer, instant.date(), tzinfo=UTC) - instant).total_seconds()) < 60


def test_polar_day_and_night_have_no_rise() -> None:
    rise, noon, fall = sun_times(69.6, 18.9, np.array([unix_day(date(2025, 6, 21)), unix_day(date(2025, 12, 21))]))
    assert np.isnan(rise).all() and np.isnan(fall).all() and np.isfinite(noon).all()


def test_a_table_of_sites_and_days_equals_its_cells() -> None:
    latitudes, longitudes = np.array([[47.0], [-33.0]]), np.array([[8.0], [151.0]])
    days = np.array([[20000.0, 20100.0, 20200.0]])
    table = sun_times(latitudes, longitudes, days)
    for i in range(2):
        for j in range(3):
            cell = sun_times(latitudes[i, 0], longitudes[i, 0], days[0, j])
            assert [part[i, j] for part in table] == pytest.approx([float(part) for part in cell])


def test_daylight_of_the_solstice_and_of_the_poles():
    # Sun's centre, no refraction: 2 / 15 x acos(-tan(50) x tan(23.45)) = 16.2 h
    assert daylight_h(np.array([50.0, 80.0, -80.0]), date(2025, 6, 21)) == pytest.approx([16.15, 24, 0], abs=0.06)
