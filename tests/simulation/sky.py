"""The weather of a region: what kind of day it is, its moving clouds, fog, snow, rain and air temperature.

Clouds are a field that the wind carries over the region: sites down the wind see the same cloud later, and sites beside
each other see alike clouds by their scale (hours and 100 km, an hour and 15 km, minutes and 2 km).
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from tests.simulation.axis import Axis
from tests.simulation.climates import Climate, Day
from tests.simulation.sun import ClearSky, Sun

Array = NDArray[np.float64]

SCALES = ((4 * 3600.0, 60.0, 0.45), (2400.0, 12.0, 0.6), (420.0, 2.0, 0.66))  # seconds, km across, weight


class Region(NamedTuple):
    """The weather of one region over the axis; arrays by step unless said."""

    climate: Climate
    days: list[Day]  # by UTC day of the axis
    bands: list[Array]  # per scale: [band across the wind, knot]
    wind_m_s: float
    wind_rad: float  # where it blows to, clockwise from north
    cover: Array
    depth: Array  # optical depth of the clouds that are there
    fog_depth: Array
    air_c: Array
    wind_speed: Array
    tau_beam: Array
    tau_diffuse: Array
    snowfall_mm: Array  # water equivalent in the step
    rain_mm: Array


class Light(NamedTuple):
    """What reaches a site, W/m2."""

    beam: Array  # normal to the sun
    diffuse: Array  # on the horizontal


def region_weather(
    axis: Axis, climate: Climate, latitude: float, rng: np.random.Generator, days: list[Day] | None = None
) -> Region:
    """Draws the weather of a region; `days` (one per UTC day of the axis) tells it, each at its solar noon."""
    noon_s = 43_200.0 if days is None else 43_200.0 - climate.longitude / 15 * 3600
    days = days or climate.draw_days(axis, latitude, rng)
    knots = np.arange(len(days)) * 86_400.0 + noon_s
    since = axis.mid_s - axis.start_s

    def by_day(values: list[float]) -> Array:
        return np.interp(since, knots, values)

    hour = (axis.mid_s / 3600 + climate.longitude / 15) % 24
    convective = np.exp(-0.5 * ((hour - 13.5) / 3.2) ** 2)
    cover = np.clip(by_day([d.cover for d in days]) + by_day([d.convective_cover for d in days]) * convective, 0, 1)
    depth = by_day([d.depth for d in days])
    fog = np.zeros(axis.steps)
    rain = np.zeros(axis.steps)
    snow = np.zeros(axis.steps)
    local = (since + climate.longitude / 15 * 3600) / 86_400
    for number, day in enumerate(days):
        mine = np.floor(local) == number
        if day.fog_until_h > 0:
            fog += np.where(mine, 22.0 / (1 + np.exp((hour - day.fog_until_h) / 0.35)), 0.0)
        if day.precipitation_mm > 0:
            wet = mine & (np.abs(hour - day.precipitation_h) < 3)
            (snow if day.is_snow else rain)[wet] += day.precipitation_mm / max(int(wet.sum()), 1)
    air = by_day([d.air_c for d in days]) + by_day([d.swing_c for d in days]) * np.cos((hour - 15.0) * np.pi / 12)
    bands = []
    for seconds, across, _ in SCALES:
        count = int(np.ceil(80.0 / across)) + 2
        bands.append(rng.standard_normal((count, int(axis.steps * axis.step_s / seconds) + 64)))
    speed = np.clip(by_day([d.wind_m_s for d in days]) * (0.7 + 0.5 * convective), 0.3, None)
    return Region(
        climate, days, bands, float(rng.uniform(4, 14)), float(rng.uniform(0, 2 * np.pi)), cover, depth, fog, air,
        speed, by_day([d.tau_beam for d in days]), by_day([d.tau_diffuse for d in days]), snow, rain,
    )  # fmt: skip


def _noise(region: Region, axis: Axis, east_km: float, north_km: float) -> Array:
    """The field at a place, standard normal: smooth in time and across the wind, carried along it."""
    along = east_km * np.sin(region.wind_rad) + north_km * np.cos(region.wind_rad)
    across = east_km * np.cos(region.wind_rad) - north_km * np.sin(region.wind_rad)
    since = axis.mid_s - axis.start_s - along * 1000 / region.wind_m_s
    total = np.zeros(axis.steps)
    for (seconds, width, weight), knots in zip(SCALES, region.bands, strict=True):
        place = np.clip(across / width + knots.shape[0] / 2, 0, knots.shape[0] - 1.001)
        band, share = int(place), place - int(place)
        mixed = (knots[band] * (1 - share) + knots[band + 1] * share) / np.hypot(share, 1 - share)
        at = since / seconds + 32
        low = np.clip(at.astype(int), 0, len(mixed) - 2)
        step = np.clip(at - low, 0, 1)
        smooth = step * step * (3 - 2 * step)
        total += weight * (mixed[low] * (1 - smooth) + mixed[low + 1] * smooth) / np.hypot(1 - smooth, smooth)
    return total


def light_at(
    region: Region, axis: Axis, sun: Sun, clear: ClearSky, east_km: float, north_km: float, *, above_fog: bool
) -> Light:
    """Beam and diffuse light at a place of the region.

    The beam falls off as exp(-depth / sin(elevation)); all of the light as 1 / (1 + 0.11 depth), the two-stream
    transmittance of a cloud of asymmetry 0.85 (Stephens 1978). Diffuse light comes from the sky around, so it follows
    the clouds of the half hour; in a gap between bright clouds it adds to the full beam.
    """
    field = _noise(region, axis, east_km, north_km)
    edge = ndtri(np.clip(1 - region.cover, 0.002, 0.998))
    depth = region.depth * np.clip((field - edge) / 0.6, 0, 3.2)
    if not above_fog:
        depth = depth + region.fog_depth
    width = max(int(1800 / axis.step_s), 1)
    smooth = np.convolve(depth, np.ones(width) / width, mode="same")
    hidden = 1 - np.exp(-depth)
    around = np.convolve(hidden, np.ones(width) / width, mode="same")
    up = sun.up
    beam = clear.beam * np.exp(-depth / np.clip(up, 0.12, None))
    level = clear.beam * up + clear.diffuse
    under = level / (1 + 0.11 * smooth / np.clip(around, 0.05, None))
    # Between bright clouds the diffuse light adds up to a fifth to that of a clear sky (5 min means; from memory).
    bright = np.maximum(under * 0.9, clear.diffuse * 0.1)
    diffuse = (1 - around) * clear.diffuse * (1 + 0.2 * around) + around**2.2 * bright
    return Light(beam, diffuse)
