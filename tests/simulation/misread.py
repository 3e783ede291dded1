"""Faults of meters and loggers: what they do to the readings and leave alone in the equipment."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from tests.simulation import street
from tests.simulation.faults import Fault
from tests.simulation.live import Truth
from tests.simulation.site import Site

Array = NDArray[np.float64]

UPPER_V = 253.0  # EN 50160: 230 V + 10 %


def voltage(site: Site, truth: Truth, phase_w: Array, faults: Sequence[Fault], rng: np.random.Generator) -> Array:
    """Volts of a phase: the street's level, its other roofs, and what the site does to its own line."""
    axis = truth.axis
    for fault in faults:
        if fault.kind == "voltage-curtailment":
            lift = -phase_w / street.NOMINAL_V * street.line_ohm(fault, site)
            return np.asarray(street.street_v(fault, axis, truth.ghi) + lift + rng.normal(0, 0.1, axis.steps))
    knots = rng.normal(0, 1.1, axis.steps * axis.step_s // 1800 + 2)
    slow = np.interp(axis.mid_s - axis.start_s, np.arange(len(knots)) * 1800.0, knots)
    line_ohm = rng.uniform(0.05, 0.3)
    volts = rng.uniform(228, 238) + slow + truth.ghi / 1000 * rng.uniform(0, 4) - phase_w / 230 * line_ohm
    volts = volts + rng.normal(0, 0.25, axis.steps)
    if site.role == "high but permitted voltage":
        volts = volts + UPPER_V - 0.5 - volts.max()  # high, and yet every mean within
    else:
        volts = volts - max(0.0, float(volts.max()) - 250.5)  # lowered, not cut: no street's voltage has a flat top
    for fault in faults:
        if fault.kind == "voltage-out-of-band":
            hour = axis.local_hour(site.zone)
            inside = (np.abs(hour - 12.5) < 2.5) if fault.detail["is_noon"] else np.full(axis.steps, True)
            lift = UPPER_V + fault.detail["volts"] * 0.4 - np.median(volts[inside])
            volts = volts + fault.strength(axis.mid_s) * inside * lift
    return np.asarray(np.where(truth.grid_on > 0.5, volts, 230.0) * site.nominal_v / 230, dtype=np.float64)


def misread(fault: Fault, site: Site, channels: dict[str, Array], at_s: Array, rng: np.random.Generator) -> None:
    """Spoils the channels in place."""
    on = fault.strength(at_s) > 0
    match fault.kind:
        case "meter-reversed":
            _reverse(fault, channels, on)
        case "battery-reading-frozen":
            _freeze(channels, "soc_pct", on)
        case "readings-frozen":
            names = [
                n for n in ("load_w", "grid_w", "battery_w", "pv_w", "voltage_l1_v", "inverter_temp_c") if n in channels
            ]
            if not site.logger.is_load_measured:
                names.remove("load_w")
            fault.detail.setdefault("channel", str(rng.choice(names)))
            _freeze(channels, fault.detail["channel"], on)
        case "readings-implausible":
            _implausible(fault, site, channels, on, rng)
        case "balance-broken":
            _unbalance(fault, channels, on, rng)


def _reverse(fault: Fault, channels: dict[str, Array], on: NDArray[np.bool_]) -> None:
    phase = fault.detail["phase"]
    if phase < 0:
        for name in ("grid_w", "grid_l1_w", "grid_l2_w", "grid_l3_w"):
            if name in channels:
                channels[name] = np.where(on, -channels[name], channels[name])
        return
    name = f"grid_l{phase + 1}_w"
    channels["grid_w"] = channels["grid_w"] - 2 * np.where(on, channels[name], 0.0)
    channels[name] = np.where(on, -channels[name], channels[name])


def _freeze(channels: dict[str, Array], name: str, on: NDArray[np.bool_]) -> None:
    """Each time that the fault comes, the last value stays."""
    begins = np.flatnonzero(on & ~np.concatenate([[False], on[:-1]]))
    held = channels[name].copy()
    for begin in begins:
        rest = np.flatnonzero(~on[begin:])
        end = begin + (int(rest[0]) if len(rest) else len(on) - begin)
        value = channels[name][max(begin - 1, 0)]
        if name == "pv_w" and value < 50:
            value = float(np.quantile(channels[name], 0.9))
        held[begin:end] = value
    channels[name] = held


def _implausible(
    fault: Fault, site: Site, channels: dict[str, Array], on: NDArray[np.bool_], rng: np.random.Generator
) -> None:
    way = fault.detail.setdefault("way", str(rng.choice(["placeholder", "unit", "level", "negative"])))
    if way == "level" and "soc_pct" not in channels:
        way = fault.detail["way"] = "placeholder"
    if way == "unit":
        channels["pv_w"] = np.where(on, channels["pv_w"] * 1000, channels["pv_w"])
        return
    hit = on & (rng.random(len(on)) < rng.uniform(0.01, 0.2))
    if way == "placeholder":
        name = str(rng.choice([n for n in ("pv_w", "grid_w", "battery_w") if n in channels]))
        channels[name] = np.where(hit, 6_553_500.0 if site.roof.kwp > 40 else 655_350.0, channels[name])
        fault.detail["channel"] = name
    elif way == "level":
        channels["soc_pct"] = np.where(hit, 255.0, channels["soc_pct"])
    else:
        channels["pv_w"] = np.where(hit, -site.roof.kwp * 400, channels["pv_w"])


def _unbalance(fault: Fault, channels: dict[str, Array], on: NDArray[np.bool_], rng: np.random.Generator) -> None:
    way = fault.detail.setdefault("way", str(rng.choice(["half load", "double load", "battery missing", "pv doubled"])))
    if way == "battery missing" and "battery_w" not in channels:
        way = fault.detail["way"] = "half load"
    name, gain = {
        "half load": ("load_w", rng.uniform(0.3, 0.66)), "double load": ("load_w", rng.uniform(1.5, 3)),
        "battery missing": ("battery_w", 0.0), "pv doubled": ("pv_w", rng.uniform(1.4, 2)),
    }[way]  # fmt: skip
    channels[name] = np.where(on, channels[name] * gain, channels[name])
    fault.detail["gain"] = float(gain)
