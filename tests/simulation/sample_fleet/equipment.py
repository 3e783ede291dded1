"""From a site's description to the simulator's: roof, house, battery and logger with the parameters that it names.

What the description leaves open is the same at every site: modules and inverters of a usual kind, meters without error
but for their noise.
"""

import numpy as np

from tests.simulation.houses import House
from tests.simulation.roofs import Plane, Roof
from tests.simulation.sample_fleet.sites import DEVICES, REGIONS, Spec
from tests.simulation.site import Battery, Logger, Site

NOISE_W = 1.0  # of every meter
BATTERY_HOURS = 2.5  # energy over power
RESERVE_PCT, RESUME_PCT, FLOOR_PCT = 35.0, 50.0, 10.0
TARGET_W = 20.0  # import that a site keeps up which may not feed in
EVENTS_KWH = 6.6  # a day, of a simulated home's events at scale 1
BASE_SHARE = 0.3  # of a house's use


def equipped(spec: Spec) -> Site:
    """The site as it stands there."""
    latitude, longitude = spec.place
    regions = list(REGIONS)
    return Site(
        site_id=spec.site_id,
        region=regions.index(spec.region),
        latitude=latitude,
        longitude=longitude,
        east_km=spec.east_km,
        north_km=spec.north_km,
        zone=REGIONS[spec.region].zone,
        roof=_roof(spec),
        house=_house(spec),
        battery=_battery(spec),
        feed_in_limit_kw=spec.feed_in_limit_kw,
        import_limit_kw=None,
        target_w=TARGET_W if spec.feed_in_limit_kw == 0 else 0.0,
        three_phase=spec.register.get("phases") == "3",
        is_compensated=True,
        is_grid_charging_agreed=False,
        single_input_strings=spec.inputs,
        logger=_logger(spec),
        devices=len(DEVICES.get(spec.site_id, ("",))),
        external_id=spec.external_id,
        clock_zone=spec.clock_zone,
        nominal_v=spec.nominal_v,
    )


def _roof(spec: Spec) -> Roof:
    return Roof(
        planes=[Plane(*plane) for plane in spec.planes],
        inverter_kw=spec.inverter_kw,
        efficiency=0.965,
        gamma=-0.0036,
        noct_c=46.0,
        dc_ratio=0.93 * spec.yields,
        start_w=8.0,
        horizon_deg=np.full(24, 1.0),
        shade=spec.shade,
        soiling_per_day=0.0,
        albedo=0.2,
        iam_a=0.05,
    )


def _house(spec: Spec) -> House:
    rest_kwh = spec.load_kwh_per_day * (1 - BASE_SHARE)
    base_w = spec.load_kwh_per_day * BASE_SHARE / 24 * 1000
    return House("family", base_w, rest_kwh / EVENTS_KWH, heat_pump_w=0.0, cooling_w=0.0, charger_w=0.0,
                 charger_phases=1)  # fmt: skip


def _battery(spec: Spec) -> Battery | None:
    if not spec.battery_kwh:
        return None
    return Battery(
        kwh=spec.battery_kwh,
        power_w=spec.battery_kwh * 1000 / BATTERY_HOURS,
        reserve_pct=RESERVE_PCT,
        resume_pct=RESUME_PCT,
        floor_pct=FLOOR_PCT,
        efficiency=0.96,
        standby_w=4.0,
        cold_c=-50.0,
    )


def _logger(spec: Spec) -> Logger:
    return Logger(
        minutes=spec.interval_min,
        power_step_w=1.0,
        level_step_pct=1.0 if spec.kind == "fleet-day" else 0.1,
        pv_gain=1.0,
        grid_gain=1.0,
        load_gain=1.0,
        battery_gain=1.0,
        offset_w=0.0,
        noise_w=NOISE_W,
        is_dc=False,
        is_load_measured=True,
        gap_chance=0.0,
        cell_chance=0.0,
        has_inputs=len(spec.planes) > 1 or spec.inputs > 1,
        has_voltage=spec.kind in ("fleet-day", "line-records"),
        has_temperature=spec.kind in ("evening-csv", "metric-long"),
    )
