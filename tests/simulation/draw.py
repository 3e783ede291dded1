"""Sites from wide ranges, with what a role needs of them."""

from typing import Any

import numpy as np

from tests.simulation.climates import Climate
from tests.simulation.houses import draw_house
from tests.simulation.roofs import Plane, Roof
from tests.simulation.site import Battery, Logger, Site

Needs = dict[str, Any]

MINUTES = (1, 5, 10, 15, 30, 60)
MINUTES_SHARE = (0.05, 0.40, 0.12, 0.25, 0.08, 0.10)


def _roof(rng: np.random.Generator, latitude: float, needs: Needs) -> tuple[Roof, int]:
    """The roof, and how many inputs its only plane has."""
    count = int(needs.get("planes") or rng.choice([1, 2, 3, 4], p=[0.62, 0.28, 0.07, 0.03]))
    kwp = float(np.round(np.clip(rng.lognormal(np.log(8.5), 0.5), 2.5, 45), 2))
    equator = 180.0 if latitude >= 0 else 0.0
    turn = float(rng.choice([rng.normal(0, 35), rng.normal(0, 12), rng.uniform(-110, 110)], p=[0.55, 0.3, 0.15]))
    tilt = float(
        np.clip(rng.choice([rng.normal(30, 9), rng.uniform(3, 14), rng.uniform(40, 65)], p=[0.7, 0.18, 0.12]), 1, 75)
    )
    apart = float(rng.choice([180.0, 90.0, rng.uniform(40, 180)])) if not needs.get("opposite") else 180.0
    if apart == 180.0 and count == 2:
        turn = float(rng.choice([-90, 90])) + rng.normal(0, 15)
    shares = rng.dirichlet(np.full(count, 8.0))
    planes = []
    for number in range(count):
        azimuth = (equator + turn + apart * number) % 360
        planes.append(
            Plane(
                round(kwp * float(shares[number]), 3),
                round(float(np.clip(tilt + rng.normal(0, 3), 1, 80)), 1),
                round(float(azimuth), 1),
            )
        )
    total = sum(plane.kwp for plane in planes)
    ratio = float(needs.get("dc_ac") or np.clip(rng.normal(1.12, 0.16), 0.75, 1.7))
    horizon = np.clip(
        rng.gamma(1.2, 3.0) + 3.5 * np.convolve(rng.standard_normal(28), np.ones(5) / 2.2, "valid"), 0, 22
    )
    shade = None
    if needs.get("shade") or rng.random() < 0.22:
        begin = float(rng.choice([rng.uniform(75, 140), rng.uniform(200, 265)]))
        if latitude < 0:
            begin = float(rng.choice([rng.uniform(20, 80), rng.uniform(270, 320)]))
        deep = (22, 40) if needs.get("shade") else (10, 28)
        shade = (
            begin,
            min(begin + float(rng.uniform(15, 60)), 359.9),
            float(rng.uniform(*deep)),
            float(rng.uniform(0.4, 0.95)),
        )
    roof = Roof(
        planes,
        float(np.round(total / ratio, 1)) or 1.0,
        float(rng.uniform(0.945, 0.98)),
        float(rng.uniform(-0.0045, -0.0028)),
        float(rng.uniform(42, 52)),
        float(rng.uniform(0.84, 0.97)),
        float(rng.uniform(5, 60)),
        np.asarray(horizon[:24]),
        shade,
        float(needs.get("soiling", rng.choice([0.0, rng.uniform(0, 0.0012)]))),
        float(rng.uniform(0.12, 0.28)),
        float(rng.uniform(0.03, 0.06)),
    )
    strings = int(rng.choice([1, 2])) if count == 1 and kwp > 4 else 1
    return roof, max(strings, int(needs.get("strings", 1))) if count == 1 else 1


def _battery(rng: np.random.Generator, kwp: float, needs: Needs) -> Battery | None:
    if not needs.get("battery", rng.random() < 0.62):
        return None
    kwh = float(np.round(needs.get("battery_kwh") or np.clip(kwp * rng.uniform(0.5, 1.8), 2.5, 40), 1))
    reserve = float(needs.get("reserve") or rng.choice([5, 8, 10, 12, 15, 20, 20, 30, 35]))
    gap = float(rng.choice([0, 0, 2, 5, 10, 15]))
    return Battery(
        kwh,
        float(kwh * 1000 * rng.uniform(0.3, 0.8)),
        reserve,
        min(reserve + gap, 95),
        max(reserve - rng.uniform(4, 15), 1.0),
        float(rng.uniform(0.955, 0.98)),
        float(rng.uniform(2, 12)),
        float(needs.get("cold_c", rng.choice([-50, 2.0]))),
    )


def _logger(rng: np.random.Generator, needs: Needs, minutes: int) -> Logger:
    step = float(rng.choice([1, 1, 1, 5, 10, 50, 100], p=[0.35, 0.15, 0.1, 0.1, 0.2, 0.06, 0.04]))
    return Logger(
        minutes,
        step,
        float(needs.get("level_step") or rng.choice([0.1, 1, 1, 1, 2])),
        float(rng.normal(1, 0.01)),
        float(rng.normal(1, 0.008)),
        float(rng.normal(1, 0.01)),
        float(rng.normal(1, 0.01)),
        float(rng.normal(0, 2)),
        float(rng.uniform(0, 4)),
        bool(rng.random() < 0.2),
        bool(needs.get("load_measured", rng.random() < 0.45)),
        float(rng.choice([0, 0.0005, 0.004])),
        float(rng.choice([0, 0.0002])),
        bool(needs.get("sleeps", False)),
        bool(needs.get("inputs", rng.random() < 0.5)),
        bool(needs.get("phase_channels", rng.random() < 0.5)),
        bool(needs.get("voltage", rng.random() < 0.5)),
        bool(rng.random() < 0.4),
        bool(rng.random() < 0.08),
        bool(rng.random() < 0.2),
        float(needs.get("night_w", 0.0)),
    )


def draw_site(
    site_id: str,
    region: int,
    climate: Climate,
    place: tuple[float, float, float, float],
    zone: str,
    needs: Needs,
    minutes: int,
    rng: np.random.Generator,
) -> Site:
    """A site; `place`: latitude, longitude, km east and km north of the region's middle."""
    latitude, longitude, east, north = place
    roof, strings = _roof(rng, latitude, needs)
    battery = _battery(rng, roof.kwp, needs)
    house = draw_house(rng, needs.get("house"), cold=climate.mean_c < 15, hot=climate.mean_c > 14)
    if needs.get("small_load"):
        house.scale, house.base_w, house.heat_pump_w, house.charger_w = 0.3, min(house.base_w, 120.0), 0.0, 0.0
    kind = needs.get("limit") or str(rng.choice(["unlimited", "limited", "no-export"], p=[0.52, 0.16, 0.32]))
    limit = {"unlimited": None, "no-export": 0.0}.get(kind, float(np.round(roof.kwp * rng.uniform(0.4, 0.75), 1)))
    target = float(rng.choice([20, 50, 80, 120, 200])) if kind == "no-export" else 0.0
    three = bool(needs.get("three_phase", roof.kwp > 7 and rng.random() < 0.6))
    logger = _logger(rng, needs, minutes)
    logger.has_phases &= three
    if kind == "no-export" and logger.power_step_w > 10:
        logger.power_step_w = 10.0
    agreed = battery is not None and bool(needs.get("agreed", rng.random() < 0.1))
    site = Site(
        site_id,
        region,
        latitude,
        longitude,
        east,
        north,
        zone,
        roof,
        house,
        battery,
        limit,
        None,
        target,
        three,
        True,
        agreed,
        strings,
        logger,
    )
    site.told = _register(site, rng, needs)
    return site


def _register(site: Site, rng: np.random.Generator, needs: Needs) -> dict[str, str]:
    """The cells that somebody filled in."""
    roof, battery = site.roof, site.battery
    told = {
        "latitude": f"{site.latitude:.4f}",
        "longitude": f"{site.longitude:.4f}",
        "timezone": site.zone,
        "installed_kwp": f"{roof.kwp:.2f}",
    }
    if rng.random() < 0.7:
        told["inverter_kw"] = f"{roof.inverter_kw:g}"
    if site.three_phase:
        told["phases"] = "3"
    knows = rng.random() < needs.get("planes_known", 0.6)
    if knows and len(roof.planes) == 1:
        told["tilt_deg"] = f"{np.clip(roof.planes[0].tilt_deg + rng.normal(0, 2.0), 0, 89):.0f}"
        told["azimuth_deg"] = f"{(roof.planes[0].azimuth_deg + rng.normal(0, 4)) % 360:.0f}".replace("360", "0")
    elif knows:
        site.arrays = [(plane.kwp, round(plane.tilt_deg), round(plane.azimuth_deg) % 360) for plane in roof.planes]
    if site.feed_in_limit_kw is not None:
        told["feed_in_limit_kw"] = f"{site.feed_in_limit_kw:g}"
        if site.target_w and rng.random() < 0.5:
            told["feed_in_buffer_w"] = f"{site.target_w:g}"
    if battery is not None:
        told["battery_kwh"] = f"{battery.kwh:g}"
        if rng.random() < needs.get("reserve_known", 0.75):
            told["battery_reserve_pct"] = f"{battery.reserve_pct:g}"
            told["battery_resume_pct"] = f"{battery.resume_pct:g}"
            told["battery_backup_floor_pct"] = f"{battery.floor_pct:.0f}"
        if site.is_grid_charging_agreed:
            told["grid_charging"] = "yes"
    told["import_price"], told["feed_in_price"] = f"{rng.uniform(0.15, 0.42):.2f}", f"{rng.uniform(0.03, 0.14):.2f}"
    return told
