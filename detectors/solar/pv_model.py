"""What a plane of modules makes of a clear sky, hour by hour: the model chain of pvlib for a whole fleet at once.

The clear sky of Ineichen and Perez (2002) with the monthly turbidity and the altitude that pvlib carries, the sky of
Hay and Davies, PVWatts on the modules' side and on the inverter's, cell temperature by Faiman, cut at the inverter's
rating. The sun stands where detectors.solar.position puts it, within 0.02 degrees of the SPA algorithm.

pvlib is loaded by the first call: it takes as long as all else together, and most commands judge no day.
"""

from functools import lru_cache
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.solar.position import sun_coordinates
from detectors.stats.robust import Array

ALBEDO = 0.2  # from memory: Liu and Jordan (1963), of ground without snow
PER_HOUR = 2  # ours: two instants per hour carry its mean within 0.5 %, all but the first and last of a day
GAMMA_PER_K = -0.0035  # PVWatts' premium modules (standard ones: -0.0047); ours: most of today's are such
SYSTEM_LOSS = 0.140757  # Dobos, NREL/TP-6A20-62641 (2014): the default losses together
INVERTER_EFFICIENCY = 0.96  # the same place, nominal
LIGHT_WIND_M_S = 1.0  # IEC 61215's nominal conditions; the register knows no wind
CELL_DEG = 1 / 12  # the tables of turbidity and altitude have a value every five minutes of arc
REGION = 135  # cells: the tables are stored in squares of about so many
NO_ALTITUDE = 255  # pvlib.location.lookup_altitude: no data, taken as sea level
LOW_SUN_COS = 0.01745  # pvlib's own guard in haydavies: one degree


class Sky(NamedTuple):
    """A clear sky at instants; every array has the instants' shape."""

    beam: Array  # W/m2 on a plane that faces the sun, the bright ring around the sun included
    diffuse: Array  # W/m2 from the rest of the sky on the horizontal
    ground: Array  # W/m2 that the ground throws back
    east: Array  # the direction to the sun, as a unit vector
    north: Array
    up: Array
    ghi: Array
    dni: Array
    dhi: Array


@lru_cache(maxsize=65536)
def place(latitude: float, longitude: float) -> tuple[float, tuple[float, ...]]:
    """The altitude in m and Linke's turbidity of the twelve months, from the tables that pvlib carries.

    The tables' cells and scales are those of pvlib.location.lookup_altitude and pvlib.clearsky.lookup_linke_turbidity;
    they are read a region at a time, which is some hundred times faster for a fleet than cell by cell.
    """
    row = min(int((90.0 - latitude) / CELL_DEG), 2159)
    column = min(int((longitude + 180.0) / CELL_DEG), 4319)
    level = int(_region("Altitude.h5", "Altitude", row // REGION, column // REGION)[row % REGION, column % REGION])
    months = _region("LinkeTurbidities.h5", "LinkeTurbidity", row // REGION, column // REGION)
    altitude = 0.0 if level == NO_ALTITUDE else level * 28.0 - 450.0
    return altitude, tuple(months[row % REGION, column % REGION] / 20.0)


@lru_cache(maxsize=64)
def _region(file: str, name: str, row: int, column: int) -> NDArray[np.uint8]:
    """A square of one of pvlib's tables."""
    import h5py
    import pvlib

    square = np.s_[row * REGION : (row + 1) * REGION, column * REGION : (column + 1) * REGION]
    with h5py.File(Path(pvlib.__file__).parent / "data" / file, "r") as opened:
        return np.asarray(opened[name][square])


def clear_sky(latitude: Array, longitude: Array, unix_days: Array) -> Sky:
    """The clear sky over each place, [places], at its instants, [places, instants] in days since 1970 UTC."""
    from pvlib import atmosphere, clearsky, irradiance

    cells = zip(_cell(latitude).tolist(), _cell(longitude).tolist(), strict=True)
    sites = [place(*cell) for cell in cells]
    altitude = np.array([site[0] for site in sites])[:, None]
    turbidity = _turbidity(np.array([site[1] for site in sites]), unix_days)
    declination, equation = sun_coordinates(unix_days)
    hour = np.radians((unix_days % 1.0 * 1440 + 4 * longitude[:, None] + equation - 720) / 4)
    lat, dec = np.radians(latitude)[:, None], np.radians(declination)
    up = np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour)
    east = -np.cos(dec) * np.sin(hour)
    north = np.cos(lat) * np.sin(dec) - np.sin(lat) * np.cos(dec) * np.cos(hour)
    height = np.degrees(np.arcsin(np.clip(up, -1, 1)))
    apparent = 90 - height - _refraction_deg(height)
    pressure = atmosphere.alt2pres(altitude)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        mass = atmosphere.get_absolute_airmass(
            atmosphere.get_relative_airmass(np.where(apparent < 90, apparent, np.nan)), pressure
        )
        extra = irradiance.get_extra_radiation(1 + (unix_days.mean(axis=-1, keepdims=True) % 365.2425))
        clear = clearsky.ineichen(apparent, mass, turbidity, altitude, extra)
    is_up = (apparent < 90) & np.isfinite(mass)
    ghi, dni, dhi = (np.where(is_up, clear[name], 0.0) for name in ("ghi", "dni", "dhi"))
    ring = dni / extra  # Hay & Davies: the share of the diffuse light that comes from around the sun
    return Sky(
        dni + dhi * ring / np.maximum(up, LOW_SUN_COS), dhi * (1 - ring), ghi * ALBEDO, east, north, up, ghi, dni, dhi
    )


def _cell(degrees: Array) -> Array:
    """The middle of the tables' cell, so that neighbours look it up once."""
    return np.round((np.floor(degrees / CELL_DEG) + 0.5) * CELL_DEG, 6)


def _turbidity(months: Array, unix_days: Array) -> Array:
    """Between the middles of the months by straight lines, as pvlib does, at each row's mean instant: [places, 1]."""
    place_in_year = (unix_days.mean(axis=-1) % 365.2425) / 365.2425 * 12 - 0.5
    before = np.floor(place_in_year).astype(np.intp)
    rest = place_in_year - before
    row = np.arange(len(months))
    return (months[row, before % 12] * (1 - rest) + months[row, (before + 1) % 12] * rest)[:, None]


def _refraction_deg(height_deg: Array) -> Array:
    """NREL/TP-560-34302 (2008), equation 42, at 1010 mbar and 10 degC; 0 with the sun well down."""
    with np.errstate(invalid="ignore", divide="ignore"):
        bent = 1.02 / (60 * np.tan(np.radians(height_deg + 10.3 / (height_deg + 5.11))))
    return np.where(height_deg > -0.85, bent, 0.0)


def on_plane(sky: Sky, tilt_deg: Array, azimuth_deg: Array) -> Array:
    """W/m2 on planes whose angles broadcast against the sky's arrays (Hay & Davies 1980, as in pvlib.irradiance)."""
    tilt, azimuth = np.radians(tilt_deg), np.radians(azimuth_deg)
    facing = (
        np.sin(tilt) * np.sin(azimuth) * sky.east + np.sin(tilt) * np.cos(azimuth) * sky.north + np.cos(tilt) * sky.up
    )
    view = (1 + np.cos(tilt)) / 2
    plane: Array = np.maximum(facing, 0) * sky.beam + sky.diffuse * view + sky.ground * (1 - view)
    return plane


def per_kwp(plane_w_m2: Array, ambient_c: Array, *, module_c: Array | None = None) -> Array:
    """kW per kWp on the inverter's direct-current side: PVWatts with its default losses and Faiman's temperature."""
    from pvlib import pvsystem, temperature

    cell = (
        temperature.faiman(plane_w_m2, ambient_c, LIGHT_WIND_M_S)
        if module_c is None
        else np.where(np.isfinite(module_c), module_c, temperature.faiman(plane_w_m2, ambient_c, LIGHT_WIND_M_S))
    )
    made: Array = pvsystem.pvwatts_dc(plane_w_m2, cell, 1.0, GAMMA_PER_K) * (1 - SYSTEM_LOSS)
    return np.maximum(made, 0.0)


def to_grid(dc_kw: Array, inverter_kw: Array) -> Array:
    """kW on the alternating side: PVWatts' inverter, cut at its rating; NaN or infinite ratings cut nothing."""
    from pvlib import inverter

    rated = np.where(np.isfinite(inverter_kw), inverter_kw, np.maximum(dc_kw.max(initial=1.0), 1.0) * 1.5)
    with np.errstate(invalid="ignore", divide="ignore"):
        ac = inverter.pvwatts(dc_kw, rated / INVERTER_EFFICIENCY, INVERTER_EFFICIENCY)
    return np.where(np.isfinite(inverter_kw), np.nan_to_num(ac), dc_kw * INVERTER_EFFICIENCY)


def usual_ambient_c(latitude: Array, unix_days: Array) -> Array:
    """A rough daytime temperature by latitude and season, [places, instants], where none is measured.

    Ours: 27 degC to 20 degrees, then 0.45 K less for each degree, and a season of 0.22 K per degree that peaks a month
    after the solstice. Some 5 K off in many a place, which is 2 % of the power.
    """
    lat = np.asarray(latitude, dtype=float)[:, None]
    mean = 27.0 - 0.45 * np.maximum(np.abs(lat) - 20.0, 0.0)
    season = np.cos(2 * np.pi * (np.asarray(unix_days) % 365.2425 - 201) / 365.2425) * np.sign(lat)
    return mean + 0.22 * np.abs(lat) * season


def hour_instants(longitude: Array, days: Array) -> Array:
    """Instants of a local day's UTC hours, [rows, 24 * PER_HOUR], for days since 1970, [rows]; unix days.

    Row by row the hours that surround the place's solar noon of that date, in the order 00 to 23 UTC: the hours of a
    place far east come from the UTC date before.
    """
    step = (np.arange(24 * PER_HOUR) + 0.5) / (24 * PER_HOUR)
    noon = days[:, None] + 0.5 - longitude[:, None] / 360
    start = days[:, None] + step[None, :]
    return start + np.round(noon - start)


def by_hour(values: Array) -> Array:
    """Means of the instants of `hour_instants`, [rows, 24]."""
    return values.reshape(*values.shape[:-1], 24, PER_HOUR).mean(axis=-1)


class Hours(NamedTuple):
    """Clear hours of places and days: a sky of [rows, 24 * PER_HOUR] and the daytime temperature beside it."""

    sky: Sky
    ambient_c: Array  # [rows, 24 * PER_HOUR]


def clear_hours(latitude: Array, longitude: Array, days: Array, ambient_c: Array) -> Hours:
    """The clear sky over each row's place on its day (days since 1970); `ambient_c`, [rows], may hold NaN."""
    instants = hour_instants(longitude, days)
    usual = usual_ambient_c(latitude, days[:, None])
    warm = np.where(np.isfinite(ambient_c)[:, None], ambient_c[:, None], usual)
    return Hours(clear_sky(latitude, longitude, instants), np.broadcast_to(warm, instants.shape))


def roof_kw(hours: Hours, roofs: pl.DataFrame, row: NDArray[np.uint32], rows: int, inverter_kw: Array) -> Array:
    """kW of roofs of one or more planes, [rows, 24].

    `roofs` has kwp, tilt_deg and azimuth_deg; `row` tells whose each plane is.
    """
    place_of = row.astype(np.intp)
    dc = np.zeros((rows, hours.ambient_c.shape[1]))
    part = Sky(*(values[place_of] for values in hours.sky))
    plane = on_plane(part, roofs["tilt_deg"].to_numpy()[:, None], roofs["azimuth_deg"].to_numpy()[:, None])
    made = per_kwp(plane, hours.ambient_c[place_of]) * roofs["kwp"].to_numpy()[:, None]
    np.add.at(dc, place_of, made)
    return by_hour(to_grid(dc, inverter_kw[:, None]))
