"""From a drawn site to its true series: weather, roof, house and control, with and without its faults."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.simulation import faults as broken
from tests.simulation.axis import Axis
from tests.simulation.faults import Fault
from tests.simulation.houses import draw_loads
from tests.simulation.lookalikes import LOOK_ALIKES
from tests.simulation.plant import Control, Flows, run
from tests.simulation.roofs import roof_inputs, to_ac
from tests.simulation.site import Site
from tests.simulation.sky import Region, light_at
from tests.simulation.sun import clear_sky, sun_at

Array = NDArray[np.float64]

DECIMALS = 2  # of the W that reach the control, whose feedback would let a processor's last digits grow


@dataclass
class Truth:
    """A site's true series by step of the axis; W, V, degC, per cent."""

    axis: Axis
    pv_w: Array
    inputs_w: list[Array]  # AC shares of the inputs
    battery_w: Array
    grid_w: Array
    load_w: Array
    level_pct: Array
    phase_load_w: Array  # [3, step]
    sun_up: Array
    ghi: Array
    air_c: Array
    module_c: Array
    grid_on: Array
    limit_w: Array
    reserve: Array
    could_w: Array  # what the roof could have given, without faults
    healthy: "Truth | None" = None  # the same weather and loads without the faults


@dataclass
class Prepared:
    """A site before its control runs."""

    site: Site
    axis: Axis
    inputs_dc: list[Array]
    control: Control
    phase_load_w: Array
    sun_up: Array
    ghi: Array
    air_c: Array
    module_c: Array


def prepare(site: Site, region: Region, axis: Axis, lift_s: float | None, rng: np.random.Generator) -> Prepared:
    """The healthy site's light, inputs, loads and control; `lift_s`: when its feed-in limit is lifted."""
    sun = sun_at(axis.mid_s, site.latitude, site.longitude)
    clear = clear_sky(sun, region.tau_beam, region.tau_diffuse)
    light = light_at(region, axis, sun, clear, site.east_km, site.north_km, above_fog=site.above_fog)
    inputs, module_c = roof_inputs(site.roof, sun, light, region, axis, rng)
    if site.single_input_strings > 1:
        inputs = [inputs[0] / site.single_input_strings] * site.single_input_strings
    own, car = draw_loads(site.house, axis, site.zone, region.air_c, site.three_phase, rng)
    if site.import_limit_kw is not None:
        # Agreed above what cannot wait; a car's charging is what the control cuts.
        site.import_limit_kw = max(site.import_limit_kw, round(own.sum(axis=0).max() / 1000 * 1.06 + 0.3, 1))
        site.told["import_limit_kw"] = f"{site.import_limit_kw:g}"
    control = _control(site, axis, region.air_c, inputs, own.sum(axis=0), car, rng)
    if site.role in LOOK_ALIKES:
        LOOK_ALIKES[site.role].control(control, axis, site, region.air_c, rng)
    if lift_s is not None:
        lifted = axis.mid_s >= lift_s
        control.limit_w = np.where(lifted, np.inf, control.limit_w)
        control.target_w = np.where(lifted, 0.0, control.target_w)
    return Prepared(
        site, axis, inputs, control, own, sun.up, light.beam * sun.up + light.diffuse, region.air_c, module_c
    )


def _control(
    site: Site, axis: Axis, air_c: Array, inputs: list[Array], load: Array, car: Array, rng: np.random.Generator
) -> Control:
    flat = np.ones(axis.steps)
    battery = site.battery
    # The control holds the limit by the meter that is reported.
    limit = np.inf if site.feed_in_limit_kw is None else site.feed_in_limit_kw * 1000 / max(site.logger.grid_gain, 1.0)
    shave = np.inf if site.import_limit_kw is None else site.import_limit_kw * 1000
    power = battery.power_w if battery else 0.0
    charge = flat * power
    if battery:
        indoors = np.convolve(air_c * 0.6 + 6, np.ones(36) / 36, mode="same")
        charge = charge * np.clip((indoors - battery.cold_c + 10) / 10, 0.1, 1.0)
    return Control(
        pv_w=np.round(to_ac(site.roof, np.sum(inputs, axis=0)), DECIMALS), load_w=np.round(load, DECIMALS),
        flexible_w=np.round(car, DECIMALS), limit_w=flat * limit,
        low=flat * (battery.reserve_pct / 100 if battery else 0.0), charge_w=np.round(charge, DECIMALS),
        discharge_w=flat * power, schedule_w=flat * 0.0, grid_on=flat, shave_w=flat * shave,
        target_w=flat * site.target_w,
        capacity_kwh=battery.kwh if battery else 0.0, resume=battery.resume_pct / 100 if battery else 0.0,
        floor=battery.floor_pct / 100 if battery else 0.0, efficiency=battery.efficiency if battery else 1.0,
        standby_w=battery.standby_w if battery else 0.0, lag_s=float(rng.uniform(2, 15)),
        error_w=float(rng.uniform(2, 15)),
        first_level=float(rng.uniform(battery.reserve_pct / 100, 0.9)) if battery else 0.0,
    )  # fmt: skip


def live(prepared: Sequence[Prepared], faults: dict[str, list[Fault]], seed: int) -> list[Truth]:
    """The true series of sites of one axis; those with faults run twice, side by side."""
    if not prepared:
        return []
    axis = prepared[0].axis
    controls, inputs_ac = [], []
    for one in prepared:
        mine = faults.get(one.site.site_id, [])
        inputs = one.inputs_dc
        control = Control(**vars(one.control))
        for fault in mine:
            inputs = broken.alter_inputs(fault, inputs, axis.mid_s)
        if mine:
            lost = to_ac(one.site.roof, np.sum(inputs, axis=0))
            clean = to_ac(one.site.roof, np.sum(one.inputs_dc, axis=0))
            ratio = np.divide(lost, clean, out=np.ones(axis.steps), where=clean > 0)
            control.pv_w = np.round(one.control.pv_w * ratio, DECIMALS)
        for fault in mine:
            broken.alter_control(fault, control, axis, one.site, one.ghi)
        controls.append(control)
        inputs_ac.append(inputs)
    twice = [n for n, one in enumerate(prepared) if faults.get(one.site.site_id)]
    flows = run(controls + [prepared[n].control for n in twice], axis.step_s, seed, [*range(len(prepared)), *twice])
    out = []
    for n, one in enumerate(prepared):
        truth = _truth(one, controls[n], inputs_ac[n], flows, n)
        if n in twice:
            truth.healthy = _truth(one, one.control, one.inputs_dc, flows, len(prepared) + twice.index(n))
        out.append(truth)
    return out


def _truth(one: Prepared, control: Control, inputs: list[Array], flows: Flows, column: int) -> Truth:
    pv = flows.pv_w[:, column]
    total = np.sum(inputs, axis=0)
    share = np.divide(pv, total, out=np.zeros_like(pv), where=total > 1)
    load = flows.load_w[:, column]
    fixed = one.phase_load_w.sum(axis=0)
    scale = np.divide(load, fixed, out=np.zeros_like(load), where=fixed > 0)
    extra = np.clip(load - fixed, 0, None)
    phases = one.phase_load_w * np.minimum(scale, 1.0)
    phases = phases + extra * (np.full((3, 1), 1 / 3) if one.site.three_phase and one.site.house.charger_phases == 3
                               else np.array([[1.0], [0.0], [0.0]]))  # fmt: skip
    return Truth(
        one.axis, pv, [part * share for part in inputs], flows.battery_w[:, column], flows.grid_w[:, column], load,
        flows.level[:, column] * 100, phases, one.sun_up, one.ghi, one.air_c, one.module_c, control.grid_on,
        control.limit_w, one.control.low * 100, one.control.pv_w,
    )  # fmt: skip
