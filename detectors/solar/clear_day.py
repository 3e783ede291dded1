"""What a plane of modules would receive under a clear sky and under a greyer one, as energies of a whole day.

Works in solar time, where only latitude and declination matter: so a whole fleet is one array computation.
"""

from collections.abc import Sequence
from datetime import date
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from pvlib import irradiance, solarposition

from detectors.solar.position import sun_coordinates
from detectors.stats.robust import Array

STEPS_PER_DAY = 48  # ours: half hours; a day's energy is within 0.5 % of that at 5 min
STEP_H = 24 / STEPS_PER_DAY
HOUR_ANGLE_RAD = ((np.arange(STEPS_PER_DAY) + 0.5) / STEPS_PER_DAY - 0.5) * 2 * np.pi
ALBEDO = 0.2  # customary value for ordinary ground (pvlib's default is 0.25, older handbooks say 0.2)
MIN_COS_ZENITH = 0.065  # pvlib's own guard in clearness_index: 3.7 degrees of height
WINTER_HOUR_ANGLE_RAD = np.radians(81.4)  # Erbs, Klein & Duffie 1982: the daily fit has two seasons


class ClearDay(NamedTuple):
    """A clear day's sums, each [planes, days], and its course, [planes, days, STEPS_PER_DAY]."""

    ghi_kwh_m2: Array  # on the horizontal
    clearness_ratio: Array  # the same over what reaches the top of the atmosphere
    sunset_rad: Array  # hour angle of sunset, 0 to pi
    beam_ratio: Array  # direct energy on the plane over direct energy on the horizontal
    plane_w_m2: Array


def haurwitz_w_m2(cos_zenith: ArrayLike) -> Array:
    """Clear-sky irradiance on the horizontal (Haurwitz 1946, as in pvlib.clearsky.haurwitz); 0 with the sun down."""
    cosine = np.maximum(np.asarray(cos_zenith, dtype=float), 1e-6)
    return np.where(np.asarray(cos_zenith) > 0, 1098.0 * cosine * np.exp(-0.059 / cosine), 0.0)


def clear_day(latitude_deg: Array, tilt_deg: Array, azimuth_deg: Array, dates: Sequence[date]) -> ClearDay:
    """The clear day of every plane (three arrays of one length) on each of the dates."""
    latitude = np.radians(latitude_deg)[:, None, None]
    declination = declination_rad(dates)[None, :, None]
    day_of_year = np.array([day.timetuple().tm_yday for day in dates])
    hour_angle = HOUR_ANGLE_RAD[None, None, :]
    zenith = solarposition.solar_zenith_analytical(latitude, hour_angle, declination)
    azimuth = solarposition.solar_azimuth_analytical(latitude, hour_angle, declination, zenith)
    cos_zenith = np.cos(zenith)
    ghi = haurwitz_w_m2(cos_zenith)
    diffuse = irradiance.erbs(ghi, np.degrees(zenith), day_of_year[None, :, None])["dhi"]
    beam = ghi - diffuse
    facing = irradiance.aoi_projection(
        tilt_deg[:, None, None], azimuth_deg[:, None, None], np.degrees(zenith), np.degrees(azimuth)
    )
    beam_on_plane = beam * np.maximum(facing, 0.0) / np.maximum(cos_zenith, MIN_COS_ZENITH)
    above = irradiance.get_extra_radiation(day_of_year)[None, :, None] * np.maximum(cos_zenith, 0.0)
    sky, ground = views(tilt_deg)
    plane = beam_on_plane + diffuse * sky[:, None, None] + ghi * ALBEDO * ground[:, None, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        clearness = ghi.sum(axis=-1) / above.sum(axis=-1)
        ratio = beam_on_plane.sum(axis=-1) / beam.sum(axis=-1)
    sunset = np.arccos(np.clip(-np.tan(latitude) * np.tan(declination), -1.0, 1.0))[:, :, 0]
    return ClearDay(ghi.sum(axis=-1) * STEP_H / 1000, clearness, sunset, ratio, plane)


def views(tilt_deg: Array) -> tuple[Array, Array]:
    """How much of the sky's and of the ground's half sphere a plane sees, 0 to 1 each (Liu & Jordan 1963)."""
    cosine = np.cos(np.radians(tilt_deg))
    return (1 + cosine) / 2, (1 - cosine) / 2


def diffuse_ratio(clearness_ratio: Array, sunset_rad: Array) -> Array:
    """The diffuse share of a day's energy on the horizontal (Erbs, Klein & Duffie 1982, daily; from memory)."""
    kt = np.clip(clearness_ratio, 0.0, 1.0)
    winter = 1 - 0.2727 * kt + 2.4495 * kt**2 - 11.9514 * kt**3 + 9.3879 * kt**4
    summer = 1 + 0.2832 * kt - 2.5557 * kt**2 + 0.8448 * kt**3
    return np.where(
        sunset_rad < WINTER_HOUR_ANGLE_RAD,
        np.where(kt < 0.715, winter, 0.143),
        np.where(kt < 0.722, summer, 0.175),
    )


def transposition(beam_ratio: Array, sky_view: Array, ground_view: Array, diffuse: Array) -> Array:
    """A day's energy on the plane over that on the horizontal (Liu & Jordan 1963, Klein 1977; isotropic sky)."""
    return (1 - diffuse) * beam_ratio + diffuse * sky_view + ALBEDO * ground_view


def declination_rad(dates: Sequence[date]) -> Array:
    """The sun's declination at 12:00 UTC of each date; it moves by 0.2 degrees at most until noon elsewhere."""
    noons = np.array(dates, dtype="datetime64[D]").astype(np.float64) + 0.5
    return np.radians(sun_coordinates(noons)[0])


def daylight_h(latitude_deg: Array, day: date) -> Array:
    """Hours from sunrise to sunset by the sun's centre, 0 in the polar night and 24 in the polar day."""
    cosine = np.clip(-np.tan(np.radians(latitude_deg)) * np.tan(declination_rad([day])), -1.0, 1.0)
    return np.degrees(np.arccos(cosine)) * 2 / 15
