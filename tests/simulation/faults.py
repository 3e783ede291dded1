"""Faults: what they need of a site, how they are drawn, and what they do to the roof, the control and the clock.

What a fault does to the readings alone is in `misread`.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from tests.simulation import street
from tests.simulation.axis import Axis, offsets_s
from tests.simulation.plant import Control
from tests.simulation.site import Site

Array = NDArray[np.float64]

NAN = float("nan")
NEVER_PCT, OFF_SHARE = 100.0, 0.4  # a battery that does not stop at a level but gives nothing at all; of such faults


class Form(NamedTuple):
    """A kind of fault: its family, what it needs of a site, the shapes in which it comes."""

    family: str
    needs: dict[str, Any]
    shapes: tuple[str, ...] = ("step",)


STEP, RAMP, NOW_AND_THEN, ALWAYS = "step", "ramp", "intermittent", "from the first day"
FORMS: dict[str, Form] = {
    "time-zone-wrong": Form("clock", {}, (STEP, ALWAYS, ALWAYS)),
    "daylight-saving-wrong": Form("clock", {}, (ALWAYS,)),
    "clock-drift": Form("clock", {}, (STEP, ALWAYS)),
    "clock-step": Form("clock", {}),
    "unexpected-export": Form("grid", {"limited_site": True}, (STEP, STEP, ALWAYS, NOW_AND_THEN)),
    "meter-reversed": Form("grid", {}, (STEP, ALWAYS)),
    "phase-imbalance": Form("grid", {"three_phase": True, "phase_channels": True}, (STEP, ALWAYS)),
    "import-limit-exceeded": Form("grid", {"import_limit": True}, (STEP, ALWAYS)),
    "battery-at-floor": Form("battery", {"battery": True, "reserve_known": 0.9}),
    "battery-not-discharging": Form("battery", {"battery": True, "reserve_known": 0.6}, (STEP, ALWAYS)),
    "battery-below-reserve": Form(
        "battery", {"battery": True, "reserve_known": 1.0, "reserve": "high"}, (STEP, ALWAYS)
    ),
    "battery-grid-charging": Form("battery", {"battery": True, "agreed": False}, (STEP, ALWAYS, NOW_AND_THEN)),
    "battery-reading-frozen": Form("battery", {"battery": True}),
    "underperformance": Form("yield", {}, (STEP, STEP, RAMP, NOW_AND_THEN)),
    "no-generation": Form("yield", {}),
    "string-loss": Form("yield", {"strings": 2}),
    "capacity-mismatch": Form("yield", {}, (ALWAYS,)),
    "voltage-out-of-band": Form("grid", {"voltage": True, "most_minutes": 10}, (STEP, ALWAYS)),
    "voltage-curtailment": Form(
        "grid", {"voltage": True, "most_minutes": 15, "limit": "unlimited", "battery": False}, (STEP, ALWAYS)
    ),
    "site-silent": Form("data", {}),
    "readings-frozen": Form("data", {}, (STEP, NOW_AND_THEN)),
    "readings-implausible": Form("data", {}, (STEP, NOW_AND_THEN)),
    "balance-broken": Form("data", {"load_measured": True}, (STEP, ALWAYS)),
    "unexplained": Form("rest", {"battery": True, "reserve_known": 0.9}),
}
KINDS = tuple(FORMS)


@dataclass
class Fault:
    """One fault as it was put in."""

    site_id: str
    kind: str
    shape: str
    begin_s: float
    end_s: float
    first_day: date
    last_day: date
    size: float  # in the finding's unit where it is constant, else NaN
    detail: dict[str, Any] = field(default_factory=dict)
    seed: int = 0
    loss_kwh: float = NAN
    value_of_day: dict[date, float] = field(default_factory=dict)  # in the finding's unit where it changes by the day
    is_visible: bool = True  # it shows on three days or more
    shows_from: date | None = None  # first day on which it does; None = not weighed
    significance: float = NAN  # of a fault of yield: how far it stands out of what nobody can know

    @property
    def family(self) -> str:
        return FORMS[self.kind].family

    def strength(self, at_s: Array) -> Array:
        """0 to 1 at instants."""
        inside = (at_s >= self.begin_s) & (at_s < self.end_s)
        if self.shape == RAMP:
            length = self.detail["ramp_days"] * 86_400.0
            return np.where(inside, np.clip((at_s - self.begin_s) / length, 0, 1), 0.0)
        if self.shape == NOW_AND_THEN:
            day = np.clip(((at_s - self.begin_s) // 86_400).astype(int), 0, 999)
            chance = np.random.default_rng(self.seed).random(1000) < self.detail["share_of_days"]
            chance[0] = True
            return np.where(inside & chance[day], 1.0, 0.0)
        return inside.astype(np.float64)


def draw_fault(site: Site, kind: str, axis: Axis, changes: list[int], rng: np.random.Generator) -> Fault:
    """A fault of the kind; `changes`: the days of the span on which the zone's clocks change."""
    shape = str(rng.choice(FORMS[kind].shapes))
    if kind == "daylight-saving-wrong":
        first = 0
    elif shape == ALWAYS or rng.random() < 0.06:
        first = 0
        shape = ALWAYS if shape == STEP else shape
    elif changes and rng.random() < 0.10:
        first = int(rng.choice(changes))
    elif rng.random() < 0.12:
        first = int(rng.integers(1, 7))
    else:
        first = int(rng.integers(7, max(axis.days - 14, 8)))
    if kind in ("site-silent", "clock-step"):
        first = max(first, int(rng.integers(4, 9)))  # a site or a clock must have been heard before
    begin = axis.midnight_s(site.zone, first)
    if first > 0 and rng.random() < 0.5:
        begin += float(rng.uniform(0, 14)) * 3600
    last = axis.days - 1
    ends_by_itself = kind not in ("capacity-mismatch", "daylight-saving-wrong", "clock-step")
    if ends_by_itself and rng.random() < 0.3:
        last = min(first + int(rng.integers(6, 28)), last)
    if kind == "site-silent":
        last = min(first + int(rng.integers(2, 15)), axis.days - 1) if rng.random() < 0.6 else axis.days - 1
    end = axis.midnight_s(site.zone, last + 1)
    fault = Fault(
        site.site_id,
        kind,
        shape,
        begin,
        end,
        axis.first + timedelta(days=first),
        axis.first + timedelta(days=last),
        NAN,
        seed=int(rng.integers(2**31)),
    )
    if kind == "daylight-saving-wrong":
        _wrong_season(fault, axis, site.zone, changes, rng)
    fault.detail |= {"ramp_days": float(rng.uniform(8, 30)), "share_of_days": float(rng.uniform(0.35, 0.8))}
    _size(fault, site, rng)
    return fault


def step_fault(site: Site, size_pct: float, day: int, axis: Axis) -> Fault:
    """Underperformance of this size from the beginning of a day to the end."""
    first, last = (axis.first + timedelta(days=n) for n in (day, axis.days - 1))
    begin, end = (axis.midnight_s(site.zone, n) for n in (day, axis.days))
    return Fault(site.site_id, "underperformance", STEP, begin, end, first, last, size_pct)


def _wrong_season(fault: Fault, axis: Axis, zone: str, changes: list[int], rng: np.random.Generator) -> None:
    """The logger stays at standard time, or at the offset of its first day: wrong on one side of the change alone."""
    change = changes[0]
    before, after = offsets_s(zone, np.array([axis.midnight_s(zone, n) - 1 for n in (change, change + 1)]))
    is_spring = after > before
    # At standard time all year, the summer's stamps are early.
    stays_standard = is_spring or rng.random() < 0.5
    fault.size = -60.0 if stays_standard else 60.0
    fault.detail["is_standard"] = stays_standard
    if stays_standard and not is_spring:
        fault.last_day = axis.first + timedelta(days=change)
    else:
        fault.first_day = axis.first + timedelta(days=change)


def _size(fault: Fault, site: Site, rng: np.random.Generator) -> None:
    """Draws how large it is."""
    put = fault.detail
    match fault.kind:
        case "time-zone-wrong":
            fault.size = float(rng.choice([-60, 60, 60, -120, 120, -30, 30, -480, 330, 720, -180]))
        case "clock-drift":
            fault.size = float(rng.choice([-1, 1]) * rng.uniform(15, 90))
        case "clock-step":
            fault.size = float(rng.choice([-1, 1]) * rng.choice([rng.uniform(12, 50), 60, rng.uniform(60, 240)]))
        case "unexpected-export":
            put["part"] = float(rng.choice([1.0, 1.0, rng.uniform(0.2, 0.6)]))  # how much of the surplus goes out
        case "meter-reversed":
            put["phase"] = int(rng.integers(0, 3)) if site.logger.has_phases and rng.random() < 0.4 else -1
        case "battery-not-discharging":
            assert site.battery is not None
            raised = site.battery.reserve_pct + rng.uniform(15, 50)
            is_off = rng.random() < OFF_SHARE
            fault.size = NEVER_PCT if is_off else float(min(max(raised, site.battery.resume_pct + 12), 92))
        case "battery-below-reserve":
            assert site.battery is not None
            fault.size = float(max(site.battery.reserve_pct - rng.uniform(7, 22), 2))
        case "battery-grid-charging":
            put["hour"], put["hours"] = float(rng.uniform(0, 4)), float(rng.uniform(1, 4))
            put["watts"] = float(rng.uniform(700, 3000))
        case "underperformance":
            fault.size = float(100 * rng.choice([rng.uniform(0.10, 0.2), rng.uniform(0.2, 0.6)]))
        case "no-generation":
            fault.size = NAN
        case "string-loss":
            put["input"] = int(rng.integers(0, max(len(site.roof.planes), site.single_input_strings)))
            shares = [p.kwp / site.roof.kwp for p in site.roof.planes]
            fault.size = 100 * (shares[put["input"]] if len(shares) > 1 else 1 / site.single_input_strings)
        case "capacity-mismatch":
            wrong = float(rng.choice([rng.uniform(1.25, 1.8), rng.uniform(0.55, 0.8)]))
            put["ratio"] = wrong
            fault.size = site.roof.kwp
        case "voltage-out-of-band":
            put["volts"] = float(rng.uniform(9, 16))
            put["is_noon"] = bool(rng.random() < 0.6)
        case "voltage-curtailment":
            put |= street.draw(rng)
        case "unexplained":
            put["minutes"] = float(rng.choice([20, 30, 45]))  # the battery gives and rests in turn


def alter_register(fault: Fault, site: Site) -> None:
    """The register's error, if the fault is one."""
    if fault.kind == "capacity-mismatch":
        ratio = fault.detail["ratio"]
        site.told["installed_kwp"] = f"{site.roof.kwp * ratio:.2f}"
        site.arrays = [(kwp * ratio, tilt, azimuth) for kwp, tilt, azimuth in site.arrays]
        site.told.pop("inverter_kw", None)


def alter_inputs(fault: Fault, inputs: list[Array], at_s: Array) -> list[Array]:
    """DC power of the inputs under the fault."""
    strength = fault.strength(at_s)
    if fault.kind == "underperformance":
        return [one * (1 - fault.size / 100 * strength) for one in inputs]
    if fault.kind == "no-generation":
        return [one * (1 - strength) for one in inputs]
    if fault.kind == "string-loss":
        lost = fault.detail["input"]
        return [one * (1 - strength) if number == lost else one for number, one in enumerate(inputs)]
    return inputs


def alter_control(fault: Fault, control: Control, axis: Axis, site: Site, ghi: Array) -> None:
    """The control under the fault, in place; `ghi` is the light on the level, W/m2."""
    strength = fault.strength(axis.mid_s)
    on = strength > 0
    hour = axis.local_hour(site.zone)
    match fault.kind:
        case "unexpected-export":
            allowed = control.pv_w.max() * fault.detail["part"] + control.limit_w
            control.limit_w = np.where(on, np.inf if fault.detail["part"] == 1.0 else allowed, control.limit_w)
        case "import-limit-exceeded":
            control.shave_w = np.where(on, np.inf, control.shave_w)
        case "battery-at-floor":
            control.charge_w = np.where(on, 0.0, control.charge_w)
        case "battery-not-discharging" if fault.size == NEVER_PCT:
            control.discharge_w = np.where(on, 0.0, control.discharge_w)
        case "battery-not-discharging":
            control.low = np.where(on, fault.size / 100, control.low)
        case "battery-below-reserve":
            control.low = np.where(on, fault.size / 100, control.low)
        case "battery-grid-charging":
            begin = fault.detail["hour"]
            inside = (hour >= begin) & (hour < begin + fault.detail["hours"])
            control.schedule_w = np.where(on & inside, fault.detail["watts"], control.schedule_w)
        case "voltage-curtailment":
            most = street.most_w(fault, site, axis, ghi, control.load_w)
            control.pv_w = np.minimum(control.pv_w, np.round(most, 2))
        case "unexplained":
            pause = (axis.mid_s // (fault.detail["minutes"] * 60)) % 2 == 0
            control.discharge_w = np.where(on & pause, 0.0, control.discharge_w)


def stamp_error_s(fault: Fault, at_s: Array, offset_s: Array) -> Array:
    """Seconds by which the logger's clock is ahead at true instants.

    `offset_s`: the zone's offset from UTC at each instant.
    """
    strength = fault.strength(at_s)
    if fault.kind in ("time-zone-wrong", "clock-step"):
        return strength * fault.size * 60
    if fault.kind == "clock-drift":
        return np.where(strength > 0, (at_s - fault.begin_s) / 86_400 * fault.size, 0.0)
    if fault.kind == "daylight-saving-wrong":
        return (offset_s.min() if fault.detail["is_standard"] else offset_s.max()) - offset_s
    return np.zeros(len(at_s))
