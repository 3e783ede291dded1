"""The size of those planted faults that follow from the weather: taken from the series, not from a setting."""

import numpy as np

from tests.simulation.sample_fleet.faults import Planted
from tests.simulation.sample_fleet.physics import Series

STEP_KWH = 300 / 3_600_000  # of 1 W over one step


def measured_size(fault: Planted, series: Series) -> float | None:
    """The mean per day (kWh) or the share (%) over the fault's days; None for what is no fault."""
    inside = (series.days >= np.datetime64(str(fault.first_day))) & (series.days <= np.datetime64(str(fault.last_day)))
    day_count = (fault.last_day - fault.first_day).days + 1
    grid_w, pv_w, battery_w = series.grid_w[inside], series.pv_w[inside], series.battery_w[inside]
    fed_in_w = -grid_w.clip(None, 0)
    match fault.kind:
        case "unexpected-export":
            return round(float(fed_in_w.sum()) * STEP_KWH / day_count, 1)
        case "meter-reversed":  # feed-in while nothing could have been fed in
            return round(float(fed_in_w[pv_w == 0].sum()) * STEP_KWH / day_count, 1)
        case "battery-grid-charging":
            from_grid_w = np.minimum(-battery_w.clip(None, 0), grid_w.clip(0))
            return round(float(from_grid_w[pv_w == 0].sum()) * STEP_KWH / day_count, 1)
        case "voltage-out-of-band":
            volts = series.voltage_v[inside]
            means = volts[: len(volts) // 2 * 2].reshape(-1, 2).mean(axis=1)
            return round(float((means > 230 * 1.1).mean()) * 100, 1)
    return None
