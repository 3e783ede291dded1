"""Simulated roofs with a true clock, and what a logger with a wrong clock would have stamped.

The sun's place is pvlib's (NREL SPA), not the detectors' own closed form, so that a fault there would show. Power is
made every five minutes of true time: a clear sky after Meinel, clouds as a random walk around each day's kind of
weather, planes of any orientation, walls that hide the sun and the bright sky around it, an inverter that starts late
and clips, a battery that fills and holds generation back.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd
import polars as pl
import pvlib

from detectors.frames import DEVICE_READINGS, SITES

Array = npt.NDArray[np.float64]
FINE_MIN = 5


@dataclass(frozen=True)
class Roof:
    """One simulated site."""

    site_id: str
    latitude: float = 47.4
    longitude: float = 8.1
    timezone: str = "Europe/Zurich"
    export_timezone: str | None = None
    kwp: float = 8.0
    planes: tuple[tuple[float, float, float], ...] = ((1.0, 30.0, 180.0),)  # share, tilt, azimuth
    wall: tuple[float, float, float] | None = None  # from azimuth, to azimuth, height in degrees
    clip: float = 0.9  # AC rating per kWp
    starts: tuple[float, float] = (0.002, 0.008)  # per kWp: between these the inverter wakes
    curtailed: Literal["", "follows load", "shuts off"] = ""  # what a full battery does to it
    snow_days: tuple[int, int] = (0, 0)  # days without any light: from, count
    afternoons_missing: float = 0.0  # share of days without rows after the early afternoon
    gaps: float = 0.0  # share of days with four hours of rows missing
    night_rows: bool = True
    resolution_w: float = 1.0
    seed: int = 1


@lru_cache(maxsize=16)
def _sun(latitude: float, longitude: float, first_day: date, days: int) -> tuple[Array, Array]:
    """Apparent elevation and azimuth in degrees every five minutes of `true_power`."""
    start = pd.Timestamp(first_day, tz="UTC") - pd.Timedelta(days=1)
    times = start + pd.to_timedelta(np.arange((days + 2) * 288) * FINE_MIN + FINE_MIN / 2, unit="min")
    sun = pvlib.solarposition.get_solarposition(times, latitude, longitude, method="nrel_numpy")
    return sun["apparent_elevation"].to_numpy(), sun["azimuth"].to_numpy()


@lru_cache(maxsize=512)
def true_power(roof: Roof, first_day: date, days: int) -> Array:
    """Mean power in W of every five minutes from 00:00 UTC of the day before `first_day`, `days` + 2 days long."""
    rng = np.random.default_rng(roof.seed)
    height, azimuth = _sun(roof.latitude, roof.longitude, first_day, days)
    sine = np.sin(np.radians(np.maximum(height, 0.0)))
    mass = 1.0 / (sine + 0.50572 * (np.maximum(height, 0.0) + 6.07995) ** -1.6364)  # Kasten & Young 1989
    beam = np.where(height > -0.3, 1353.0 * 0.7 ** (mass**0.678), 0.0)  # Meinel 1976
    diffuse = np.where(height > -1.0, 90.0 * (1.0 - np.exp(-(np.maximum(height, -1.0) + 1.0) / 8.0)), 0.0)
    clear = _clouds(rng, len(height))
    beam_now = beam * np.clip((clear - 0.25) / 0.75, 0.0, 1.0) ** 1.3
    diffuse_now = diffuse * np.where(clear < 0.5, 0.4 + 1.6 * clear, 1.5 - 0.5 * clear)
    if roof.wall is not None:
        low, high, top = roof.wall
        hidden = (azimuth >= low) & (azimuth <= high) & (height < top)
        beam_now, diffuse_now = np.where(hidden, 0.0, beam_now), np.where(hidden, 0.15 * diffuse_now, diffuse_now)
    irradiance = np.zeros(len(height))
    for share, tilt, faces in roof.planes:
        aoi = pvlib.irradiance.aoi_projection(tilt, faces, 90.0 - height, azimuth)
        sky = diffuse_now * (1 + np.cos(np.radians(tilt))) / 2
        ground = 0.2 * (beam_now * sine + diffuse_now) * (1 - np.cos(np.radians(tilt))) / 2
        irradiance += share * (beam_now * np.clip(aoi, 0.0, None) + sky + ground)
    power = 0.9 * roof.kwp * irradiance
    starts_at = rng.uniform(*roof.starts) * roof.kwp * 1000  # the inverter sleeps below
    power = np.where(power > starts_at, np.minimum(power, roof.clip * roof.kwp * 1000), 0.0)
    snow_from, snow_count = roof.snow_days
    power[(snow_from + 1) * 288 : (snow_from + 1 + snow_count) * 288] = 0.0
    if roof.curtailed:
        power = _hold_back(roof, rng, power)
    return power


def _clouds(rng: np.random.Generator, count: int) -> Array:
    """Share of the clear sky's light, 0 to 1, every five minutes: fine, changing and dull days in spells."""
    kinds = np.empty(count // 288 + 1, dtype=np.int64)
    kind = 1
    for day in range(len(kinds)):
        if rng.random() < 0.45:
            kind = int(rng.choice(3, p=[0.35, 0.4, 0.25]))
        kinds[day] = kind
    level = np.array([0.97, 0.65, 0.25])[kinds].repeat(288)[:count]
    spread = np.array([0.03, 0.28, 0.10])[kinds].repeat(288)[:count]
    shocks = rng.normal(0.0, 1.0, count)
    walk = np.empty(count)
    value = 0.0
    for i in range(count):
        value = 0.93 * value + 0.37 * shocks[i]
        walk[i] = value
    return np.clip(level + spread * walk, 0.06, 1.0)


def _hold_back(roof: Roof, rng: np.random.Generator, power: Array) -> Array:
    """What is left of the power once a battery of 1 kWh per kWp is full and nothing may be fed in."""
    hours = (np.arange(len(power)) * FINE_MIN / 60 + roof.longitude / 15) % 24
    load = 120.0 * roof.kwp * (0.4 + np.exp(-((hours - 8) ** 2) / 3) + 1.6 * np.exp(-((hours - 19.5) ** 2) / 5))
    load *= rng.uniform(0.6, 1.4, len(power) // 288 + 1).repeat(288)[: len(power)]
    capacity, stored = 1000.0 * roof.kwp, 0.0
    left = power.copy()
    off = False
    for i in range(len(power)):
        surplus = (power[i] - load[i]) * FINE_MIN / 60
        full = stored >= capacity * (0.97 if off else 1.0)
        if surplus > 0 and full:
            off = roof.curtailed == "shuts off"
            left[i] = 0.0 if off else min(power[i], load[i])
            surplus = (left[i] - load[i]) * FINE_MIN / 60
        else:
            off = False
        stored = min(max(stored + surplus, 0.0), capacity)
    return left


Error = Callable[[Array], Array]  # minutes that stamps are late, by stamped minutes since 1970 UTC


def right(stamps: Array) -> Array:
    """No error."""
    return np.zeros(len(stamps))


def constant(minutes: float) -> Error:
    return lambda stamps: np.full(len(stamps), minutes)


def step(day: date, minutes: float, before: float = 0.0) -> Error:
    at = (day - date(1970, 1, 1)).days * 1440.0
    return lambda stamps: np.where(stamps >= at, before + minutes, before)


def drift(day: date, seconds_per_day: float) -> Error:
    at = (day - date(1970, 1, 1)).days * 1440.0
    return lambda stamps: np.maximum(stamps - at, 0.0) / 1440.0 * seconds_per_day / 60.0


def drift_with_resets(day: date, seconds_per_day: float, every_days: int) -> Error:
    """A drift that is set right again every so many days."""
    at = (day - date(1970, 1, 1)).days * 1440.0
    return lambda stamps: np.maximum(stamps - at, 0.0) % (every_days * 1440.0) / 1440.0 * seconds_per_day / 60.0


def other_zone(claimed: str, actual: str) -> Error:
    """What comes of a logger that writes `actual` local time read as `claimed` local time."""
    return lambda stamps: _hourly_offsets(actual, stamps) - _hourly_offsets(claimed, stamps)


def fixed_zone(claimed: str, minutes: float) -> Error:
    """A logger that keeps `minutes` ahead of UTC all year, read as `claimed` local time."""
    return lambda stamps: minutes - _hourly_offsets(claimed, stamps)


def _hourly_offsets(zone: str, stamps: Array) -> Array:
    hours = np.floor(stamps / 60).astype(np.int64)
    unique, where = np.unique(hours, return_inverse=True)
    info = ZoneInfo(zone)
    offsets = [datetime.fromtimestamp(int(hour) * 3600, UTC).astimezone(info).utcoffset() for hour in unique]
    return np.array([offset.total_seconds() / 60 if offset else 0.0 for offset in offsets])[where]


def readings(roof: Roof, first_day: date, days: int, interval_min: int, error: Error = right) -> pl.DataFrame:
    """DEVICE_READINGS as the logger would have stamped them."""
    epoch = (first_day - date(1970, 1, 1)).days * 1440.0
    stamps = epoch + np.arange(-720, days * 1440 + 720, interval_min, dtype=np.float64)
    energy = np.concatenate([[0.0], np.cumsum(true_power(roof, first_day, days + 1))])
    grid = epoch - 1440.0 + FINE_MIN * np.arange(len(energy))
    begins = stamps - error(stamps)
    ends = stamps + interval_min - error(stamps)
    power = (np.interp(ends, grid, energy) - np.interp(begins, grid, energy)) * FINE_MIN / interval_min
    power = np.round(power / roof.resolution_w) * roof.resolution_w
    return to_readings(roof, stamps, power, interval_min, first_day, days)


def to_readings(
    roof: Roof, stamps: Array, power: Array, interval_min: int, first_day: date, days: int, device: str = ""
) -> pl.DataFrame:
    rng = np.random.default_rng(roof.seed + 7)
    frame = pl.DataFrame({"ts_utc": (stamps * 60e6).astype(np.int64), "pv_w": power}).with_columns(
        pl.col("ts_utc").cast(pl.Datetime("us", "UTC")),
        site_id=pl.lit(roof.site_id),
        device_id=pl.lit(device),
        interval_s=pl.lit(interval_min * 60, dtype=pl.Int32),
        is_instant=pl.lit(False),
    )
    local = pl.col("ts_utc").dt.convert_time_zone(roof.timezone).dt.replace_time_zone(None)
    frame = frame.with_columns(ts_local=local).filter(
        pl.col("ts_local").dt.date().is_between(first_day, first_day + timedelta(days=days - 1))
    )
    day_number = (frame["ts_local"].dt.date() - first_day).dt.total_days().to_numpy()
    minute = (frame["ts_local"].dt.hour().cast(pl.Int32) * 60 + frame["ts_local"].dt.minute()).to_numpy()
    keep = np.ones(len(frame), dtype=np.bool_)
    if roof.afternoons_missing:
        keep &= ~((rng.random(days) < roof.afternoons_missing)[day_number] & (minute >= 840))
    if roof.gaps:
        from_minute = rng.integers(240, 1080, days)[day_number]
        keep &= ~((rng.random(days) < roof.gaps)[day_number] & (minute >= from_minute) & (minute < from_minute + 240))
    if not roof.night_rows:
        keep &= frame["pv_w"].to_numpy() > 0
    missing = [
        pl.lit(None, dtype=kind).alias(name) for name, kind in DEVICE_READINGS.items() if name not in frame.columns
    ]
    return frame.filter(pl.Series(keep)).with_columns(missing).select(DEVICE_READINGS.names())


def register(roofs: list[Roof]) -> pl.DataFrame:
    """SITES rows."""
    rows = [
        {
            "site_id": roof.site_id,
            "name": roof.site_id,
            "latitude": roof.latitude,
            "longitude": roof.longitude,
            "timezone": roof.timezone,
            "export_timezone": roof.export_timezone or roof.timezone,
            "installed_kwp": roof.kwp,
            "external_id": roof.site_id,
            "watched": True,
        }
        for roof in roofs
    ]
    return pl.DataFrame(rows, schema=SITES)


PLACES = (  # latitude, longitude, zone
    (47.4, 8.1, "Europe/Zurich"),
    (38.7, -9.1, "Europe/Lisbon"),
    (55.7, 12.6, "Europe/Copenhagen"),
    (51.5, -0.1, "Europe/London"),
    (39.7, -105.2, "America/Denver"),
    (-33.9, 18.4, "Africa/Johannesburg"),
    (-33.9, 151.2, "Australia/Sydney"),
    (-41.3, 174.8, "Pacific/Auckland"),
    (28.6, 77.2, "Asia/Kolkata"),
    (6.5, 3.4, "Africa/Lagos"),
    (40.4, -3.7, "Europe/Madrid"),
    (59.9, 10.8, "Europe/Oslo"),
)


def fleet(count: int, kind: str, seed: int = 1) -> list[Roof]:
    """Roofs of one kind, spread over places, azimuths and tilts: open, east-west, shaded, curtailed, patchy."""
    rng = np.random.default_rng(seed)
    roofs = []
    for i in range(count):
        latitude, longitude, zone = PLACES[i % len(PLACES)]
        equator = 180.0 if latitude > 0 else 0.0
        faces = (equator + rng.uniform(-100, 100)) % 360
        planes: tuple[tuple[float, float, float], ...] = ((1.0, float(rng.uniform(5, 50)), float(faces)),)
        options: dict = {}
        if kind == "east-west":
            planes = ((0.5, 25.0, 90.0), (0.5, 25.0, 270.0))
        if kind == "shaded":
            side = float(rng.choice([40.0, 220.0]))
            options["wall"] = (side, side + 100.0, float(rng.uniform(8, 30)))
        if kind == "curtailed":
            options["curtailed"] = str(rng.choice(["follows load", "shuts off"]))
        if kind == "patchy":
            options = {"afternoons_missing": 0.2, "gaps": 0.15, "snow_days": (60, int(rng.integers(0, 25)))}
        roofs.append(
            Roof(
                f"{kind.replace(' ', '-')}-{i:03d}",
                latitude + float(rng.uniform(-1, 1)),
                longitude + float(rng.uniform(-1, 1)),
                zone,
                planes=planes,
                clip=float(rng.choice([0.7, 0.9, 1.1])),
                night_rows=bool(rng.random() < 0.8),
                resolution_w=float(rng.choice([1.0, 10.0])),
                seed=seed * 1000 + i,
                **options,
            )
        )
    return roofs
