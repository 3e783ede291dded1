"""A region's sky and air, shared by its neighbours.

`region_sky` returns the clear-sky index (1 = clear) and the air temperature in degC on a 5-minute UTC grid.
"""

import zlib
from datetime import UTC, datetime
from typing import NamedTuple

import numpy as np

from tests.simulation.sample_fleet.sites import Region

STEP_S = 300
GRID_START_S = int(datetime(2026, 3, 3, tzinfo=UTC).timestamp())
GRID_STEPS = 48 * 288
Floats = np.ndarray

STORM_H = 12.8  # solar hour at which an afternoon's storm comes up


class Sky(NamedTuple):
    """One region's weather; `at_s` are Unix seconds."""

    at_s: Floats
    clear_ratio: Floats
    temp_c: Floats


def smooth_noise(rng: np.random.Generator, count: int, width: float) -> Floats:
    """Gaussian noise of variance 1 whose memory is about `width` steps."""
    reach = int(3 * width)
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / width) ** 2)
    raw = rng.standard_normal(count + 2 * reach)
    return np.convolve(raw, kernel / np.sqrt((kernel**2).sum()), mode="valid")


def region_sky(region: Region) -> Sky:
    """The region's weather from 2026-03-03 on, two days longer than the exports at either end."""
    rng = np.random.default_rng(zlib.crc32(region.name.encode()))
    at_s = GRID_START_S + STEP_S * np.arange(GRID_STEPS)
    slow = smooth_noise(rng, GRID_STEPS, 30)
    fast = smooth_noise(rng, GRID_STEPS, 4)
    solar_h = at_s / 3600 + region.longitude / 15
    hour = solar_h % 24
    day = np.clip((solar_h // 24 - GRID_START_S // 86400).astype(int), 0, len(region.sky) - 1)
    letter = np.array(list(region.sky))[day]
    mixed = 0.62 + 0.12 * slow + 0.33 * np.tanh(2.5 * fast)
    overcast = 0.32 + 0.08 * slow + 0.04 * fast
    ratio = np.select(
        [letter == "c", letter == "m", letter == "o", letter == "d"],
        [0.985 + 0.012 * slow, mixed, overcast, 0.09 + 0.02 * slow + 0.008 * fast],
        np.where(hour < STORM_H, 0.97 + 0.02 * slow, 0.24 + 0.1 * slow + 0.08 * fast),
    )
    ratio = np.clip(ratio, 0.03, 1.06)
    daily = rng.normal(0, 2.0, len(region.sky))[day] + np.select([letter == "c", letter == "d"], [1.5, -2.5], 0.0)
    temp_c = region.mean_temp_c + daily + 5.5 * np.cos((hour - 15) * np.pi / 12) * (0.4 + 0.6 * ratio)
    return Sky(at_s.astype(float), ratio, temp_c)


def site_sky(sky: Sky, at_s: Floats, *, east_km: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Clear-sky index and air temperature over one roof: the region's, later in the east, and a little of its own."""
    lag_s = east_km * 1000 / 8.0  # clouds come from the west at 8 m/s
    ratio = np.interp(at_s - lag_s, sky.at_s, sky.clear_ratio)
    own = 1 + np.clip(1.03 - ratio, 0.02, 0.4) * 0.12 * smooth_noise(rng, len(at_s), 3)
    return np.clip(ratio * own, 0.02, 1.08), np.interp(at_s, sky.at_s, sky.temp_c)
