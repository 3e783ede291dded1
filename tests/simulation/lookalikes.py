"""Things at healthy sites that look like faults: names, what they need, and what they do."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.simulation.axis import Axis
from tests.simulation.plant import Control
from tests.simulation.site import Site

Array = NDArray[np.float64]
Rng = np.random.Generator


def _nothing(*_: Any) -> None:
    """Most look-alikes need no more than a certain kind of site."""


@dataclass(frozen=True)
class LookAlike:
    """`prepare` changes the site before it is simulated, `control` what happens to its battery, loads and grid."""

    needs: dict[str, Any] = field(default_factory=dict)
    prepare: Callable[[Site, int, Rng], None] = _nothing
    control: Callable[[Control, Axis, Site, Array, Rng], None] = _nothing
    climates: tuple[str, ...] = ()  # where it can be; empty = anywhere
    delivery: str = ""  # what the exports do: outage, late, moved, commissioned, limit lifted, rounding, recalibrated


def _holiday(site: Site, days: int, rng: Rng) -> None:
    begin = int(rng.integers(5, max(days - 25, 6)))
    site.house.away = (begin, begin + int(rng.integers(7, 22)))


def _appliance(site: Site, days: int, rng: Rng) -> None:
    site.house.more_from = (int(rng.integers(10, max(days - 15, 11))), float(rng.uniform(900, 2500)))


def _charger(site: Site, _: int, rng: Rng) -> None:
    site.house.charger_w, site.house.charger_phases = float(rng.choice([7200.0, 11000.0])), 1


def _pump(site: Site, _: int, rng: Rng) -> None:
    site.house.heat_pump_w = float(rng.uniform(2000, 4500))


def _tariff(control: Control, axis: Axis, site: Site, _air: Array, rng: Rng) -> None:
    hour, begin = axis.local_hour(site.zone), float(rng.uniform(0, 3))
    inside = (hour >= begin) & (hour < begin + float(rng.uniform(1.5, 4)))
    control.schedule_w = np.where(inside, float(rng.uniform(1000, 3000)), 0.0)


def _outage(control: Control, axis: Axis, site: Site, _air: Array, rng: Rng) -> None:
    for day in rng.integers(axis.days // 6, axis.days, 2):
        begin = axis.midnight_s(site.zone, int(day)) + float(rng.uniform(6, 20)) * 3600
        control.grid_on = np.where(axis.within(begin, begin + float(rng.uniform(1.5, 6)) * 3600), 0.0, control.grid_on)


def _balancing(control: Control, axis: Axis, site: Site, _air: Array, rng: Rng) -> None:
    for day in range(int(rng.integers(3, 20)), axis.days, 30):
        begin = axis.midnight_s(site.zone, day) + 3600.0
        control.schedule_w = np.where(axis.within(begin, begin + 5 * 3600), 1500.0, control.schedule_w)


def _cold(control: Control, _axis: Axis, _site: Site, air_c: Array, _rng: Rng) -> None:
    control.charge_w = control.charge_w * np.clip((air_c + 2) / 22, 0.05, 1)


def _switched_off(control: Control, axis: Axis, site: Site, _air: Array, rng: Rng) -> None:
    day = int(rng.integers(axis.days // 6, axis.days - axis.days // 6))
    begin = axis.midnight_s(site.zone, day) + 9.5 * 3600
    off = axis.within(begin, begin + float(rng.uniform(2, 5)) * 3600)
    control.pv_w = np.where(off, 0.0, control.pv_w) * np.where(axis.mid_s >= begin, 1.0, 0.96)


def _held_full(control: Control, _axis: Axis, _site: Site, _air: Array, _rng: Rng) -> None:
    control.first_level = 0.99


def _late_shift(site: Site, _days: int, rng: Rng) -> None:
    site.house.kind, site.house.scale = "day people", float(rng.uniform(1.0, 1.7))


def _step(resolution_w: float) -> Callable[[Site, int, Rng], None]:
    def coarse(site: Site, _days: int, _rng: Rng) -> None:
        site.logger.power_step_w = resolution_w

    return coarse


def _gain(channel: str, gain: float) -> Callable[[Site, int, Rng], None]:
    def wrong(site: Site, _days: int, rng: Rng) -> None:
        setattr(site.logger, f"{channel}_gain", gain if rng.random() < 0.5 else 2 - gain)

    return wrong


NO_EXPORT = {"limit": "no-export"}
COLD_PLACES = ("temperate", "alpine", "continental")
LOOK_ALIKES: dict[str, LookAlike] = {
    "no-export, full battery": LookAlike({**NO_EXPORT, "battery": True, "small_load": True}),
    "no-export, small battery": LookAlike({**NO_EXPORT, "battery": True, "battery_kwh": 2.5}),
    "no-export, cold battery": LookAlike({**NO_EXPORT, "battery": True, "cold_c": 8.0}, control=_cold),
    "no-export, idle battery": LookAlike(
        {**NO_EXPORT, "battery": True, "reserve": 90.0, "reserve_known": 1.0}, control=_held_full
    ),
    "no-export, no battery": LookAlike({**NO_EXPORT, "battery": False}),
    "limit below the peak": LookAlike({"limit": "limited", "dc_ac": 0.95}),
    "two planes, changing diffuse light": LookAlike({"planes": 2, "opposite": True, "inputs": True}),
    "several planes not registered": LookAlike({"planes": 3, "planes_known": 0.0}),
    "one-sided shade": LookAlike({"shade": True}),
    "winter sun over a high horizon": LookAlike({"horizon": 16.0}),
    "snow that slides": LookAlike({"planes": 2, "inputs": True}, climates=COLD_PLACES),
    "fog below, site above": LookAlike({"above_fog": True}, climates=("temperate", "alpine", "continental")),
    "holiday": LookAlike({"house": "family"}, prepare=_holiday),
    "empty house": LookAlike({"house": "empty"}),
    "workshop with idle weekends": LookAlike({"house": "workshop"}),
    "loads moved to the day": LookAlike({}, prepare=_late_shift),
    "new appliance": LookAlike({"house": "family"}, prepare=_appliance),
    "car charged in the evening": LookAlike({"house": "family"}, prepare=_charger),
    "heat pump": LookAlike({"house": "family"}, prepare=_pump),
    "tariff charging agreed": LookAlike({"battery": True, "agreed": True}, control=_tariff),
    "monthly balancing charge": LookAlike({"battery": True, "agreed": False}, control=_balancing),
    "grid outage with backup": LookAlike({"battery": True, "reserve_known": 1.0}, control=_outage),
    "battery much larger than the roof": LookAlike({"battery": True, "battery_kwh": 28.0}),
    "state of charge in steps of five": LookAlike({"battery": True, "level_step": 5.0}),
    "export limit changed in the register": LookAlike({**NO_EXPORT}, delivery="limit lifted"),
    "logger outage of hours": LookAlike({}, delivery="outage"),
    "files days late": LookAlike({}, delivery="late"),
    "logger asleep at night": LookAlike({"sleeps": True, "house": "empty"}),
    "firmware that rounds": LookAlike({}, delivery="rounding"),
    "coarse meter": LookAlike({"limit": "unlimited"}, prepare=_step(100.0)),
    "grid meter 3 % high": LookAlike({"load_measured": True}, prepare=_gain("grid", 1.03)),
    "PV meter 3 % off": LookAlike({}, prepare=_gain("pv", 1.03)),
    "neighbours far away": LookAlike({"alone": True}),
    "moved to another profile": LookAlike({}, delivery="moved"),
    "commissioned in the span": LookAlike({}, delivery="commissioned"),
    "soiling until the rain": LookAlike({"soiling": 0.003}, climates=("desert", "savanna", "mediterranean")),
    "inverter much smaller than the modules": LookAlike({"dc_ac": 1.65}),
    "own consumption at night": LookAlike({"night_w": 6.0}),
    "high but permitted voltage": LookAlike({"voltage": True, "volts": 12.0}),
    "switched off and cleaned": LookAlike({}, control=_switched_off),
}
