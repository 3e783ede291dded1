"""Invented sites with meters of every resolution and habits of delivery, to measure the detectors of data quality.

Power balances at every five minutes; then come the meters (class, resolution, skew, which side of the inverter) and the
logger (nights left out, every third day, gaps). Everything follows from the seed.
"""

from collections.abc import Callable
from datetime import UTC, date, datetime
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.frames import CHANNELS, DEVICE_READINGS, READINGS
from tests.support import build

Array = NDArray[np.float64]
BASE_MIN = 5
PER_DAY = 1440 // BASE_MIN
FIRST = date(2025, 4, 1)  # no change of clocks: the zone below has none
ZONE = "Asia/Kolkata"
OFFSET_S = 19800


class Site(NamedTuple):
    """One site's register row, course per five minutes, rows that are delivered, and the channels it has."""

    row: dict
    course: dict[str, Array]
    delivered: NDArray[np.bool_]
    quirks: tuple[str, ...]


def make_site(rng: np.random.Generator, name: str, day_count: int, *, quirk: str = "") -> Site:
    """A sound site; `quirk` names the look-alike that it has for certain, others come by chance."""
    kwp = float(rng.uniform(3, 15))
    inverter_kw = kwp * float(rng.choice([0.65, 0.85, 1.0]))
    has_battery = rng.random() < 0.6 or quirk in ("schedule", "floor", "full")
    capacity = float(rng.choice([5.0, 10.0, 15.0])) if has_battery else 0.0
    row = {
        "site_id": name,
        "latitude": float(rng.uniform(8, 30)),
        "longitude": 77.0,
        "timezone": ZONE,
        "export_timezone": ZONE,
        "installed_kwp": kwp,
        "inverter_kw": inverter_kw,
        "battery_kwh": capacity or None,
        "battery_reserve_pct": 20.0,
        "profile": str(rng.choice(["a", "b", ""])),
        "feed_in_limit_kw": float(rng.choice([0.0, 2.0])) if quirk == "limit" or rng.random() < 0.2 else None,
    }
    steps = day_count * PER_DAY
    possible = _possible(rng, day_count, row["latitude"], kwp)
    load = _load(rng, steps, away=quirk == "away")
    course = _flow(np.minimum(possible, inverter_kw * 1000), load, row, capacity, quirk)
    course |= _mains(rng, steps, day_count)
    course |= _weather(rng, possible, kwp, day_count)
    metered = _metered(rng, course, row, quirk)
    return Site(row, metered, _delivered(rng, metered, day_count, quirk), (quirk,) if quirk else ())


def _possible(rng: np.random.Generator, day_count: int, latitude: float, kwp: float) -> Array:
    """What the modules could give, W: a clear sky with passing clouds, some of them with bright edges."""
    hour = (np.arange(PER_DAY) + 0.5) * BASE_MIN / 60
    declination = np.radians(23.4 * np.sin(2 * np.pi * (10 + np.arange(day_count)) / 365))
    phi = np.radians(latitude)
    cosine = np.sin(phi) * np.sin(declination)[:, None] + np.cos(phi) * np.cos(declination)[:, None] * np.cos(
        (hour - 12.3) * np.pi / 12
    )
    clear = np.maximum(cosine, 0) ** 1.15
    sky = rng.choice([1.0, 0.95, 0.6, 0.15], day_count, p=[0.3, 0.3, 0.25, 0.15])[:, None]
    rough = np.where(sky > 0.9, 0.02, 0.35) * rng.normal(size=(day_count, PER_DAY))
    cloud = np.clip(sky * (1 + rough), 0.03, 1.25)
    return (kwp * 900 * clear * cloud).ravel()


def _load(rng: np.random.Generator, steps: int, *, away: bool) -> Array:
    """A base that wanders with the street's voltage, a refrigerator, appliances; away: the base and little else."""
    load = rng.uniform(60, 350) * (1 + 0.02 * rng.normal(size=steps))
    period = int(rng.integers(8, 20))
    load += np.where((np.arange(steps) + rng.integers(0, period)) % period < period * 0.35, 90.0, 0.0)
    for start in rng.integers(0, steps, steps // 25):
        length = max(1, int(rng.exponential(5)))
        load[start : start + length] += rng.choice([80, 150, 700, 1500, 2200])
    if away:
        gone = steps // 3
        load[gone:] = rng.choice([4.0, 12.0, 30.0]) * (1 + 0.01 * rng.normal(size=steps - gone))
    return np.maximum(load, 2)


def _flow(possible: Array, load: Array, row: dict, capacity: float, quirk: str) -> dict[str, Array]:
    """Generation, battery, grid and state of charge that balance at every step."""
    limit = row["feed_in_limit_kw"]
    kept_w = np.inf if limit is None else limit * 1000
    floor = capacity * 0.2
    stored = floor if quirk == "floor" else capacity * 0.6
    out = np.zeros((4, len(load)))
    hours = BASE_MIN / 60
    gloom = 0.1 if quirk == "floor" else 1.0
    for n in range(len(load)):
        pv = possible[n] * gloom
        surplus = pv - load[n]
        hour = n % PER_DAY * hours
        if quirk == "schedule" and 1 <= hour < 4:
            flow = -min(capacity / 6 * 1000, max(capacity - stored, 0) / hours * 1000)
        elif surplus > 0:
            flow = -min(surplus, (capacity - stored) / hours * 1000, capacity * 500)
        else:
            flow = min(-surplus, max(stored - floor, 0) / hours * 1000, capacity * 500)
        stored -= flow * hours / 1000
        over = max(surplus + flow - kept_w, 0.0)
        out[:, n] = pv - over, flow, -(surplus + flow - over), stored
    course = {"pv_w": out[0], "grid_w": out[2], "load_w": load.copy()}
    if capacity:
        course |= {"battery_w": out[1], "soc_pct": out[3] / capacity * 100}
    return course


def _mains(rng: np.random.Generator, steps: int, day_count: int) -> dict[str, Array]:
    slow = np.repeat(rng.normal(0, 1.5, day_count * 24), PER_DAY // 24)
    voltage = 231 + slow + 1.2 * rng.normal(size=steps)
    frequency = 50 + 0.02 * rng.normal(size=steps)
    return {
        "voltage_l1_v": np.round(voltage, int(rng.choice([0, 1, 1, 2]))),
        "voltage_l2_v": np.zeros(steps),  # not connected
        "frequency_hz": np.round(frequency, int(rng.choice([0, 1, 2, 2]))),
    }


def _weather(rng: np.random.Generator, possible: Array, kwp: float, day_count: int) -> dict[str, Array]:
    hour = np.tile((np.arange(PER_DAY) + 0.5) * BASE_MIN / 60, day_count)
    ambient = 24 + 6 * np.sin((hour - 9) * np.pi / 12) + np.repeat(rng.normal(0, 2, day_count), PER_DAY)
    digits = int(rng.choice([0, 1]))
    return {
        "ambient_temp_c": np.round(ambient, digits),
        "inverter_temp_c": np.round(ambient + 5 + 15 * possible / (kwp * 1000), digits),
        "irradiance_w_m2": np.maximum(possible / kwp + rng.normal(-1, 1, len(possible)), -5),
    }


def _metered(rng: np.random.Generator, course: dict[str, Array], row: dict, quirk: str) -> dict[str, Array]:
    """What the meters show: their class, their side of the inverter, their clocks' skew, their resolution."""
    shown = dict(course)
    if quirk == "dc_side":
        shown["pv_w"] = course["pv_w"] / 0.96 + np.where(course["pv_w"] > 0, 25.0, 0.0)
        if "battery_w" in course:
            shown["battery_w"] = np.where(
                course["battery_w"] > 0, course["battery_w"] / 0.96, course["battery_w"] * 0.96
            )
    if quirk == "skew":
        shown["grid_w"] = np.roll(course["grid_w"], int(rng.choice([1, 2, 3])))
    step = float(rng.choice([0.0, 1.0, 1.0, 10.0, 100.0]) if quirk != "coarse" else 100.0)
    for name in ("pv_w", "grid_w", "load_w", "battery_w"):
        if name in shown:
            shown[name] = shown[name] * (1 + 0.01 * rng.normal())
            shown[name] = np.round(shown[name] / step) * step if step else shown[name]
    if quirk == "computed":
        shown["load_w"] = shown["pv_w"] + shown["grid_w"] + shown.get("battery_w", 0.0)
    if "soc_pct" in shown:
        shown["soc_pct"] = np.round(shown["soc_pct"], int(rng.choice([0, 0, 1])))
    if quirk == "edge":
        at = rng.choice(np.flatnonzero(course["pv_w"] > 0.5 * row["inverter_kw"] * 1000), 4)
        shown["pv_w"][at] = min(1.25 * row["installed_kwp"], 1.08 * row["inverter_kw"]) * 1000
    if quirk == "own_use":
        shown["pv_w"] = np.where(shown["pv_w"] <= 0, -8.0, shown["pv_w"])
    return shown


def _delivered(rng: np.random.Generator, course: dict[str, Array], day_count: int, quirk: str) -> NDArray[np.bool_]:
    steps = day_count * PER_DAY
    place = np.arange(steps)
    there = rng.random(steps) > (0.1 if quirk == "gappy" else 0.002)
    if quirk == "daylight":
        there &= course["pv_w"] > 0
    if quirk == "third_day":
        there &= place // PER_DAY % 3 == rng.integers(0, 3)
    if quirk == "weekdays":
        there &= place // PER_DAY % 7 < 5
    if quirk == "short_outages":
        for start in rng.integers(0, steps, day_count // 4):
            there[start : start + int(rng.integers(2, 10) * 60 / BASE_MIN)] = False
    return there


QUIRKS = (
    "", "", "coarse", "daylight", "third_day", "weekdays", "short_outages", "gappy", "limit", "floor", "schedule",
    "away", "dc_side", "skew", "computed", "edge", "own_use",
)  # fmt: skip


def frame(
    site: Site, step_min: int, device_id: str = "", change: Callable[[dict[str, Array]], None] | None = None
) -> pl.DataFrame:
    """DEVICE_READINGS of a site at `step_min`; `change` may plant something into the course as written."""
    times = step_min // BASE_MIN
    there = site.delivered.reshape(-1, times).any(axis=1)
    course = {name: values.reshape(-1, times).mean(axis=1) for name, values in site.course.items()}
    for name, values in course.items():
        if name.endswith("_w") and times > 1:
            course[name] = np.round(values, 3)
    if change is not None:
        change(course)
    start = int(datetime(FIRST.year, FIRST.month, FIRST.day, tzinfo=UTC).timestamp())
    local = start + np.arange(len(there)) * step_min * 60
    nothing = pl.repeat(None, len(there), dtype=pl.Float64, eager=True)
    columns = {
        "device_id": pl.Series([device_id]).new_from_index(0, len(there)),
        "site_id": pl.Series([site.row["site_id"]]).new_from_index(0, len(there)),
        "ts_utc": pl.Series((local - OFFSET_S) * 1_000_000).cast(pl.Datetime("us", "UTC")),
        "ts_local": pl.Series(local * 1_000_000).cast(pl.Datetime("us")),
        "interval_s": pl.Series([step_min * 60], dtype=pl.Int32).new_from_index(0, len(there)),
        "is_instant": pl.Series([False]).new_from_index(0, len(there)),
        **{name: pl.Series(course[name]).fill_nan(None) if name in course else nothing for name in CHANNELS},
    }
    rows = pl.DataFrame(columns).select(DEVICE_READINGS.names()).cast(DEVICE_READINGS)
    return rows.filter(pl.Series(there))


def site_days(readings: pl.DataFrame) -> pl.DataFrame:
    """DAYS as far as the detectors of data quality need them."""
    hours = pl.col("interval_s") / 3600
    told = readings.group_by("site_id", pl.col("ts_local").dt.date().alias("day")).agg(
        readings=pl.len().cast(pl.Int32),
        coverage_pct=100 * hours.sum() / 24,
        **{
            f"{name}_kwh": pl.when(pl.col(f"{channel}_w").count() > 0).then(
                (pl.col(f"{channel}_w").clip(lower_bound=0) * hours).sum() / 1000
            )
            for name, channel in (("pv", "pv"), ("load", "load"), ("import", "grid"))
        },
    )
    whole = build.days({}).clear()
    return pl.concat([whole, told.sort("site_id", "day")], how="diagonal_relaxed").select(whole.columns)


def site_readings(device_readings: pl.DataFrame) -> pl.DataFrame:
    """READINGS of sites of one device."""
    return device_readings.filter(pl.col("device_id") == "").select(READINGS.names())
