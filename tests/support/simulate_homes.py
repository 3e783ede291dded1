"""Invented homes with a load, a battery and a limit, to measure the detectors of feed-in and battery.

Power balance by the step: generation serves the load, then the battery, then the grid up to its limit; what is left is
not generated. A limiter follows a falling load only after some seconds. Everything follows from the seed.
"""

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from tests.support import build

Array = NDArray[np.float64]


class Home(NamedTuple):
    """A home's course, W and %, one value per step."""

    pv_w: Array
    load_w: Array
    battery_w: Array
    grid_w: Array
    soc_pct: Array


def home(
    rng: np.random.Generator,
    *,
    day_count: int,
    step_min: int,
    kwp: float,
    limit_kw: float,
    applied_kw: float | None = None,
    battery_kwh: float = 0.0,
    reserve_pct: float = 35.0,
    charging: Array | None = None,
    gloom: float = 0.3,
) -> Home:
    """Some days of a home; `applied_kw` is the limit that the inverter keeps, `charging` 0 where it does not charge."""
    per_day = 1440 // step_min
    steps = day_count * per_day
    sun = np.clip(np.sin(np.linspace(-np.pi / 2, 1.5 * np.pi, per_day, endpoint=False)) + 0.1, 0, 1) ** 1.3
    sky = np.where(rng.random(day_count) < gloom, rng.uniform(0.05, 0.2, day_count), rng.uniform(0.5, 1, day_count))
    cloud = np.clip(np.repeat(sky, per_day) * (1 + 0.2 * rng.normal(size=steps)), 0.02, 1)
    possible = kwp * 850 * np.tile(sun, day_count) * cloud
    load = _load(rng, steps, step_min)
    can_charge = np.ones(steps) if charging is None else np.repeat(charging, per_day)
    kept_w = (limit_kw if applied_kw is None else applied_kw) * 1000
    soc = battery_kwh * reserve_pct / 100
    out = np.zeros((4, steps))
    hours = step_min / 60
    for n in range(steps):
        surplus = possible[n] - load[n]
        room_w = (battery_kwh - soc) / hours * 1000
        stored_w = max((soc - battery_kwh * reserve_pct / 100) / hours * 1000, 0.0)
        flow = -min(surplus, room_w, 5000.0) * can_charge[n] if surplus > 0 else min(-surplus, stored_w, 5000.0)
        flow = flow if battery_kwh else 0.0
        soc -= flow * hours / 1000
        over = max(surplus + flow - kept_w, 0.0)
        # A load that fell within the step lets its power out until the limiter has followed, 2 to 20 s later.
        fell = max(load[n - 1] - load[n], 0.0) if n and over > 0 else 0.0
        slip = min(fell, over) * rng.uniform(2, 20) / (step_min * 60)
        out[:, n] = possible[n] - over + slip, flow, -(surplus + flow - over + slip), soc
    grid = out[2] * (1 + 0.005 * rng.normal()) + rng.normal(0, 8, steps)
    level = out[3] / battery_kwh * 100 if battery_kwh else np.zeros(steps)
    return Home(out[0], load, out[1], grid, level)


def _load(rng: np.random.Generator, steps: int, step_min: int) -> Array:
    """A base load with appliances that come and go within minutes to hours."""
    load = np.full(steps, rng.uniform(120, 400)) * (1 + 0.1 * rng.normal(size=steps))
    for start in rng.integers(0, steps, steps * step_min // 80):
        length = max(1, int(rng.exponential(30) / step_min))
        load[start : start + length] += rng.choice([80, 150, 700, 1500, 2200, 3000])
    return np.maximum(load, 40)


def day_rows(course: Home, *, site_id: str, step_min: int, reserve_pct: float) -> pl.DataFrame:
    """Site-days of a home, its last day being the builders' day; what the daily summing would give."""
    per_day = 1440 // step_min
    hours = step_min / 60

    def kwh(power: Array) -> Array:
        return np.maximum(power, 0).reshape(-1, per_day).sum(axis=1) * hours / 1000

    level = course.soc_pct.reshape(-1, per_day)
    surplus = course.pv_w - course.load_w
    at_floor = course.soc_pct <= reserve_pct + 2
    columns = {
        "pv_kwh": kwh(course.pv_w),
        "load_kwh": kwh(course.load_w),
        "import_kwh": kwh(course.grid_w),
        "feed_in_kwh": kwh(-course.grid_w),
        "charge_kwh": kwh(-course.battery_w),
        "discharge_kwh": kwh(course.battery_w),
        "soc_min_pct": level.min(axis=1),
        "soc_max_pct": level.max(axis=1),
        "surplus_kwh": kwh(surplus),
        "surplus_at_floor_kwh": kwh(np.where(at_floor, surplus, 0.0)),
    }
    rows = ({"site_id": site_id, **{k: float(v[n]) for k, v in columns.items()}} for n in range(len(level)))
    return build.days(*rows)
