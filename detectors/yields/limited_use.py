"""What a limited site could have used of a day if its roof had been healthy: house, battery and allowed feed-in.

The battery's state is carried forward as it would have been: a healthy roof fills it earlier in the day, and what comes
after that has no taker. A loss is held against this, not against what the roof could have made.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.stats.robust import Array
from detectors.yields.quarter_hours import QUARTERS

EFFICIENCY = 0.95  # ours: one way, usual of home batteries
POWER_RATIO = 0.5  # ours: kW per kWh where no charging was seen
DEFAULT_RESERVE_PCT = 10.0  # ours: where the register knows none
QUARTER_H = 0.25


class Battery(NamedTuple):
    """What can be stored at each site, [sites]; all 0 where there is no battery."""

    usable_kwh: Array  # between reserve and full
    power_w: Array
    reserve_pct: Array
    size_kwh: Array


def batteries(size_kwh: Array, reserve_pct: Array, charge_limit_w: Array) -> Battery:
    """From the register and the highest charging seen; NaN where not known."""
    size = np.nan_to_num(size_kwh)
    reserve = np.where(np.isfinite(reserve_pct), reserve_pct, DEFAULT_RESERVE_PCT)
    power = np.where(np.isfinite(charge_limit_w), charge_limit_w, POWER_RATIO * 1000 * size)
    return Battery(size * (1 - reserve / 100), np.where(size > 0, power, 0.0), reserve, size)


def stored_kwh(battery: Battery, soc_pct: Array, otherwise: Array) -> Array:
    """Energy above the reserve at this state of charge; `otherwise` where that is not known (NaN)."""
    above = battery.size_kwh * (soc_pct - battery.reserve_pct) / 100
    known = np.where(np.isfinite(above), above, np.nan_to_num(otherwise))
    return np.clip(known, 0.0, battery.usable_kwh)


class Use(NamedTuple):
    """Of a day, [sites]."""

    used_kwh: Array  # of the generation
    stored_kwh: Array  # in the battery at its end


def of_day(possible_w: Array, demand_w: Array, battery: Battery, begin_kwh: Array, first: NDArray[np.intp]) -> Use:
    """The day lived through by quarter hours from `first`, [sites], the one with which the local day begins.

    `possible_w` is what the roof could make, `demand_w` what house and allowed feed-in take, both [sites, 96] W;
    a quarter hour with NaN in either is left out.
    """
    stored, used = begin_kwh.copy(), np.zeros(len(begin_kwh))
    rows = np.arange(len(begin_kwh))
    for n in range(QUARTERS):
        at = (first + n) % QUARTERS
        possible, demand = possible_w[rows, at], demand_w[rows, at]
        known = np.isfinite(possible) & np.isfinite(demand)
        possible, demand = np.where(known, possible, 0.0), np.maximum(np.where(known, demand, 0.0), 0.0)
        room_w = (battery.usable_kwh - stored) * 1000 / (EFFICIENCY * QUARTER_H)
        charge = np.clip(possible - demand, 0.0, np.minimum(battery.power_w, np.maximum(room_w, 0.0)))
        wanted = np.clip(demand - possible, 0.0, battery.power_w)
        discharge = np.minimum(wanted, stored * 1000 * EFFICIENCY / QUARTER_H)
        used += np.minimum(possible, demand + charge) * QUARTER_H / 1000
        stored += (charge * EFFICIENCY - discharge / EFFICIENCY) * QUARTER_H / 1000
        stored = np.clip(stored, 0.0, battery.usable_kwh)
    return Use(used, stored)


def first_quarter(longitude: Array) -> NDArray[np.intp]:
    """The quarter hour of UTC with which each place's solar day begins, [sites]."""
    return np.rint((-longitude / 15 % 24) * 4).astype(np.intp) % QUARTERS
