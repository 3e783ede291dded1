"""The model chain by the hour against pvlib's own functions, one site and one instant at a time."""

import numpy as np
import pandas as pd
import polars as pl
import pvlib
import pytest

from detectors.solar import pv_model

PLACES = ((47.02, 7.71), (-33.92, 138.71), (52.04, -3.02), (17.54, 76.93))
DAYS = np.array([20500.0, 20560.0, 20620.0, 20680.0])  # 2026-02-16 and on, two months apart


def _hours():
    lat, lon = (np.array(values) for values in zip(*PLACES, strict=True))
    return pv_model.clear_hours(lat, lon, DAYS, np.full(4, 20.0)), pv_model.hour_instants(lon, DAYS)


@pytest.mark.parametrize("n", range(4))
def test_sun_clear_sky_and_plane_are_those_of_pvlib(n):
    """pvlib: SPA, the clear sky of Ineichen and Perez (2002) with its own turbidity and altitude, Hay and Davies."""
    hours, instants = _hours()
    lat, lon = PLACES[n]
    stamps = pd.to_datetime((instants[n] * 86400e9).astype("int64"), utc=True)
    place = pvlib.location.Location(lat, lon, altitude=pvlib.location.lookup_altitude(lat, lon))
    sun, clear = place.get_solarposition(stamps), place.get_clearsky(stamps)
    is_up = (sun["zenith"] < 89).to_numpy()
    zenith = np.degrees(np.arccos(hours.sky.up[n]))
    assert np.abs(zenith - sun["zenith"])[is_up].max() < 0.02
    assert np.abs(hours.sky.ghi[n] - clear["ghi"])[is_up].max() < 2
    assert np.abs(hours.sky.dni[n] - clear["dni"])[is_up].max() < 6
    plane = pvlib.irradiance.get_total_irradiance(
        35, 150, sun["apparent_zenith"], sun["azimuth"], clear["dni"], clear["ghi"], clear["dhi"],
        dni_extra=pvlib.irradiance.get_extra_radiation(stamps), model="haydavies", albedo=0.2,
    )["poa_global"]  # fmt: skip
    mine = pv_model.on_plane(hours.sky, np.array(35.0), np.array(150.0))[n]
    assert np.abs(mine - plane)[is_up].max() < 3


def test_the_hours_of_a_place_far_east_surround_its_own_noon():
    _, instants = _hours()
    for (_, lon), row, day in zip(PLACES, instants, DAYS, strict=True):
        assert np.abs(row - (day + 0.5 - lon / 360)).max() <= 0.5
        assert np.round((row % 1) * 48 - 0.5).astype(int).tolist() == list(range(48))


def test_pvwatts_by_its_manual():
    """Dobos, NREL/TP-6A20-62641: dc at 1000 W/m2 and 25 degC is the rating; losses 14.08 %; the inverter's 96 %."""
    # Faiman at 1 m/s: cell = ambient + 1000 / (25 + 6.84) = ambient + 31.407, so that ambient -6.407 gives 25 degC.
    made = pv_model.per_kwp(np.array([1000.0]), np.array([25 - 1000 / 31.84]))
    assert made[0] == pytest.approx(1 - 0.140757, rel=1e-9)
    hot = pv_model.per_kwp(np.array([1000.0]), np.array([0.0]), module_c=np.array([65.0]))
    assert hot[0] == pytest.approx((1 - 0.140757) * (1 - 0.0035 * 40))
    # The manual's table at 2, 10, 20, 50, 75, 100, 105 of 100 W direct current (REFERENCES' inverter row), rating 96.
    dc = np.array([2, 10, 20, 50, 75, 100, 105]) / 1000
    ac = pv_model.to_grid(dc[:, None], np.full((7, 1), 0.096))[:, 0] * 1000
    assert ac == pytest.approx([1.3757, 9.2163, 18.9880, 48.1096, 72.1557, 96, 96], abs=1e-3)
    assert pv_model.to_grid(dc, np.full(7, np.nan)) == pytest.approx(dc * 0.96)


def test_two_planes_share_one_inverter():
    hours, _ = _hours()
    one = pl.DataFrame({"kwp": [10.0], "tilt_deg": [20.0], "azimuth_deg": [90.0]})
    other = one.with_columns(azimuth_deg=pl.lit(270.0))
    both = pl.concat([one, other])
    rated = np.full(4, np.nan)
    place = np.array([2], dtype=np.uint32)
    alone = [pv_model.roof_kw(hours, roof, place, 4, rated) for roof in (one, other)]
    together = pv_model.roof_kw(hours, both, np.array([2, 2], dtype=np.uint32), 4, rated)
    assert together == pytest.approx(alone[0] + alone[1])
    cut = pv_model.roof_kw(hours, both, np.array([2, 2], dtype=np.uint32), 4, np.full(4, 6.0))
    assert cut.max() == pytest.approx(6.0)
    assert together.max() > 6.0
    assert (cut[[0, 1, 3]] == 0).all()


def test_the_usual_warmth_follows_latitude_and_season():
    july, january = 20650.0, 20470.0  # 2026-07-16 and 2026-01-17
    warm = pv_model.usual_ambient_c(np.array([48.0, -34.0, 2.0]), np.array([[july], [july], [july]]))[:, 0]
    cold = pv_model.usual_ambient_c(np.array([48.0, -34.0, 2.0]), np.array([[january], [january], [january]]))[:, 0]
    assert warm[0] > cold[0] + 15
    assert warm[1] < cold[1] - 10
    assert abs(warm[2] - cold[2]) < 2
