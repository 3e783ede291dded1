"""The house behind the roof: what it uses, and how battery, inverter and meter share the flows."""

from typing import NamedTuple

import numpy as np

from tests.simulation.sample_fleet.sites import Site
from tests.simulation.sample_fleet.weather import STEP_S, smooth_noise

STEP_H = STEP_S / 3600
ONE_WAY_EFFICIENCY = 0.955
RESUME_ABOVE_RESERVE = 15.0  # % points: after the stop at the reserve, discharge waits for this much
BUFFER_W = 20.0  # import that is kept up so as not to feed in
LOAD_DROP_W = 1200.0  # a drop beyond this outruns the regulator for some seconds
APPLIANCES = (  # W, minutes, times a day, hours of the day
    (2000, 5, 2.5, (6, 22)),
    (1400, 60, 0.6, (8, 18)),
    (1900, 40, 0.9, (17, 21)),
    (900, 90, 0.4, (9, 22)),
)


class Limits(NamedTuple):
    """Per step: the settings that hold at the time."""

    reserve_pct: np.ndarray
    feed_in_limit_w: np.ndarray  # inf = none
    charge_blocked: np.ndarray
    from_grid_w: np.ndarray  # charging from the grid, W


class Flows(NamedTuple):
    """Per step, W and %."""

    pv_w: np.ndarray
    battery_w: np.ndarray
    grid_w: np.ndarray
    soc_pct: np.ndarray


def load_series(site: Site, hour: np.ndarray, days: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """The house's use in W: a base, a morning, a noon and an evening hump, a fridge, and appliances at random."""
    shape = (
        0.45
        + 0.75 * np.exp(-0.5 * ((hour - 7.2) / 1.1) ** 2)
        + 0.45 * np.exp(-0.5 * ((hour - 12.6) / 1.2) ** 2)
        + 1.25 * np.exp(-0.5 * ((hour - 19.4) / 1.9) ** 2)
    )
    shape *= np.exp(0.22 * smooth_noise(rng, len(hour), 8))
    fridge = 90.0 * ((np.arange(len(hour)) * STEP_S + rng.integers(3600)) % 3600 < 1200)
    peaks = np.zeros(len(hour))
    for day in np.unique(days):
        at_day = np.flatnonzero(days == day)
        for power_w, minutes, per_day, (early, late) in APPLIANCES:
            for _ in range(rng.poisson(per_day)):
                start = at_day[0] + int(rng.uniform(early, late) / STEP_H)
                peaks[start : start + max(1, minutes // 5)] += power_w * rng.uniform(0.85, 1.1)
    rest_w = site.load_kwh_per_day * 1000 / 24 - peaks.mean() - 30  # 30 W: the fridge, a third of the time at 90 W
    return shape / shape.mean() * max(120.0, rest_w) + fridge + peaks


def run_house(
    site: Site, available_w: np.ndarray, load_w: np.ndarray, limits: Limits, rng: np.random.Generator
) -> Flows:
    """Self-consumption first: surplus charges, then feeds in up to the limit, then is held back; want discharges.

    After a stop at the reserve the battery waits until reserve + 15 % before it discharges again.
    """
    count = len(available_w)
    capacity_wh = site.battery_kwh * 1000
    rate_w = capacity_wh * 0.4
    meter_noise = rng.normal(0, 5.0, count)  # the regulators hold the meter to within some watts
    burst_w = rng.uniform(25, 110, count)
    pv, battery, grid, soc = (np.zeros(count) for _ in range(4))
    level, waits, load_before = 62.0, False, float(load_w[0])
    for i in range(count):
        p, use, limit = float(available_w[i]), float(load_w[i]), float(limits.feed_in_limit_w[i])
        no_export = limit == 0.0
        b = 0.0
        if capacity_wh:
            reserve = float(limits.reserve_pct[i])
            b, waits = _battery_w(
                p - use - float(meter_noise[i]),
                level,
                reserve,
                waits,
                rate_w,
                capacity_wh,
                bool(limits.charge_blocked[i]),
            )
            if limits.from_grid_w[i] and level < 97:
                b = -float(limits.from_grid_w[i])
            level -= b * STEP_H / capacity_wh * 100 * (ONE_WAY_EFFICIENCY if b < 0 else 1 / ONE_WAY_EFFICIENCY)
        g = use - p - b
        if no_export and g < BUFFER_W and p > 0:
            target = BUFFER_W + float(meter_noise[i])
            if load_before - use > LOAD_DROP_W:
                target = -float(burst_w[i])  # seconds of feed-in, seen in the mean of five minutes
            p = max(0.0, use - b - target)
            g = use - p - b
        elif -g > limit:
            p = max(0.0, p + g + limit - abs(float(meter_noise[i])))
            g = use - p - b
        pv[i], battery[i], grid[i], soc[i] = p, b, g, level
        load_before = use
    return Flows(np.clip(pv, 0, None), battery, grid, soc)


def _battery_w(
    surplus_w: float, level: float, reserve: float, waits: bool, rate_w: float, capacity_wh: float, blocked: bool
) -> tuple[float, bool]:
    """The battery's power (discharging positive) for one step, and whether it waits for the resume level."""
    if level <= reserve + 0.05:
        waits = True
    elif level >= min(reserve + RESUME_ABOVE_RESERVE, 98.0):
        waits = False
    if surplus_w > BUFFER_W:
        if blocked or level >= 99.9:
            return 0.0, waits
        tapered_w = rate_w * (1.0 if level < 95 else 0.35)
        room_w = (100 - level) / 100 * capacity_wh / STEP_H / ONE_WAY_EFFICIENCY
        return -min(surplus_w - BUFFER_W, tapered_w, room_w), waits
    if surplus_w < -BUFFER_W and not waits:
        stored_w = max(0.0, level - reserve) / 100 * capacity_wh / STEP_H * ONE_WAY_EFFICIENCY
        return min(-surplus_w - BUFFER_W, rate_w, stored_w), waits
    return 0.0, waits
