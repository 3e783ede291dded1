"""Invented fleets with a physics of their own, to measure detectors that were written with another.

The detectors use Haurwitz' clear sky, daily diffuse shares and an isotropic sky. Here the clear sky is that of
Ineichen (2008), the diffuse share goes by the half hour and the sky is that of Hay and Davies; clouds pass over a
region and over each roof besides. Everything follows from the seed.
"""

from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import pandas as pd
import polars as pl
import pvlib
from numpy.typing import NDArray

from tests.support import build

STEP_MIN = 30
STEPS = 1440 // STEP_MIN
KM_PER_DEGREE = 111.2


class Fleet(NamedTuple):
    """What the detectors get, and what is true."""

    days: pl.DataFrame
    sites: pl.DataFrame
    planes: pl.DataFrame
    truth: pl.DataFrame  # site_id, factor (1 = healthy), from_place (index of the first faulty day), is_known, turn_deg


def cluster(
    seed: int,
    *,
    latitude: float,
    first_day: date,
    count: int = 14,
    day_count: int = 75,
    factor: float = 0.65,
    faulty_share: float = 0.15,
    known_share: float = 0.6,
    snow: bool = False,
) -> Fleet:
    """A region of `count` roofs within some 25 km over `day_count` days; `faulty_share` of them yield only `factor`."""
    rng = np.random.default_rng(seed)
    prefix = f"r{seed}"
    lat = latitude + rng.uniform(-18, 18, count) / KM_PER_DEGREE
    lon = 8.0 + rng.uniform(-18, 18, count) / KM_PER_DEGREE / np.cos(np.radians(latitude))
    tilt = rng.choice([10, 20, 30, 35, 45, 55], count).astype(float)
    turn = rng.choice([0, 0, -20, 25, -45, 50, 90, -90, 75], count).astype(float)
    azimuth = ((180.0 if latitude >= 0 else 0.0) + turn) % 360
    kwp = rng.uniform(4, 15, count)
    inverter = kwp * rng.choice([0.7, 0.85, 1.0, 1.1], count)
    yields = _yields(rng, latitude, first_day, day_count, tilt, azimuth, inverter / kwp)
    if snow:
        yields *= _snow(rng, tilt, day_count)
    is_faulty = rng.random(count) < faulty_share
    start = np.where(rng.random(count) < 0.5, 0, rng.integers(day_count // 2, day_count - 12, count))
    hit = is_faulty[:, None] & (np.arange(day_count)[None, :] >= start[:, None])
    quality = rng.normal(1.0, 0.05, count)[:, None] * rng.normal(1.0, 0.015, (count, day_count))
    energy = yields * kwp[:, None] * quality * np.where(hit, factor, 1.0)
    known = rng.random(count) < known_share
    held = (rng.random(count) < 0.1)[:, None] & (rng.random((count, day_count)) < 0.4)
    energy = np.where(held, energy * 0.5, energy)
    gaps = rng.random((count, day_count)) < 0.03
    names = [f"{prefix}-{n:02d}" for n in range(count)]
    sites = build.sites(
        *(
            {
                "site_id": names[n],
                "latitude": lat[n],
                "longitude": lon[n],
                "installed_kwp": kwp[n],
                "inverter_kw": inverter[n],
                "tilt_deg": tilt[n] if known[n] else None,
                "azimuth_deg": azimuth[n] if known[n] else None,
            }
            for n in range(count)
        )
    )
    days = build.days(
        *(
            {
                "site_id": names[n],
                "day": first_day + timedelta(days=d),
                "pv_kwh": energy[n, d],
                "feed_in_kwh": 0.5 * energy[n, d],
                "held_back_h": 3.0 if held[n, d] else 0.0,
                "pv_coverage_pct": 60.0 if gaps[n, d] else 100.0,
            }
            for n in range(count)
            for d in range(day_count)
        )
    )
    truth = pl.DataFrame(
        {
            "site_id": names,
            "factor": np.where(is_faulty, factor, 1.0),
            "from_place": start,
            "is_known": known,
            "turn_deg": turn,
        }
    )
    return Fleet(days, sites, build.planes(), truth)


def _yields(
    rng: np.random.Generator,
    latitude: float,
    first_day: date,
    day_count: int,
    tilt: NDArray[np.float64],
    azimuth: NDArray[np.float64],
    ac_ratio: NDArray[np.float64],
) -> NDArray[np.float64]:
    """kWh per kWp of every roof and day, [roofs, days]."""
    stamps = pd.date_range(first_day, periods=day_count * STEPS, freq=f"{STEP_MIN}min", tz="Etc/GMT-1")
    sun = pvlib.solarposition.get_solarposition(stamps + pd.Timedelta(minutes=STEP_MIN / 2), latitude, 8.0)
    sun.index = stamps
    clear = pvlib.clearsky.simplified_solis(sun["apparent_elevation"], aod700=0.12, precipitable_water=1.5)
    extra = pvlib.irradiance.get_extra_radiation(stamps)
    regional = _clouds(rng, day_count * STEPS, day_count)
    out = np.empty((len(tilt), day_count))
    for n in range(len(tilt)):
        own = np.clip(regional * (1 + 0.25 * _wander(rng, len(regional), 0.7) * (1 - regional)), 0.04, 1.05)
        ghi = clear["ghi"] * own
        split = pvlib.irradiance.erbs(ghi, sun["zenith"], stamps)
        poa = pvlib.irradiance.get_total_irradiance(
            tilt[n], azimuth[n], sun["apparent_zenith"], sun["azimuth"], split["dni"], ghi, split["dhi"],
            dni_extra=extra, model="haydavies",
        )["poa_global"].fillna(0).clip(lower=0)  # fmt: skip
        warm = 12 + 0.03 * poa
        made = np.minimum(0.88 * poa / 1000 * (1 - 0.004 * (warm - 25)), ac_ratio[n])
        out[n] = made.to_numpy().reshape(day_count, STEPS).sum(axis=1) * STEP_MIN / 60
    return out


def _wander(rng: np.random.Generator, length: int, memory: float) -> NDArray[np.float64]:
    """A stationary series of mean 0 and spread 1 that remembers by `memory` from step to step."""
    values = rng.normal(size=length) * np.sqrt(1 - memory**2)
    for n in range(1, length):
        values[n] += memory * values[n - 1]
    return values


def _clouds(rng: np.random.Generator, length: int, day_count: int) -> NDArray[np.float64]:
    """What the region's clouds let through by the half hour: dark, mixed and clear days in turn."""
    mood = np.repeat(rng.choice([0.2, 0.45, 0.75, 1.0], day_count, p=[0.2, 0.25, 0.3, 0.25]), length // day_count)
    return np.clip(mood + 0.25 * (1.05 - mood) * _wander(rng, length, 0.9), 0.06, 1.0)


def _snow(rng: np.random.Generator, tilt: NDArray[np.float64], day_count: int) -> NDArray[np.float64]:
    """Two snowfalls: every roof is covered; steep roofs are free after a day or two, flat ones after up to six."""
    factor = np.ones((len(tilt), day_count))
    for fall in rng.integers(15, day_count - 8, 2):
        lasting = np.clip(np.round(6 - tilt / 10 + rng.integers(-1, 2, len(tilt))), 1, 6).astype(int)
        for n, stay in enumerate(lasting):
            factor[n, fall : fall + stay] *= rng.uniform(0.02, 0.15)
            factor[n, fall + stay : fall + stay + 1] *= 0.6
    return factor
