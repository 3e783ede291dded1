"""What a limited site could have used of a day if its roof had been healthy: house, battery and allowed feed-in.

The battery's state is carried forward as it would have been: a healthy roof fills it earlier in the day, and what comes
after that has no taker. A loss is held against this, not against what the roof could have made. While a weak roof was
held by its takers, a healthy one would have been too: nothing is lost then, and no model of the house has to tell it.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.stats.robust import Array
from detectors.yields.capped import capped_mean
from detectors.yields.quarter_hours import QUARTERS

EFFICIENCY = 0.95  # ours: one way, usual of home batteries
POWER_RATIO = 0.5  # ours: kW per kWh where no charging was seen
DEFAULT_RESERVE_PCT = 10.0  # ours: where the register knows none
QUARTER_H = 0.25
MIN_SIGMA, MAX_SIGMA = 1e-3, 1.0  # ours: of a log; two powers that are both known exactly need no more
HOUSE_SIGMA = 0.2  # ours: log scatter of what a house draws within a quarter hour; simulated loads alone have twice it


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


class Day(NamedTuple):
    """What is known of a day, [sites, 96] unless said; quarter hours with NaN in the first or third are left out."""

    possible_w: Array  # what the roof could make
    sky_sigma: Array  # of it, log
    house_w: Array  # what house, and the import that is kept up, leave for the roof
    limit_w: Array  # [sites]: allowed feed-in
    house_sigma: Array  # [sites]: log scatter of the house's load within a reading
    made_w: Array
    charge_w: Array  # what the battery took of it
    held: Array  # share of the quarter hour in which its takers took all that they could


def of_day(day: Day, battery: Battery, begin_kwh: Array, first: NDArray[np.intp]) -> Use:
    """The day lived through by quarter hours from `first`, [sites], the one with which the local day begins.

    The house comes first, then the battery, and what is left is fed in as far as that is allowed; the battery gives to
    the house alone. A roof that was held by its takers shows what they take, and a healthy one would have been held as
    well: of such quarter hours it makes what was made, less what a fuller battery would have had no room for.
    """
    stored, used = begin_kwh.copy(), np.zeros(len(begin_kwh))
    rows = np.arange(len(begin_kwh))
    quarterly = (day.possible_w, day.sky_sigma, day.house_w, day.made_w, day.charge_w, day.held)
    for n in range(QUARTERS):
        at = (first + n) % QUARTERS
        possible, sky, house, made, taken, held = (one[rows, at] for one in quarterly)
        known = np.isfinite(possible) & np.isfinite(house)
        possible, house = np.where(known, possible, 0.0), np.maximum(np.where(known, house, 0.0), 0.0)
        held = np.where(known & np.isfinite(made), held, 0.0)
        made, taken = np.nan_to_num(made), np.clip(np.nan_to_num(taken), 0.0, np.nan_to_num(made))
        room_w = np.maximum((battery.usable_kwh - stored) * 1000 / (EFFICIENCY * QUARTER_H), 0.0)
        max_charge = np.minimum(battery.power_w, room_w)
        house_sigma_w = day.house_sigma * house

        direct = _least(possible, house, sky, house_sigma_w)
        with_battery = _least(possible, house + max_charge, sky, house_sigma_w)
        as_held = np.minimum(taken, room_w)
        charge = np.where(known, (1 - held) * (with_battery - direct) + held * as_held, 0.0)
        wanted = (1 - held) * np.clip(house - direct, 0.0, battery.power_w)
        discharge = np.minimum(wanted, stored * 1000 * EFFICIENCY / QUARTER_H)
        free = _least(possible, house + max_charge + day.limit_w, sky, house_sigma_w)
        used += np.where(known, (1 - held) * free + held * (made - taken + as_held), 0.0) * QUARTER_H / 1000
        stored += (charge * EFFICIENCY - discharge / EFFICIENCY) * QUARTER_H / 1000
        stored = np.clip(stored, 0.0, battery.usable_kwh)
    return Use(used, stored)


def _least(possible_w: Array, takers_w: Array, sky_sigma: Array, house_sigma_w: Array) -> Array:
    """The mean of the lesser of the two, both log-normal and apart: what an option to exchange them leaves.

    E min(X, Y) with s^2 = sX^2 + sY^2 (Margrabe, The value of an option to exchange one asset for another, 1978).
    """
    sigma = np.hypot(sky_sigma, house_sigma_w / np.maximum(takers_w, 1.0))
    return capped_mean(possible_w, takers_w, np.clip(sigma, MIN_SIGMA, MAX_SIGMA))


def first_quarter(longitude: Array) -> NDArray[np.intp]:
    """The quarter hour of UTC with which each place's solar day begins, [sites]."""
    return np.rint((-longitude / 15 % 24) * 4).astype(np.intp) % QUARTERS
