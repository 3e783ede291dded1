"""The size of those planted faults that follow from the weather: taken from what was lived through."""

import numpy as np

from tests.simulation.meters import Samples
from tests.simulation.sample_fleet.faults import Planted
from tests.simulation.sample_fleet.fleet import AXIS, Lived

BAND = 1.1  # EN 50160: 230 V + 10 %


def measured_size(planted: Planted, lived: Lived) -> float | None:
    """The mean per day (kWh) or the share (%) over the fault's days; None for what is no fault."""
    samples = lived.samples
    inside = (samples.day >= (planted.first_day - AXIS.first).days) & (
        samples.day <= (planted.last_day - AXIS.first).days
    )
    day_count = (planted.last_day - planted.first_day).days + 1
    match planted.kind:
        case "unexpected-export" | "battery-grid-charging":
            (fault,) = (fault for fault in lived.faults if fault.kind == planted.kind)
            days = [fed for day, fed in fault.value_of_day.items() if planted.first_day <= day <= planted.last_day]
            return round(sum(days) / day_count, 1)
        case "meter-reversed":  # feed-in while nothing could have been fed in
            return round(_dark_feed_in_kwh(samples, inside) / day_count, 1)
        case "voltage-out-of-band":
            volts = samples.channels["voltage_l1_v"][inside]
            means = volts[: len(volts) // 2 * 2].reshape(-1, 2).mean(axis=1)
            return round(float((means > lived.site.nominal_v * BAND).mean()) * 100, 1)
    return None


def _dark_feed_in_kwh(samples: Samples, inside: np.ndarray) -> float:
    dark = inside & (samples.channels["pv_w"] == 0)
    return float(np.clip(-samples.channels["grid_w"][dark], 0, None).sum()) * samples.seconds / 3.6e6
