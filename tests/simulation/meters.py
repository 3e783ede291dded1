"""From the true series to what a logger writes: its own clock and intervals, gains, resolution, gaps."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.simulation import misread
from tests.simulation.axis import Axis, offsets_s
from tests.simulation.faults import Fault, stamp_error_s
from tests.simulation.live import Truth
from tests.simulation.site import Site

Array = NDArray[np.float64]


@dataclass
class Samples:
    """One logger's rows in the order of their writing."""

    true_s: Array  # when the interval really began
    stamp_s: Array  # when the logger says it began, seconds since 1970 (UTC)
    wall_s: Array  # the same as its wall clock shows it, as seconds since 1970 without a zone
    day: NDArray[np.int64]  # local day by true time, 0 = the first of the span
    channels: dict[str, Array]  # NaN = not reported
    seconds: float  # length of the interval


def sample(site: Site, truth: Truth, faults: Sequence[Fault], *, is_instant: bool, rng: np.random.Generator) -> Samples:
    """What the site's logger measured over the span."""
    axis = truth.axis
    seconds = site.logger.minutes * 60.0
    begin, end, stamp = _intervals(site, axis, faults, seconds)
    series = _series(site, truth, faults, rng)
    channels = {}
    for name, values in series.items():
        if is_instant:
            place = np.clip(((begin - axis.start_s) // axis.step_s).astype(int), 0, axis.steps - 1)
            channels[name] = values[place]
        else:
            summed = np.concatenate([[0.0], np.cumsum(values) * axis.step_s])
            channels[name] = np.diff(np.interp(np.stack([begin, end]), axis.edges_s, summed), axis=0)[0] / (end - begin)
    channels = _measured(site, channels, rng)
    for fault in faults:
        misread.misread(fault, site, channels, begin, rng)
    if not site.logger.is_load_measured:
        channels["load_w"] = _derived_load(channels)
    bounds = np.array([axis.midnight_s(site.zone, n) for n in range(axis.days + 1)])
    day = np.searchsorted(bounds, begin + 1, side="right") - 1
    wall = stamp + offsets_s(site.wall_zone, stamp)
    for fault in faults:
        if fault.kind == "daylight-saving-wrong":
            offset = offsets_s(site.zone, axis.mid_s)
            wall = begin + (offset.min() if fault.detail["is_standard"] else offset.max())
    keep = (day >= 0) & (day < axis.days) & (rng.random(len(day)) >= site.logger.gap_chance)
    if site.logger.sleeps_at_night:
        place = np.clip(((begin + seconds / 2 - axis.start_s) // axis.step_s).astype(int), 0, axis.steps - 1)
        keep &= truth.sun_up[place] > -0.05
        keep &= (truth.sun_up[place] > 0.0) | (truth.ghi[place] > 0.5)
    for fault in faults:
        if fault.kind == "site-silent" and site.devices == 1:
            keep &= fault.strength(begin) == 0
    return Samples(
        begin[keep], stamp[keep], wall[keep], day[keep],
        {name: values[keep] for name, values in _rounded(site, channels).items()}, seconds,
    )  # fmt: skip


def _intervals(site: Site, axis: Axis, faults: Sequence[Fault], seconds: float) -> tuple[Array, Array, Array]:
    """True begin and end of each interval of the logger's own clock, and the stamp of its begin."""
    edges = axis.edges_s
    ahead = np.zeros(len(edges))
    for fault in faults:
        if fault.family == "clock" and fault.kind != "daylight-saving-wrong":
            ahead = ahead + stamp_error_s(fault, edges, offsets_s(site.zone, edges))
    cuts = np.flatnonzero(np.abs(np.diff(ahead)) > 61) + 1
    begins, ends, stamps = [], [], []
    for low, high in zip([0, *cuts], [*cuts, len(edges)], strict=True):
        clock, true = edges[low:high] + ahead[low:high], edges[low:high]
        if len(clock) < 2:
            continue
        marks = np.arange(np.ceil(clock[0] / seconds), np.floor(clock[-1] / seconds) + 1) * seconds
        if len(marks) < 2:
            continue
        at = np.interp(marks, clock, true)
        begins.append(at[:-1])
        ends.append(at[1:])
        stamps.append(marks[:-1])
    begin, stamp = np.concatenate(begins), np.concatenate(stamps)
    for fault in faults:
        if fault.kind == "daylight-saving-wrong":  # the wall clock does not change, so no interval is cut
            stamp = stamp + stamp_error_s(fault, begin, offsets_s(site.zone, begin))
    return begin, np.concatenate(ends), stamp


def label_wall_s(site: Site, samples: Samples, end_s: float) -> Array:
    """The wall clock's label of each row, `end_s` seconds after the interval's begin; without a zone, since 1970."""
    wall = samples.wall_s
    if np.abs(wall - samples.stamp_s - offsets_s(site.wall_zone, samples.stamp_s)).max(initial=0.0) >= 1:
        return wall + end_s  # it does not follow its zone's changes
    end = samples.stamp_s + end_s
    return end + offsets_s(site.wall_zone, end)


def _series(site: Site, truth: Truth, faults: Sequence[Fault], rng: np.random.Generator) -> dict[str, Array]:
    """Every channel that the site reports, true values by step."""
    logger, axis = site.logger, truth.axis
    eta = 1 / site.roof.efficiency if logger.is_dc else 1.0
    series = {"pv_w": truth.pv_w * eta, "load_w": truth.load_w, "grid_w": truth.grid_w}
    if site.battery is not None:
        losses = np.where(truth.battery_w > 0, 1.02, 0.98) if logger.is_dc else 1.0
        series |= {"battery_w": truth.battery_w * losses, "soc_pct": truth.level_pct}
    if logger.has_inputs and len(truth.inputs_w) > 1:
        series |= {f"pv{n + 1}_w": part * eta for n, part in enumerate(truth.inputs_w)}
    phases = _phases(site, truth, faults, rng)
    if logger.has_phases and site.three_phase:
        series |= {f"grid_l{n + 1}_w": phases[n] for n in range(3)}
    if logger.has_voltage:
        for n in range(3 if site.three_phase else 1):
            series[f"voltage_l{n + 1}_v"] = misread.voltage(site, truth, phases[n], faults, rng)
    if logger.has_temperature:
        series["inverter_temp_c"] = truth.air_c * 0.5 + 14 + 24 * truth.pv_w / (site.roof.inverter_kw * 1000)
        series["ambient_temp_c"] = truth.air_c
    if logger.has_irradiance:
        series["irradiance_w_m2"] = truth.ghi
    if logger.has_frequency:
        knots = rng.normal(0, 0.018, axis.steps // 3 + 2)
        series["frequency_hz"] = 50 + np.interp(np.arange(axis.steps), np.arange(len(knots)) * 3, knots)
    return series


def _phases(site: Site, truth: Truth, faults: Sequence[Fault], rng: np.random.Generator) -> Array:
    """The grid's power by phase: evened out by the inverter, or by nature of the loads."""
    if not site.three_phase:
        return np.stack([truth.grid_w, np.zeros_like(truth.grid_w), np.zeros_like(truth.grid_w)])
    even = np.stack([truth.grid_w / 3] * 3)
    error = rng.normal(0, 18, (2, truth.axis.steps))
    even = even + np.stack([error[0], error[1], -error[0] - error[1]])
    made = truth.pv_w + truth.battery_w
    uneven = truth.phase_load_w - made / 3
    # Without sun and battery there is nothing to even the phases out with.
    busy = np.clip(np.abs(made) / 300, 0, 1)
    even = even * busy + uneven * (1 - busy)
    for fault in faults:
        if fault.kind == "phase-imbalance":
            off = fault.strength(truth.axis.mid_s)
            even = even * (1 - off) + uneven * off
    return even


def _measured(site: Site, channels: dict[str, Array], rng: np.random.Generator) -> dict[str, Array]:
    """Gains, offsets and noise of the meters."""
    logger = site.logger
    gains = {
        "pv_w": logger.pv_gain,
        "grid_w": logger.grid_gain,
        "load_w": logger.load_gain,
        "battery_w": logger.battery_gain,
    }
    out = {}
    for name, values in channels.items():
        if name.startswith("pv"):
            noise = rng.standard_normal(len(values)) * logger.noise_w
            out[name] = np.where(
                values > 1, np.clip(values * logger.pv_gain + noise, 0, None), -logger.night_w * (name == "pv_w")
            )
        elif name in gains:
            noise = rng.standard_normal(len(values)) * logger.noise_w
            out[name] = values * gains[name] + np.where(values != 0, noise + logger.offset_w * (name == "grid_w"), 0.0)
        elif name.startswith("grid_l"):
            out[name] = values * logger.grid_gain
        else:
            out[name] = values
    if "load_w" in out:
        out["load_w"] = np.clip(out["load_w"], 0, None)
    return out


def _derived_load(channels: dict[str, Array]) -> Array:
    """The load as loggers work it out that have no meter for it."""
    total = np.clip(channels["pv_w"], 0, None) + channels["grid_w"] + channels.get("battery_w", np.zeros(1))
    return np.asarray(np.clip(total, 0, None), dtype=np.float64)


RESOLUTION = {"soc_pct": 1.0, "voltage": 0.1, "frequency_hz": 0.01, "inverter_temp_c": 0.1, "ambient_temp_c": 0.1}


def _rounded(site: Site, channels: dict[str, Array]) -> dict[str, Array]:
    out = {}
    for name, values in channels.items():
        step = site.logger.power_step_w
        if not name.endswith("_w"):
            step = RESOLUTION.get(name.split("_l")[0], 1.0)
        if name == "soc_pct":
            step = site.logger.level_step_pct
        out[name] = np.round(np.round(values / step) * step, 3)
    return out
