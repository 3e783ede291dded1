"""Where the sun stands: declination, equation of time, transit, sunrise and sunset in closed form.

The solar coordinates are the low-precision formulas of the Astronomical Almanac (section C, "Low-precision formulas for
the Sun's coordinates": 0.01 degrees from 1950 to 2050). They cost a few array operations, so a fleet's years can be
had at once; the tests hold them against the worked example of NREL/TP-560-34302 and against two libraries. Minutes of
time and degrees throughout; everything broadcasts, so a column of sites against a row of days gives a table.
"""

from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Number = Array | float

MINUTES_PER_DAY = 1440.0
RISE_ELEVATION_DEG = (
    -0.8333
)  # upper limb on the horizon: 16' half diameter and 34' refraction, the Almanac's convention
DAYS_TO_J2000 = 10957.5  # from 1970-01-01T00:00 to 2000-01-01T12:00
MANY = 1000  # ours: of fewer, sines cost less than to look for those that are the same
NODES_PER_DAY = 24.0  # ours: a straight line from hour to hour is off by 2e-6 degrees and 3e-6 minutes at most


def sun_coordinates(unix_days: Number) -> tuple[Array, Array]:
    """Declination (degrees) and equation of time (minutes, true minus mean sun) at instants in days since 1970 UTC.

    Lines between whole hours: a fleet's readings share a few of these, which are worked out once. An instant's values
    do not depend on those that are asked for with it.
    """
    place = np.asarray(unix_days, dtype=np.float64) * NODES_PER_DAY
    node = np.floor(place)
    first, last = (float(node.min()), float(node.max())) if node.size else (np.nan, np.nan)
    if np.isfinite(last - first) and last - first < node.size:
        each = _sun_coordinates((first + np.arange(last - first + 2)) / NODES_PER_DAY)
        at = (node - first).astype(np.intp)
        ends = [(one[at], np.diff(one)[at]) for one in each]
    else:
        pairs = zip(*(_sun_coordinates((node + n) / NODES_PER_DAY) for n in (0, 1)), strict=True)
        ends = [(begin, end - begin) for begin, end in pairs]
    declination, equation = (begin + (place - node) * step for begin, step in ends)
    return declination, equation


def _sun_coordinates(unix_days: Array) -> tuple[Array, Array]:
    n = unix_days - DAYS_TO_J2000
    mean_longitude = 280.460 + 0.9856474 * n
    anomaly = np.radians(357.528 + 0.9856003 * n)
    ecliptic = np.radians(mean_longitude + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    obliquity = np.radians(23.439 - 0.0000004 * n)
    declination = np.degrees(np.arcsin(np.sin(obliquity) * np.sin(ecliptic)))
    ascension = np.degrees(np.arctan2(np.cos(obliquity) * np.sin(ecliptic), np.cos(ecliptic)))
    equation = 4.0 * ((mean_longitude - ascension + 180.0) % 360.0 - 180.0)
    return declination, equation


def elevation_deg(latitude: Number, longitude: Number, unix_days: Number) -> Array:
    """The sun's geometric height over the horizon in degrees, without refraction."""
    days, at = _shared(np.asarray(unix_days, dtype=np.float64))
    declination, equation = sun_coordinates(days)
    dec, mean_minutes = np.radians(declination), days % 1.0 * MINUTES_PER_DAY
    lat, nth = _in_a_row(np.radians(latitude))
    solar_minutes = mean_minutes[at] + 4.0 * np.asarray(longitude) + equation[at]
    hour_angle = np.radians((solar_minutes - 720.0) / 4.0)
    sine = np.sin(lat)[nth] * np.sin(dec)[at] + np.cos(lat)[nth] * np.cos(dec)[at] * np.cos(hour_angle)
    return np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))


def _shared(unix_days: Array) -> tuple[Array, Any]:
    """The instants that are asked for and where each stands among them: a fleet's readings share a few."""
    if unix_days.ndim != 1 or unix_days.size < MANY:
        return unix_days, ...
    minute = np.rint(unix_days * MINUTES_PER_DAY)
    first, last = float(minute.min()), float(minute.max())
    if not last - first < unix_days.size / 8:
        return unix_days, ...
    at = (minute - first).astype(np.intp)
    instants = np.full(int(last - first) + 1, unix_days[0])
    instants[at] = unix_days
    return (instants, at) if (instants[at] == unix_days).all() else (unix_days, ...)


def _in_a_row(values: Number) -> tuple[Array, Any]:
    """The values without those that repeat the one before, and which of them stands at each place."""
    every = np.asarray(values)
    if every.ndim != 1 or every.size < MANY:
        return every, ...
    is_new = np.append(True, every[1:] != every[:-1])
    return every[is_new], np.cumsum(is_new) - 1


def height_sine(latitude: Number, longitude: Number, unix_days: Number) -> Array:
    """The sine of the sun's height over the horizon, 0 at night."""
    return np.clip(np.sin(np.radians(elevation_deg(latitude, longitude, unix_days))), 0.0, None)


def half_day_min(latitude: Number, declination: Number, elevation: float = RISE_ELEVATION_DEG) -> Array:
    """Minutes from solar noon until the sun sinks to `elevation`; NaN where it stays above or below it all day."""
    lat, dec = np.radians(latitude), np.radians(declination)
    cosine: Any = (np.sin(np.radians(elevation)) - np.sin(lat) * np.sin(dec)) / (np.cos(lat) * np.cos(dec))
    with np.errstate(invalid="ignore", divide="ignore"):
        return 4.0 * np.degrees(np.arccos(np.where(np.abs(cosine) <= 1.0, cosine, np.nan)))


def sun_times(
    latitude: Number, longitude: Number, unix_days: Number, elevation: float = RISE_ELEVATION_DEG
) -> tuple[Array, Array, Array]:
    """Sunrise, solar noon and sunset around the transit of a UTC date, in minutes after 00:00 UTC of that date.

    Rise and set are NaN in polar day and night. Minutes may be negative or beyond 1440 far from Greenwich. Declination
    and equation of time are taken at the event itself by a straight line through the dates' beginnings (off by less
    than 0.005 degrees), so their series are evaluated once per date and not once per site and date.
    """
    day = np.asarray(unix_days, dtype=np.float64)
    declination, equation = sun_coordinates(day)
    declination_tomorrow, equation_tomorrow = sun_coordinates(day + 1.0)
    declination_rate = (declination_tomorrow - declination) / MINUTES_PER_DAY
    equation_rate = (equation_tomorrow - equation) / MINUTES_PER_DAY
    mean_noon = 720.0 - 4.0 * np.asarray(longitude, dtype=np.float64)
    noon = (mean_noon - equation) / (1.0 + equation_rate)
    events = []
    for sign in (-1.0, 1.0):
        event = noon
        for _ in range(2):
            half = half_day_min(latitude, declination + declination_rate * event, elevation)
            event = mean_noon - equation - equation_rate * event + sign * half
        events.append(event)
    return events[0], noon, events[1]


REFERENCE_KW_M2 = 1.0  # IEC 61724-1: the irradiance of standard test conditions


def declination_rad(dates: Sequence[date]) -> Array:
    """The sun's declination at 12:00 UTC of each date; it moves by 0.2 degrees at most until noon elsewhere."""
    noons = np.array(dates, dtype="datetime64[D]").astype(np.float64) + 0.5
    return np.radians(sun_coordinates(noons)[0])


def daylight_h(latitude_deg: Array, day: date) -> Array:
    """Hours from sunrise to sunset by the sun's centre, 0 in the polar night and 24 in the polar day."""
    cosine = np.clip(-np.tan(np.radians(latitude_deg)) * np.tan(declination_rad([day])), -1.0, 1.0)
    return np.degrees(np.arccos(cosine)) * 2 / 15
