"""The clear-sky series of planes against pvlib's own transposition (isotropic sky) and incidence angle modifier."""

import numpy as np
import pandas as pd
import pytest
from pvlib import iam, irradiance

from detectors.solar import plane_response
from detectors.solar.plane_response import Answer
from detectors.solar.pv_model import clear_sky

LATITUDE, LONGITUDE = np.array([47.0]), np.array([8.0])
INSTANTS = np.arange(96)[None, :] / 96 + 20_250.0  # 2025-06-11


def _sky():
    return clear_sky(LATITUDE, LONGITUDE, INSTANTS)


@pytest.mark.parametrize(("tilt", "azimuth"), [(0.0, 180.0), (30.0, 180.0), (35.0, 95.0), (60.0, 250.0)])
def test_a_clear_sky_on_a_plane_is_what_pvlib_makes_of_it(tilt, azimuth):
    sky = _sky()
    got = plane_response.irradiance_w_m2(
        plane_response.answer(sky, np.array([[tilt]]), np.array([[azimuth]])), np.ones((1, 96))
    )[0]
    up = sky.up[0] > 0.1
    zenith = np.degrees(np.arccos(np.clip(sky.up[0], -1, 1)))
    sun_azimuth = np.degrees(np.arctan2(sky.east[0], sky.north[0])) % 360
    aoi = irradiance.aoi(tilt, azimuth, zenith, sun_azimuth)
    beam = sky.dni[0] * np.cos(np.radians(aoi)).clip(0) * np.nan_to_num(iam.physical(np.minimum(aoi, 89.9)))
    dhi = sky.ghi[0] - sky.dni[0] * sky.up[0]
    dome = irradiance.isotropic(tilt, dhi) * plane_response.DIFFUSE_MODIFIER
    ground = irradiance.get_ground_diffuse(tilt, sky.ghi[0], albedo=0.2)
    assert got[up] == pytest.approx((beam + dome + ground)[up], abs=2.0)


def test_power_turns_back_into_the_clearness_that_made_it():
    sky = _sky()
    roof = plane_response.answer(sky, np.array([[30.0]]), np.array([[150.0]]))
    rng = np.random.default_rng(1)
    clearness = rng.uniform(0.05, 1.2, (1, 96))
    power = plane_response.possible_w(roof, clearness, np.array(20.0), np.array(8.0), np.array(np.inf))
    plane = plane_response.plane_from_power(power, np.array(20.0), np.array(8.0))
    told, answers = plane_response.clearness_from(roof, plane)
    assert answers.sum() > 40
    assert told[answers] == pytest.approx(clearness[answers], abs=0.005)


def test_a_plane_that_does_not_answer_to_the_sky_says_nothing():
    """A plane whose beam part eats up what the clearing sky adds: dull and clear give alike."""
    roof = Answer(np.array([[-160.0]]), np.array([[220.0]]))
    _, answers = plane_response.clearness_from(roof, np.array([[60.0]]))
    assert not answers.any()


def test_power_is_cut_at_the_ceiling_and_falls_with_warmth():
    roof = Answer(np.array([[500.0]]), np.array([[400.0]]))
    cold, warm = (
        plane_response.possible_w(roof, np.ones((1, 1)), np.array(c), np.array(10.0), np.array(np.inf))[0, 0]
        for c in (5.0, 35.0)
    )
    assert warm / cold == pytest.approx(1 - 0.0038 * 30, abs=0.02)
    assert plane_response.possible_w(roof, np.ones((1, 1)), np.array(5.0), np.array(10.0), np.array(6000.0)) == 6000.0


def test_the_basis_planes_face_the_equator_on_both_sides_of_it():
    tilt, azimuth = plane_response.basis_planes(np.array([47.0, -33.0]))
    assert tilt.shape == azimuth.shape == (2, 7)
    assert azimuth[0, 2] == 180 and azimuth[1, 2] == 0
    assert azimuth[0, 0] == 90 and azimuth[1, 0] == 270


def test_tables_of_altitude_and_turbidity_read_by_region_are_pvlibs_own():
    from pvlib import clearsky, location

    from detectors.solar import pv_model

    months = pd.DatetimeIndex([f"2001-{month:02d}-15" for month in range(1, 13)])
    for latitude, longitude in ((46.8, 9.9), (-33.5, -70.7), (0.04, 0.04), (64.1, -21.9), (-41.3, 174.8)):
        cell = [float(pv_model._cell(np.array(one))) for one in (latitude, longitude)]
        altitude, turbidity = pv_model.place(*cell)
        assert altitude == location.lookup_altitude(*cell)
        assert turbidity == pytest.approx(
            clearsky.lookup_linke_turbidity(months, *cell, interp_turbidity=False).to_numpy()
        )
