"""From light to AC power: planes, horizon, shade, snow, soiling, temperature, inverter."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.simulation.axis import Axis
from tests.simulation.sky import Light, Region
from tests.simulation.sun import Sun

Array = NDArray[np.float64]


@dataclass
class Plane:
    """Modules that look the same way; each plane is an input of the inverter."""

    kwp: float
    tilt_deg: float
    azimuth_deg: float  # clockwise from north


@dataclass
class Roof:
    """What the modules stand on, and the inverter behind them."""

    planes: list[Plane]
    inverter_kw: float
    efficiency: float
    gamma: float  # per degC
    noct_c: float
    dc_ratio: float  # wiring, mismatch, age
    start_w: float
    horizon_deg: Array  # elevation by 24 directions from north
    shade: tuple[float, float, float, float] | None  # azimuth from, to, elevation, share of the beam that is lost
    soiling_per_day: float
    albedo: float
    iam_a: float
    rime: float = 0.0  # chance of it on a morning that may bring it
    horizon_diffuse: float = field(init=False)

    def __post_init__(self) -> None:
        self.horizon_diffuse = float(np.mean(np.cos(np.radians(self.horizon_deg)) ** 2))

    @property
    def kwp(self) -> float:
        return sum(plane.kwp for plane in self.planes)


def plane_light(roof: Roof, plane: Plane, sun: Sun, light: Light) -> tuple[Array, Array]:
    """Beam (with the light around the sun) and the other light on a plane, W/m2.

    Hay & Davies (1980); reflection losses after ASHRAE's 1 - a (1 / cos - 1) for the beam.
    """
    tilt, azimuth = np.radians(plane.tilt_deg), np.radians(plane.azimuth_deg)
    up = np.sin(sun.elevation)
    cosine = up * np.cos(tilt) + np.cos(sun.elevation) * np.sin(tilt) * np.cos(sun.azimuth - azimuth)
    cosine = np.clip(cosine, 0.0, 1.0)
    anisotropy = np.clip(light.beam / sun.extra_w_m2, 0.0, 1.0)
    ratio = cosine / np.clip(up, 0.0175, None)
    modifier = np.clip(1 - roof.iam_a * (1 / np.clip(cosine, 0.05, None) - 1), 0.0, 1.0)
    is_up = sun.elevation > 0
    direct = np.where(is_up, light.beam * cosine + light.diffuse * anisotropy * np.minimum(ratio, 8.0), 0.0) * modifier
    sky = light.diffuse * (1 - np.where(is_up, anisotropy, 0.0)) * (1 + np.cos(tilt)) / 2 * roof.horizon_diffuse
    ground = (light.beam * sun.up + light.diffuse) * roof.albedo * (1 - np.cos(tilt)) / 2
    return direct, (sky + ground) * 0.95


def beam_share(roof: Roof, sun: Sun) -> Array:
    """How much of the beam passes the horizon and what stands beside the roof, 0 to 1."""
    degrees = np.degrees(sun.azimuth)
    elevation = np.degrees(sun.elevation)
    ring = np.append(roof.horizon_deg, roof.horizon_deg[0])
    horizon = np.interp(degrees, np.arange(25) * 15.0, ring)
    share = np.clip((elevation - horizon) / 0.6 + 0.5, 0.0, 1.0)
    if roof.shade is not None:
        begin, end, top, lost = roof.shade
        inside = (degrees >= begin) & (degrees <= end)
        share = share * np.where(inside, 1 - lost * np.clip((top - elevation) / 3.0, 0.0, 1.0), 1.0)
    return np.asarray(share, dtype=np.float64)


def soiling(roof: Roof, region: Region, axis: Axis, rng: np.random.Generator) -> Array:
    """The light that soiling lets through: it grows by the day, and rain above some millimetres washes it off."""
    share = np.empty(len(region.days))
    dirt = rng.uniform(0, 0.03) if roof.soiling_per_day > 0 else 0.0
    for number, day in enumerate(region.days):
        if not day.is_snow and day.precipitation_mm > 3:
            dirt *= 0.15
        dirt = min(dirt + roof.soiling_per_day * rng.uniform(0.5, 1.5), 0.30)
        share[number] = 1 - dirt
    return np.repeat(share, axis.steps // len(share))


def snow_cover(plane: Plane, region: Region, axis: Axis, ghi: Array, rng: np.random.Generator) -> Array:
    """The light that snow lets through a plane, by step.

    Snow lies until air or sun melt it; from a tilted plane it slides once the modules are above freezing, in one go
    or in parts. Rates are ours: a few millimetres of water a day in winter sun, a steep roof free within a day or two.
    """
    lets = np.ones(axis.steps)
    if not region.snowfall_mm.any():
        return lets
    hourly = int(3600 / axis.step_s)
    depth, covered = 0.0, 1.0
    slides_at = rng.uniform(-0.5, 2.5)
    for begin in range(0, axis.steps, hourly):
        part = slice(begin, begin + hourly)
        fallen = float(region.snowfall_mm[part].sum())
        if fallen > 0:
            depth, covered = depth + fallen, 1.0
        if depth > 0:
            sun = float(ghi[part].mean()) / 1000
            module_c = float(region.air_c[part].mean()) + 12 * sun
            depth = max(depth - max(module_c, 0.0) * 0.12 - 0.7 * sun - 0.015, 0.0)
            if module_c > slides_at and rng.random() < max(plane.tilt_deg - 10, 0) / 120:
                covered *= float(rng.choice([0.0, 0.0, 0.5]))
            lets[part] = 1 - covered * (1 - np.exp(-depth / 1.2))
            depth = depth if covered > 0.05 else 0.0
    return lets


def rime_cover(roof: Roof, region: Region, axis: Axis, ghi: Array, rng: np.random.Generator) -> Array:
    """The light that rime lets through a roof, by step.

    It grows in a frosty night without clouds, or in fog, more on one roof than on the next, and lets half of the light
    through or less until the sun has melted it. Rates are ours: 0.1 to 0.6 kWh/m2, some hours of a winter's morning.
    """
    lets = np.ones(axis.steps)
    hour = (axis.mid_s / 3600 + region.climate.longitude / 15) % 24
    number = np.floor((axis.mid_s - axis.start_s) / 86_400 + region.climate.longitude / 360).astype(int)
    for n, day in enumerate(region.days):
        chance, through, melts = rng.random(), rng.uniform(0.0, 0.5), rng.uniform(100, 600)
        mine = number == n
        is_frost = mine.any() and region.air_c[mine & (hour < 9)].min(initial=np.inf) < -1
        if not is_frost or not (day.cover < 0.5 or day.fog_until_h > 0) or chance >= roof.rime:
            continue
        seen_wh = np.cumsum(np.where(mine, ghi, 0.0)) * axis.step_s / 3600
        lets[mine & (hour < 14) & (seen_wh < melts)] = through
    return lets


def roof_inputs(
    roof: Roof, sun: Sun, light: Light, region: Region, axis: Axis, rng: np.random.Generator
) -> tuple[list[Array], Array]:
    """DC power in W of each plane as it comes to the inverter, and the temperature of the modules of the first.

    Cells: Ross (1976) with a share of wind; low light with the logarithm, 3 % less
    at a tenth of the reference irradiance (common practice, no source).
    """
    passes = beam_share(roof, sun)
    ghi = light.beam * sun.up + light.diffuse
    clean = soiling(roof, region, axis, rng)
    # Drawn apart, so that a roof without any is the same roof.
    rime = rime_cover(roof, region, axis, ghi, rng.spawn(1)[0]) if roof.rime else np.ones(axis.steps)
    inputs: list[Array] = []
    module_c = region.air_c
    for number, plane in enumerate(roof.planes):
        direct, other = plane_light(roof, plane, sun, light)
        snow = snow_cover(plane, region, axis, ghi, rng) * rime
        absorbed = (direct * passes + other) * clean
        seen = absorbed * snow
        cell_c = region.air_c + absorbed * snow * (roof.noct_c - 20) / 800 * 1.25 / (1 + 0.12 * region.wind_speed)
        dim = np.clip(1 + 0.013 * np.log(np.clip(seen, 1, None) / 1000), 0.85, 1.01)
        inputs.append(plane.kwp * seen * (1 + roof.gamma * (cell_c - 25)) * dim * roof.dc_ratio)
        if number == 0:
            module_c = cell_c
    return inputs, module_c


def to_ac(roof: Roof, dc_w: Array) -> Array:
    """AC power in W of all inputs together: efficiency after PVWatts version 5 (Dobos 2014), clipped at the rating."""
    rated = roof.inverter_kw * 1000
    zeta = np.clip(dc_w * roof.efficiency / rated, 1e-4, None)
    eta = roof.efficiency / 0.9637 * (-0.0162 * zeta - 0.0059 / zeta + 0.9858)
    ac_w = np.minimum(np.clip(dc_w * eta, 0, None), rated)
    return np.asarray(np.where(ac_w < roof.start_w, 0.0, ac_w), dtype=np.float64)
