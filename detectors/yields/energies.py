"""What each site should have generated of a day and did, over the same intervals: a loss is their difference."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.stats.robust import Array
from detectors.yields import limited_use, pyranometer
from detectors.yields.fleet_day import Fleet, column
from detectors.yields.own_past import Correction
from detectors.yields.quarter_hours import table

SMOOTH_QUARTERS = 5  # an hour: gaps in the neighbours' sky are bridged
KNOWN_RATIO = 0.2  # ours: of the daylight; with less of it under a known sky the day has no expectation


class Before(NamedTuple):
    """What is known of each site from the nights before, [sites]."""

    baseline: Array  # log of its level while healthy
    stored_kwh: Array  # what a healthy roof would have left in the battery; NaN where not known
    is_open: NDArray[np.bool_]  # a case is open: what is in the battery is not what would be
    dark_days: NDArray[np.intp]  # up to the day before, without anything beside lit roofs


class Energies(NamedTuple):
    """Of the day, [sites]."""

    expected_kwh: Array  # NaN where nobody can say
    actual_kwh: Array
    stored_kwh: Array  # in the battery at the day's end, had the roof been healthy
    possible_kwh: Array  # of the whole day, curtailed or not; NaN where nobody can say
    roof_w: Array  # [sites, quarters]: what each roof could have made, curtailed or not; NaN where nobody can say


def of_day(fleet: Fleet, clearness: Array, correction: Correction, before: Before) -> Energies:
    """Expected and actual energy; of limited sites, what house, battery and allowed feed-in could have taken.

    Where no neighbours tell the sky nothing is expected, and all usable intervals count as actual.
    """
    light, limited = fleet.light, fleet.roofs.has_limit
    known = np.isfinite(clearness)
    sky = np.where(known, clearness, pyranometer.smoothed(clearness, SMOOTH_QUARTERS))
    level = fleet.roofs._replace(level=before.baseline - column(fleet.models, "tie", 0.0))
    due_w = pyranometer.expected_w(light, level, np.nan_to_num(sky)) * np.exp(correction.log_usual)
    has_sky = known.sum(axis=1) >= KNOWN_RATIO * np.maximum((fleet.sky.up > 0).sum(axis=1), 1)
    power = np.nan_to_num(light.power_w)
    part = np.where(np.isfinite(light.power_w) & (np.isfinite(sky) | ~has_sky[:, None]), light.share, 0.0) / 4000
    due, made = (due_w * part).sum(axis=1), (power * part).sum(axis=1)
    stored = np.zeros(len(due))
    rows = np.flatnonzero(limited & fleet.is_heard)
    if len(rows):
        possible = np.where(np.isfinite(sky), due_w, power)  # where the sky is not known nothing is claimed
        use, made[rows], could = _of_limited(fleet, possible, before, rows)
        # What was made was used, though a limit that does not hold let it out: as much was due, if the roof could.
        due[rows] = np.maximum(use.used_kwh, np.minimum(made[rows], could))
        stored[rows] = use.stored_kwh
    whole = np.where(np.isfinite(sky), due_w, power).sum(axis=1) / 4000
    roof_w = np.where(has_sky[:, None] & np.isfinite(sky) & (fleet.sky.up > 0), due_w, np.nan)
    return Energies(np.where(has_sky, due, np.nan), made, stored, np.where(has_sky, whole, np.nan), roof_w)


def _of_limited(
    fleet: Fleet, possible_w: Array, before: Before, rows: NDArray[np.intp]
) -> tuple[limited_use.Use, Array, Array]:
    """What the limited sites of `rows` could have used, what they made and what the roofs could have made at most.

    All in kWh over the intervals whose balance closed.
    """
    sites, usable = fleet.sites[rows], fleet.usable[rows]
    battery = limited_use.batteries(
        column(sites, "battery_kwh"),
        column(sites, "battery_reserve_pct"),
        column(fleet.models[rows], "charge_limit_w"),
    )
    soc = np.where(before.is_open[rows], np.nan, column(usable, "soc_first_pct"))
    begin = limited_use.stored_kwh(battery, soc, before.stored_kwh[rows])
    demand = np.where(fleet.is_voltage_high[rows], np.nan, table(usable, "load_w"))
    first = limited_use.first_quarter(sites["longitude"].to_numpy())
    use = limited_use.of_day(possible_w[rows], demand, battery, begin, first)
    made = np.nan_to_num(table(usable, "proven_w"))
    made_kwh, could_kwh = (
        np.where(np.isfinite(demand), one, 0.0).sum(axis=1) / 4000 for one in (made, possible_w[rows])
    )
    return use, made_kwh, could_kwh
