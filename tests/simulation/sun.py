"""Where the sun stands and what a sky without a cloud lets through, in closed form.

The detectors use another solar position and another clear sky: figures made with their own physics would flatter them.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

J2000_S = 946_728_000.0  # 2000-01-01 12:00 UTC since 1970
SOLAR_CONSTANT_W_M2 = 1361.0  # Kopp & Lean 2011


class Sun(NamedTuple):
    """Radians; azimuth clockwise from north, elevation without refraction."""

    elevation: Array
    azimuth: Array
    extra_w_m2: Array  # beam outside the atmosphere

    @property
    def up(self) -> Array:
        """The sine of the elevation, 0 below the horizon."""
        return np.clip(np.sin(self.elevation), 0.0, None)


class ClearSky(NamedTuple):
    """Irradiance in W/m2 without clouds."""

    beam: Array  # normal to the sun
    diffuse: Array  # on the horizontal


def sun_at(at_s: Array, latitude: float, longitude: float) -> Sun:
    """The sun at instants given in seconds since 1970.

    Michalsky, Solar Energy 40 (1988): the Astronomical Almanac's approximation, within 0.01 degrees for 1950-2050.
    """
    days = (at_s - J2000_S) / 86_400.0
    mean_longitude = np.radians((280.460 + 0.9856474 * days) % 360.0)
    anomaly = np.radians((357.528 + 0.9856003 * days) % 360.0)
    ecliptic = mean_longitude + np.radians(1.915) * np.sin(anomaly) + np.radians(0.020) * np.sin(2 * anomaly)
    obliquity = np.radians(23.439 - 4.0e-7 * days)
    ascension = np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic))
    declination = np.arcsin(np.sin(obliquity) * np.sin(ecliptic))
    sidereal = np.radians((280.46062 + 360.98564737 * days + longitude) % 360.0)
    hour_angle = sidereal - ascension
    phi = np.radians(latitude)
    sine = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(hour_angle)
    elevation = np.arcsin(np.clip(sine, -1.0, 1.0))
    west = np.cos(declination) * np.sin(hour_angle)
    north = np.sin(declination) * np.cos(phi) - np.cos(declination) * np.cos(hour_angle) * np.sin(phi)
    azimuth = np.arctan2(-west, north) % (2 * np.pi)
    # Spencer's series would add the second harmonic; one term is within 0.1 %.
    extra = SOLAR_CONSTANT_W_M2 * (1 + 0.0334 * np.cos(anomaly))
    return Sun(elevation, azimuth, extra)


def air_mass(elevation: Array) -> Array:
    """Kasten & Young, Applied Optics 28 (1989); the sun at half a degree or higher."""
    degrees = np.clip(np.degrees(elevation), 0.5, 90.0)
    return 1.0 / (np.sin(np.radians(degrees)) + 0.50572 * (6.07995 + degrees) ** -1.6364)


def clear_sky(sun: Sun, tau_beam: float | Array, tau_diffuse: float | Array) -> ClearSky:
    """The sky without clouds, from the two optical depths of ASHRAE's model.

    ASHRAE Handbook of Fundamentals (2013), chapter 14; its coefficients from memory.
    """
    mass = air_mass(sun.elevation)
    power_beam = 1.454 - 0.406 * tau_beam - 0.268 * tau_diffuse + 0.021 * tau_beam * tau_diffuse
    power_diffuse = 0.507 + 0.205 * tau_beam - 0.080 * tau_diffuse - 0.190 * tau_beam * tau_diffuse
    is_up = sun.elevation > 0
    beam = np.where(is_up, sun.extra_w_m2 * np.exp(-tau_beam * mass**power_beam), 0.0)
    # Twilight: the diffuse light fades out by six degrees below the horizon.
    fade = np.clip(1 + np.degrees(sun.elevation) / 6.0, 0.0, 1.0) ** 3
    diffuse = sun.extra_w_m2 * np.exp(-tau_diffuse * mass**power_diffuse)
    return ClearSky(beam, np.where(is_up, diffuse, diffuse * fade * 0.5))
