"""One roof, its house, its battery and its meter, in steps of 5 minutes.

`simulate` returns the site's series at the true time of its logger's rows. Signs are the project's own: battery_w > 0
discharges, grid_w > 0 imports, so pv_w + battery_w + grid_w = load_w at every step before the sensors' noise.
"""

from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pvlib

from tests.simulation.sample_fleet.clocks import Axis, local_days, logger_axis
from tests.simulation.sample_fleet.faults import SNOW, planted
from tests.simulation.sample_fleet.house import Limits, load_series, run_house
from tests.simulation.sample_fleet.sites import REGIONS, Site
from tests.simulation.sample_fleet.weather import Sky, site_sky, smooth_noise

GAMMA_PDC = -0.0036  # per degC, a usual crystalline module
WIRING_RATIO = 0.93  # soiling, mismatch, wiring
NOMINAL_EFFICIENCY = 0.96
START_W = 8.0  # below this an inverter sleeps
SHADE_AZIMUTH, SHADE_ELEVATION = (215.0, 300.0), 24.0  # the tree beside BIR-01


class Series(NamedTuple):
    """One site's rows; power in W, means over the 5 minutes from `axis` on."""

    axis: Axis
    days: np.ndarray  # true local day of each row
    pv_w: np.ndarray
    strings_w: tuple[np.ndarray, ...]
    load_w: np.ndarray
    grid_w: np.ndarray
    battery_w: np.ndarray
    soc_pct: np.ndarray
    voltage_v: np.ndarray
    inverter_temp_c: np.ndarray


def simulate(site: Site, sky: Sky) -> Series:
    """The site's 48 days, faults of the equipment included, faults of the clock in `axis` alone."""
    axis = logger_axis(site)
    region = REGIONS[site.region]
    # Samples taken at an instant stand in the middle of their step.
    mid_s = axis.true_s + (0 if site.kind == "metric-long" else 150)
    days = local_days(mid_s, ZoneInfo(region.zone))
    rng = np.random.default_rng(site.seed("house"))
    strings_w, temp_c = _roof(site, sky, mid_s, days)
    available_w = np.round(np.sum(strings_w, axis=0), 2)
    hour = _local_hour(mid_s, days, region.zone)
    load_w = np.round(load_series(site, hour, days, rng), 2)
    flows = run_house(site, available_w, load_w, _limits(site, days, hour), rng)
    held = np.divide(flows.pv_w, available_w, out=np.ones_like(available_w), where=available_w > 0)
    voltage_v = _voltage(site, flows.grid_w, rng)
    seen_load_w = load_w * (1 + 0.003 * rng.standard_normal(len(load_w)))
    seen_grid_w = flows.grid_w
    if frozen := planted(site.site_id, "readings-frozen"):
        inside = _between(days, frozen.first_day, frozen.last_day)
        seen_load_w = np.where(inside, seen_load_w[np.argmax(inside)], seen_load_w)
    if reversed_ := planted(site.site_id, "meter-reversed"):
        seen_grid_w = np.where(_between(days, reversed_.first_day, reversed_.last_day), -seen_grid_w, seen_grid_w)
    return Series(
        axis, days, flows.pv_w, tuple(s * held for s in strings_w), seen_load_w, seen_grid_w, flows.battery_w,
        flows.soc_pct, voltage_v, temp_c + 9 + 22 * flows.pv_w / (site.inverter_kw * 1000),
    )  # fmt: skip


def _between(days: np.ndarray, first: object, last: object) -> np.ndarray:
    return (days >= np.datetime64(str(first))) & (days <= np.datetime64(str(last)))


def _local_hour(at_s: np.ndarray, days: np.ndarray, zone: str) -> np.ndarray:
    """Hours since local midnight by the wall clock, off by the change on the two days that have one."""
    midnight = {day: pd.Timestamp(day).tz_localize(zone).timestamp() for day in np.unique(days)}
    return (at_s - np.array([midnight[day] for day in days])) / 3600


def _roof(site: Site, sky: Sky, mid_s: np.ndarray, days: np.ndarray) -> tuple[list[np.ndarray], np.ndarray]:
    """AC power in W that each input could give, curtailment aside, and the air temperature."""
    region = REGIONS[site.region]
    ratio, temp_c = site_sky(sky, mid_s, east_km=site.east_km, rng=np.random.default_rng(site.seed("sky")))
    when = pd.DatetimeIndex(pd.to_datetime(mid_s, unit="s", utc=True))
    latitude, longitude = place(site)
    sun = pvlib.solarposition.get_solarposition(when, latitude, longitude, altitude=region.altitude_m)
    air = pvlib.atmosphere.get_absolute_airmass(
        pvlib.atmosphere.get_relative_airmass(sun["apparent_zenith"]), pvlib.atmosphere.alt2pres(region.altitude_m)
    )
    extra = pvlib.irradiance.get_extra_radiation(when)
    clear = pvlib.clearsky.ineichen(sun["apparent_zenith"], air, region.turbidity, region.altitude_m, extra)
    # The beam goes first: at a quarter of the clear sky's light nothing of it is left.
    dni = clear["dni"].to_numpy() * np.clip((ratio - 0.25) / 0.75, 0, None) ** 1.2
    ghi = clear["ghi"].to_numpy() * ratio
    dhi = np.clip(ghi - dni * np.cos(np.radians(sun["apparent_zenith"].to_numpy())).clip(0), 0, None)
    shaded = np.zeros(len(when), dtype=bool)
    if site.site_id == "BIR-01":
        shaded = (sun["azimuth"].between(*SHADE_AZIMUTH) & (sun["apparent_elevation"] < SHADE_ELEVATION)).to_numpy()
    inputs_w = []
    for kwp, tilt, azimuth in site.planes:
        poa = pvlib.irradiance.get_total_irradiance(
            tilt, azimuth, sun["apparent_zenith"], sun["azimuth"], dni, ghi, dhi, extra, model="haydavies", albedo=0.2
        )
        beam = poa["poa_direct"].to_numpy() * np.where(shaded, 0.1, 1.0)
        light = np.nan_to_num(beam + poa["poa_diffuse"].to_numpy() * np.where(shaded, 0.75, 1.0)).clip(0)
        cell_c = pvlib.temperature.faiman(light, temp_c, wind_speed=2.0)
        inputs_w.append(pvlib.pvsystem.pvwatts_dc(light, cell_c, kwp * 1000, GAMMA_PDC) * WIRING_RATIO)
    if len(site.planes) == 1 and site.string_shares:
        inputs_w = [inputs_w[0] * share for share in site.string_shares]
    return _to_ac(site, _spoil(site, inputs_w, days, mid_s)), temp_c


def _to_ac(site: Site, inputs_w: list[np.ndarray]) -> list[np.ndarray]:
    dc_w = np.sum(inputs_w, axis=0)
    pdc0 = site.inverter_kw * 1000 / NOMINAL_EFFICIENCY
    ac_w = np.asarray(pvlib.inverter.pvwatts(dc_w, pdc0, NOMINAL_EFFICIENCY))
    ac_w = np.where(ac_w < START_W, 0.0, ac_w)
    return [ac_w * np.divide(part, dc_w, out=np.zeros_like(dc_w), where=dc_w > 0) for part in inputs_w]


def _spoil(site: Site, inputs_w: list[np.ndarray], days: np.ndarray, mid_s: np.ndarray) -> list[np.ndarray]:
    """The inputs' DC power with snow, planted losses, trials."""
    factor = np.ones(len(days))
    if site.region == "Birkmatt":
        factor[_between(days, *SNOW)] = 0.02
        gone = np.datetime64(str(SNOW[1]))
        last = np.flatnonzero(days == gone)
        if len(last):  # it slides off during the last morning, the steeper the roof the sooner
            slide = last[0] + int(len(last) * (0.52 - 0.002 * site.planes[0][1]))
            factor[slide : last[-1] + 1] = 0.97
    if site.site_id == "BIR-07":
        factor *= 0.5
    if under := planted(site.site_id, "underperformance"):
        assert under.size is not None
        factor[_between(days, under.first_day, under.last_day)] *= 1 - under.size / 100
    if site.site_id == "KLI-01":  # trials: two days off, then an hour on and an hour off
        factor[_between(days, "2026-03-01", "2026-03-10")] = 0
        trial = _between(days, "2026-03-11", "2026-03-15")
        factor[trial] *= (mid_s[trial] // 3600 % 2 == 0).astype(float)
    inputs_w = [part * factor for part in inputs_w]
    if loss := planted(site.site_id, "string-loss"):
        inputs_w[1] = np.where(_between(days, loss.first_day, loss.last_day), 0.0, inputs_w[1])
    return inputs_w


def place(site: Site) -> tuple[float, float]:
    """The roof's latitude and longitude, degrees, to about 10 m."""
    region = REGIONS[site.region]
    latitude = region.latitude + site.north_km / 111.2
    return round(latitude, 4), round(region.longitude + site.east_km / (111.2 * np.cos(np.radians(latitude))), 4)


def _limits(site: Site, days: np.ndarray, hour: np.ndarray) -> Limits:
    """What the settings of inverter and battery allow at each step."""
    count = len(days)
    reserve = np.full(count, 35.0)
    limit_w = np.full(count, np.inf if site.feed_in_limit_kw is None else site.feed_in_limit_kw * 1000)
    blocked, from_grid_w = np.zeros(count, dtype=bool), np.zeros(count)
    if fault := planted(site.site_id, "battery-not-discharging"):
        reserve[_between(days, fault.first_day, fault.last_day)] = fault.size
    if fault := planted(site.site_id, "unexpected-export"):
        limit_w[_between(days, fault.first_day, fault.last_day)] = np.inf
    if fault := planted(site.site_id, "battery-at-floor"):
        blocked = _between(days, fault.first_day, fault.last_day)
    if fault := planted(site.site_id, "battery-grid-charging"):
        night = _between(days, fault.first_day, fault.last_day) & (hour >= 1) & (hour < 4)
        from_grid_w = np.where(night, 1800.0, 0.0)
    return Limits(reserve, limit_w, blocked, from_grid_w)


def _voltage(site: Site, grid_w: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Phase to neutral at the meter: the street's level, lifted by feed-in and lowered by import."""
    street = 1 + 0.006 * smooth_noise(rng, len(grid_w), 40) + 0.0015 * rng.standard_normal(len(grid_w))
    lift = 0.0
    if planted(site.site_id, "voltage-out-of-band"):
        lift = 0.074
    return site.nominal_v * (street + lift - 0.035 * grid_w / (site.inverter_kw * 1000))
