"""What a site's logger has to write: a row per interval, by the day in whose file it stands."""

from collections.abc import Collection
from datetime import UTC, date, datetime
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from tests.simulation.meters import label_wall_s
from tests.simulation.sample_fleet.fleet import Lived
from tests.simulation.sample_fleet.sites import FIRST_DAY, LAST_DAY

STARTS = {"KLI-01": date(2026, 3, 11)}  # no export before the first trials
LABELLED_AT_END = ("evening-csv", "line-records")


class Row(NamedTuple):
    """One interval of one site as its logger has it: W, %, V, degC; kWh so far for the counters."""

    start_s: float  # Unix seconds by the logger's clock
    wall: datetime  # what the wall clock of its system shows at the interval's label
    pv_w: float
    inputs_w: tuple[float, ...]
    load_w: float
    grid_w: float
    battery_w: float
    soc_pct: float
    voltage_v: float
    inverter_temp_c: float
    pv_kwh: float
    import_kwh: float
    feed_in_kwh: float
    is_silent_b: bool  # a second device has nothing to say


Daily = dict[date, list[Row]]


def to_rows(lived: Lived, days: Collection[date]) -> Daily:
    """The site's rows of these days, by the day in whose file they stand: of the system's clock."""
    spec, site, samples = lived.spec, lived.site, lived.samples
    begin = label_wall_s(site, samples, 0.0)
    label = label_wall_s(site, samples, samples.seconds if spec.kind in LABELLED_AT_END else 0.0)
    silent = np.zeros(len(begin), bool)
    for fault in lived.faults:
        if fault.kind == "site-silent":
            silent |= fault.strength(samples.true_s) > 0
    kwh = samples.seconds / 3_600_000
    grid = samples.channels["grid_w"]
    counters = [np.cumsum(np.clip(x, 0, None)) * kwh for x in (samples.channels["pv_w"], grid, -grid)]
    columns = [_channel(lived, name) for name in ("pv_w", "load_w", "grid_w", "battery_w", "soc_pct")]
    volts, temp = _channel(lived, "voltage_l1_v"), _channel(lived, "inverter_temp_c")
    inputs = np.stack([samples.channels[f"pv{n}_w"] for n in (1, 2) if f"pv{n}_w" in samples.channels] or [columns[0]])
    wanted = {day for day in days if STARTS.get(spec.site_id, FIRST_DAY) <= day <= LAST_DAY}
    out: Daily = {}
    for i, at in enumerate(begin):
        day = datetime.fromtimestamp(float(at), UTC).date()
        if day in wanted:
            pv, load, grid_w, battery, level = (float(x[i]) for x in columns)
            out.setdefault(day, []).append(
                Row(
                    float(samples.stamp_s[i]), datetime.fromtimestamp(float(label[i]), UTC).replace(tzinfo=None), pv,
                    tuple(map(float, inputs[:, i])), load, grid_w, battery, level, float(volts[i]), float(temp[i]),
                    *(float(c[i]) for c in counters), bool(silent[i]),
                )
            )  # fmt: skip
    return out


def _channel(lived: Lived, name: str) -> NDArray[np.float64]:
    """What the logger reports of a channel, 0 where it has none."""
    channels = lived.samples.channels
    return channels[name] if name in channels else np.zeros(len(lived.samples.true_s))
