"""Battery, limits and grid of many sites at once, step by step: PV + battery + grid = load at every step."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TAPER_FROM = 0.90  # share of the charge from which the charging power falls
TOP_UP_BELOW = 0.03  # below the level where discharge stops, the battery is topped up with little power


@dataclass
class Control:
    """One site over the steps; W and shares of 1. Scalars are constant over the span."""

    pv_w: Array  # what the roof could give
    load_w: Array  # what must be served
    flexible_w: Array  # what can be cut: a car
    limit_w: Array  # feed-in allowed, inf = no limit
    low: Array  # level where discharge stops
    charge_w: Array  # most charging power
    discharge_w: Array
    schedule_w: Array  # charging by a schedule, whatever the roof gives
    grid_on: Array  # 1, or 0 while the grid is out
    shave_w: Array  # most import, inf = no limit
    target_w: Array  # import that the control keeps up, so as not to feed in
    capacity_kwh: float  # 0 = no battery
    resume: float  # after a stop, discharge waits until this level
    floor: float  # the level that a grid outage may use
    efficiency: float  # one way
    standby_w: float
    lag_s: float  # time constant of the control
    error_w: float  # its noise
    first_level: float


STEPPED = tuple(f.name for f in fields(Control) if f.type in (Array, "Array"))


@dataclass
class Flows:
    """By step and site [step, site]."""

    pv_w: Array
    battery_w: Array
    grid_w: Array
    load_w: Array
    level: Array  # at the end of the step


def run(controls: list[Control], step_s: int, seed: int, chance_of: list[int]) -> Flows:
    """Lives through the steps with all sites side by side.

    `chance_of`: whose chance each site has; a site with and without its faults has the same.
    """
    rng = np.random.default_rng(seed)
    c = {name: np.ascontiguousarray(np.stack([getattr(one, name) for one in controls], axis=1)) for name in STEPPED}
    k = {f.name: np.array([getattr(one, f.name) for one in controls]) for f in fields(Control) if f.name not in STEPPED}
    steps, sites = c["pv_w"].shape
    has = k["capacity_kwh"] > 0
    capacity_ws = np.where(has, k["capacity_kwh"] * 3.6e6, 1.0)
    out = Flows(*(np.zeros((steps, sites)) for _ in range(5)))
    level = np.where(has, k["first_level"], 0.0)
    waiting = np.zeros(sites, bool)
    before = c["load_w"][0]
    share = np.minimum(k["lag_s"] / step_s, 0.5)
    own = max(chance_of) + 1
    noise = rng.standard_normal((steps, own))[:, chance_of] * k["error_w"]
    slip = rng.exponential(1.0, (steps, own))[:, chance_of] * k["error_w"] * 0.5
    top_w = np.minimum(250.0, np.where(has, k["capacity_kwh"] * 60, 0.0))
    for t in range(steps):
        on = c["grid_on"][t] > 0.5
        low = np.where(on, c["low"][t], k["floor"])
        waiting = np.where(level <= low + 0.002, True, waiting & (level < np.maximum(k["resume"], low + 0.01)))
        blocked = waiting & (k["resume"] > low + 0.012) & on
        room_in = np.where(has, c["charge_w"][t] * np.clip((1 - level) / (1 - TAPER_FROM), 0.04, 1.0), 0.0)
        room_in = np.minimum(room_in, np.clip(1 - level, 0, None) * capacity_ws / (k["efficiency"] * step_s))
        room_out = np.minimum(
            c["discharge_w"][t], np.clip(level - low, 0, None) * capacity_ws * k["efficiency"] / step_s
        )
        room_out = np.where(has & ~blocked, room_out, 0.0)
        pv, fixed = c["pv_w"][t], c["load_w"][t]
        spare = np.clip(c["shave_w"][t] * 0.95 - (fixed - pv - room_out), 0, None)
        load = np.where(on, fixed + np.minimum(c["flexible_w"][t], spare), fixed * 0.6)
        target = np.where(on, c["target_w"][t], 0.0)
        want = load - pv - target
        battery = np.clip(want, -np.minimum(room_in, pv), room_out)  # what it takes comes from the roof
        schedule = c["schedule_w"][t]
        forced = (schedule > 0) & on
        battery = np.where(forced, -np.minimum(schedule, room_in), battery)
        empty = has & on & (level < low - TOP_UP_BELOW) & (battery > -top_w)
        battery = np.where(empty, -top_w, battery)
        active = has & (np.abs(battery) > 60) & (np.abs(battery) < np.maximum(room_in, room_out) * 0.98)
        battery = battery + np.where(active & ~forced, noise[t], 0.0)
        least = np.where(np.isinf(c["limit_w"][t]), -np.inf, target - c["limit_w"][t])
        grid = load - pv - battery
        cut = np.minimum(np.clip(least - grid, 0, None), pv)
        made = pv - cut
        # The control follows the house with a lag: a drop of the load is fed in for seconds, a rise is imported.
        change = fixed - before
        late = np.where(cut > 0, -change * share + slip[t], 0.0)
        made = np.clip(made + late, 0, pv)
        # Without the grid the house gets what there is, and no more than it takes.
        alone = np.minimum(pv, load + room_in)
        served = np.minimum(load, alone + room_out)
        made, load = np.where(on, made, np.minimum(alone, served + room_in)), np.where(on, load, served)
        battery = np.where(on, battery, load - made)
        level = level + np.where(
            has,
            (np.where(battery < 0, -battery * k["efficiency"], -battery / k["efficiency"]) - k["standby_w"])
            * step_s / capacity_ws,
            0.0,
        )  # fmt: skip
        level = np.clip(level, 0.0, 1.0)
        before = fixed
        out.pv_w[t], out.battery_w[t], out.load_w[t], out.level[t] = made, battery, load, level
        out.grid_w[t] = load - made - battery
    return out
