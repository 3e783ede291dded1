"""Invented roofs by the hour, for what learns from the course of a day; the clear sky is that of Ineichen (2008)."""

from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import pandas as pd
import polars as pl
import pvlib
from numpy.typing import NDArray

from detectors.yields.hourly import HOURLY
from tests.support import build
from tests.support.simulate import KM_PER_DEGREE, _clouds, _snow, _wander

STEP_MIN = 15
STEPS = 1440 // STEP_MIN
EPOCH = date(1970, 1, 1)


class HourFleet(NamedTuple):
    """What the detectors get, and what is true."""

    kept: pl.DataFrame
    days: pl.DataFrame
    sites: pl.DataFrame
    planes: pl.DataFrame
    truth: pl.DataFrame  # site_id, factor, from_place, is_known, tilt_deg, azimuth_deg, kwp


def fleet(
    seed: int,
    *,
    latitude: float,
    first_day: date,
    count: int = 14,
    day_count: int = 60,
    factors: NDArray[np.float64] | None = None,
    from_place: NDArray[np.intp] | None = None,
    known_share: float = 0.6,
    snow: bool = False,
    within_km: float = 18.0,
    level_spread: float = 0.05,
) -> HourFleet:
    """`count` roofs over `day_count` days; roof n yields `factors[n]` from the day `from_place[n]` on.

    Days are UTC days of places near 8 degrees east, stamps are of the UTC hours.
    """
    rng = np.random.default_rng(seed)
    lat = latitude + rng.uniform(-within_km, within_km, count) / KM_PER_DEGREE
    lon = 8.0 + rng.uniform(-within_km, within_km, count) / KM_PER_DEGREE / np.cos(np.radians(latitude))
    tilt = rng.choice([10, 20, 30, 35, 45, 55], count).astype(float)
    turn = rng.choice([0, 0, -20, 25, -45, 50, 90, -90, 75], count).astype(float)
    azimuth = ((180.0 if latitude >= 0 else 0.0) + turn) % 360
    kwp = rng.uniform(4, 15, count)
    inverter = kwp * rng.choice([0.7, 0.85, 1.0, 1.1], count)
    power, wander = _powers(rng, latitude, first_day, day_count, tilt, azimuth, inverter / kwp)
    if snow:
        power = power * _snow(rng, tilt, day_count)[:, :, None]
    factors = np.ones(count) if factors is None else factors
    from_place = np.zeros(count, dtype=np.intp) if from_place is None else from_place
    hit = np.arange(day_count)[None, :] >= from_place[:, None]
    quality = rng.normal(1.0, level_spread, count)[:, None] * rng.normal(1.0, 0.012, (count, day_count))
    power = power * (kwp[:, None] * quality * np.where(hit, factors[:, None], 1.0))[:, :, None]
    known = rng.random(count) < known_share
    names = [f"r{seed}-{n:03d}" for n in range(count)]
    rows = [(n, d) for n in range(count) for d in range(day_count)]
    hourly = (power * 1000).round().astype(int)
    kept = build.frame(
        HOURLY,
        [
            {
                "site_id": names[n],
                "day": first_day + timedelta(days=d),
                "pv_w": hourly[n, d].tolist(),
                "held_back_hours": 0,
                "wander_ratio": float(wander[n, d]),
            }
            for n, d in rows
        ],
    )
    days = build.days(
        *(
            {
                "site_id": names[n],
                "day": first_day + timedelta(days=d),
                "pv_kwh": float(power[n, d].sum()),
                "feed_in_kwh": 0.5 * float(power[n, d].sum()),
            }
            for n, d in rows
        )
    )
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
    truth = pl.DataFrame(
        {
            "site_id": names, "factor": factors, "from_place": from_place, "is_known": known,
            "tilt_deg": tilt, "azimuth_deg": azimuth, "kwp": kwp * quality.mean(axis=1),
        }
    )  # fmt: skip
    return HourFleet(kept, days, sites, build.planes(), truth)


def _powers(
    rng: np.random.Generator,
    latitude: float,
    first_day: date,
    day_count: int,
    tilt: NDArray[np.float64],
    azimuth: NDArray[np.float64],
    ac_ratio: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """kW per kWp by the UTC hour, [roofs, days, 24], and each day's ups and downs as in `wander_ratio`."""
    stamps = pd.date_range(first_day, periods=day_count * STEPS, freq=f"{STEP_MIN}min", tz="UTC")
    sun = pvlib.solarposition.get_solarposition(stamps + pd.Timedelta(minutes=STEP_MIN / 2), latitude, 8.0)
    sun.index = stamps
    clear = pvlib.clearsky.simplified_solis(sun["apparent_elevation"], aod700=0.12, precipitable_water=1.5)
    extra = pvlib.irradiance.get_extra_radiation(stamps)
    half_hours = _clouds(rng, day_count * STEPS // 2, day_count)
    regional = np.repeat(half_hours, 2)
    season = np.cos(2 * np.pi * (stamps.dayofyear.to_numpy() - 200) / 365.25) * np.sign(latitude)
    air = 12 + 9 * season
    power, wander = np.empty((len(tilt), day_count, 24)), np.empty((len(tilt), day_count))
    for n in range(len(tilt)):
        own = np.clip(regional * (1 + 0.25 * _wander(rng, len(regional), 0.8) * (1 - regional)), 0.04, 1.05)
        ghi = clear["ghi"] * own
        split = pvlib.irradiance.erbs(ghi, sun["zenith"], stamps)
        poa = pvlib.irradiance.get_total_irradiance(
            tilt[n], azimuth[n], sun["apparent_zenith"], sun["azimuth"], split["dni"], ghi, split["dhi"],
            dni_extra=extra, model="haydavies", albedo=0.2,
        )["poa_global"].fillna(0).clip(lower=0).to_numpy()  # fmt: skip
        warm = air + 0.03 * poa
        made = np.minimum(0.86 * poa / 1000 * (1 - 0.004 * (warm - 25)), ac_ratio[n]).reshape(day_count, STEPS)
        power[n] = made.reshape(day_count, 24, -1).mean(axis=2)
        wander[n] = np.abs(np.diff(made, axis=1)).sum(axis=1) / np.maximum(2 * made.max(axis=1), 1e-9)
    return power, wander
