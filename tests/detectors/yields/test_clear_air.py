"""A clean day over roofs that look elsewhere than their neighbours, by pvlib's clear sky and Perez' transposition."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pvlib import atmosphere, clearsky, iam, irradiance, solarposition
from pvlib.location import Location

from detectors.solar import plane_response
from detectors.solar.plane_response import Answer
from detectors.solar.pv_model import Sky
from detectors.yields import clear_air

PLANES = ((30.0, 180.0), (30.0, 180.0), (35.0, 170.0), (30.0, 0.0), (40.0, 330.0), (30.0, 90.0))  # tilt, azimuth
SOUTH, NORTH, EAST = 0, 3, 5
NEAR = np.array([[m for m in (0, 1, 2) if m != n] + [-1] * (n < 3) for n in range(len(PLANES))])
USUAL_TURBIDITY = 4.0  # Linke's, of the month


def _day(turbidity: float) -> tuple[Answer, np.ndarray, np.ndarray]:
    """The roofs' answers to the usual clear sky, the clearness that a south roof tells, and each roof's true light."""
    at = pd.date_range("2026-10-05 05:00", "2026-10-05 18:00", freq="15min", tz="UTC")
    sun = solarposition.get_solarposition(at, 48.0, 11.0)
    sun = sun[sun.apparent_elevation > 5]
    zenith, azimuth = sun.apparent_zenith.to_numpy(), sun.azimuth.to_numpy()
    airmass = atmosphere.get_relative_airmass(zenith)
    extra = irradiance.get_extra_radiation(sun.index).to_numpy()
    usual, true = (
        clearsky.ineichen(zenith, atmosphere.get_absolute_airmass(airmass), one, 500, dni_extra=extra)
        for one in (USUAL_TURBIDITY, turbidity)
    )
    height, turn = np.radians(90 - zenith), np.radians(azimuth)
    east, north, up = np.cos(height) * np.sin(turn), np.cos(height) * np.cos(turn), np.sin(height)
    rows = {"east": east, "north": north, "up": up, "dni": usual["dni"], "ghi": usual["ghi"]}
    sky = Sky(*(rows.get(name, usual["dhi"])[None] for name in Sky._fields))
    tilts, turns = (np.array([one[k] for one in PLANES])[:, None] for k in (0, 1))
    answer = plane_response.answer(sky, tilts, turns)
    light = []
    for tilt, facing in PLANES:
        told = irradiance.get_total_irradiance(
            tilt, facing, zenith, azimuth, true["dni"], true["ghi"], true["dhi"],
            dni_extra=extra, airmass=airmass, model="perez", albedo=0.2,
        )  # fmt: skip
        glass = np.nan_to_num(iam.physical(irradiance.aoi(tilt, facing, zenith, azimuth)))
        light.append(told["poa_direct"] * glass + told["poa_diffuse"] * plane_response.DIFFUSE_MODIFIER)
    light = np.stack(light)
    clearness, _ = plane_response.clearness_from(Answer(*(one[SOUTH] for one in answer)), light[SOUTH])
    return answer, np.broadcast_to(clearness, light.shape), light


@pytest.mark.parametrize("turbidity", [2.2, 3.0])
def test_clean_air_leaves_open_what_a_roof_away_from_the_sun_gets(turbidity):
    answer, sky, light = _day(turbidity)
    expected = plane_response.irradiance_w_m2(answer, sky)
    change = clear_air.log_change(answer, sky, expected, np.ones(sky.shape), NEAR)
    off = np.log(light.sum(axis=1) / expected.sum(axis=1))
    assert off[NORTH] < -0.4 and change[NORTH] < -0.25  # half of it or more is not there
    assert (np.abs(off) < 3 * np.hypot(change, 0.05)).all()
    assert abs(change[SOUTH]) < 0.01  # it looks as its neighbours do
    assert abs(change[EAST]) < 0.2


def test_under_the_usual_sky_and_beside_none_nothing_is_left_open():
    answer, _, light = _day(USUAL_TURBIDITY)
    for clearness in (0.3, 1.0):
        sky = np.full(light.shape, clearness)
        assert (clear_air.log_change(answer, sky, light, np.ones(sky.shape), NEAR) == 0).all()
    alone = np.full((len(PLANES), 1), -1)
    sky = np.full(light.shape, 1.2)
    assert (clear_air.log_change(answer, sky, light, np.ones(sky.shape), alone) == 0).all()
    assert (clear_air.log_change(answer, np.full(sky.shape, np.nan), light, np.ones(sky.shape), NEAR) == 0).all()


def test_what_is_brighter_than_clear_is_beam_under_a_steady_sky_and_diffuse_under_a_changing_one():
    """Five days of February 2019 and four of January 2022 at Golden, every five minutes (pvanalytics' data)."""
    pvanalytics = pytest.importorskip("pvanalytics")
    folder = Path(pvanalytics.__file__).parent / "data"
    names = {
        "irradiance_RMIS_NREL.csv": ("irradiance_dni__7982", "irradiance_dhi__7983", "irradiance_ghi__7981"),
        "rmis_weather_data.csv": ("Direct Normal", "Diffuse Horizontal", "Global Horizontal"),
    }
    parts = []
    for file, columns in names.items():
        rows = pd.read_csv(folder / file, index_col=0)
        rows.index = pd.to_datetime(rows.index).tz_localize("Etc/GMT+7")
        parts.append(rows[list(columns)].set_axis(["dni", "dhi", "ghi"], axis=1))
    told = pd.concat(parts).dropna()
    place = Location(39.742, -105.178, "Etc/GMT+7", 1829)
    told = told[place.get_solarposition(told.index)["apparent_elevation"] > 8]
    clear = place.get_clearsky(told.index)
    clearness, beam, diffuse = told["ghi"] / clear["ghi"], told["dni"] / clear["dni"], told["dhi"] / clear["ghi"]
    is_steady = clearness.rolling(5, center=True).std() < 0.02
    is_brighter = clearness.between(1.1, 1.15)
    assert (is_steady & is_brighter).sum() > 10 and (~is_steady & is_brighter).sum() > 20
    assert 1.05 < beam[is_steady & is_brighter].median() < 1.15
    assert beam[~is_steady & is_brighter].median() < 1.02
    assert diffuse[~is_steady & is_brighter].median() > 1.7 * diffuse[is_steady & is_brighter].median()
