"""A fleet drawn from a seed alone: roles, sites, faults, true series and what the loggers made of them."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np

from tests.simulation.axis import Axis, offsets_s
from tests.simulation.consequences import hide, weigh
from tests.simulation.draw import MINUTES, MINUTES_SHARE, draw_site
from tests.simulation.faults import FORMS, KINDS, Fault, alter_register, draw_fault, step_fault
from tests.simulation.forms import Form, draw_forms
from tests.simulation.live import Prepared, Truth, live, prepare
from tests.simulation.lookalikes import LOOK_ALIKES
from tests.simulation.meters import Samples, sample
from tests.simulation.places import Place, draw_spots
from tests.simulation.significance import Light, significance
from tests.simulation.site import Site
from tests.simulation.sky import Region, region_weather

FAULTY_SHARE, ALIKE_SHARE = 0.45, 0.35
SECOND_FAULT = 0.12
TWO_INVERTERS = 0.4  # of the sites that can have two
DATA_FAULTS = ("readings-frozen", "readings-implausible", "balance-broken", "meter-reversed")


@dataclass
class Fleet:
    """Everything that is known of it."""

    seed: int
    first: date
    days: int
    sites: list[Site]
    faults: list[Fault]
    forms: list[Form]
    places: list[Place]
    truth: dict[str, Truth] = field(default_factory=dict)
    samples: dict[str, Samples] = field(default_factory=dict)
    event_day: dict[str, int] = field(default_factory=dict)  # of look-alikes of the delivery

    def faults_of(self, site_id: str) -> list[Fault]:
        return [fault for fault in self.faults if fault.site_id == site_id]


def make_fleet(
    seed: int,
    *,
    sites: int = 60,
    days: int = 60,
    first: date = date(2026, 3, 1),
    minutes: int | None = None,
    kinds: Sequence[str] = KINDS,
    hemisphere: str = "both",
    faulty: float = FAULTY_SHARE,
    step_pct: float | None = None,
) -> Fleet:
    """Draws a fleet, of which the share `faulty` has a fault, and lives through its days.

    With `step_pct` each fault is underperformance of that size, from the middle of the span on.
    """
    rng = np.random.default_rng(seed)
    places, spots = draw_spots(sites, hemisphere, rng)
    forms = draw_forms(rng, minutes, MINUTES, MINUTES_SHARE)
    changes = {place.zone: _change_days(place.zone, first, days) for place in places}
    roles = _roles(sites, faulty, kinds, rng)
    _move_to_fit(roles, [places[spot.region] for spot in spots], changes)
    fleet = Fleet(seed, first, days, [], [], forms, places)
    load: dict[int, int] = {}
    for number, (role, spot) in enumerate(zip(roles, spots, strict=True)):
        own = np.random.default_rng([seed, 1, number])
        place = places[spot.region]
        role, needs = _fitting(role, place, changes[place.zone], own)
        form = _form_for(forms, needs, role, load, own)
        load[form] = load.get(form, 0) + 1
        site = draw_site(
            f"S{number + 1:03d}",
            spot.region,
            place.climate,
            (spot.latitude, spot.longitude, spot.east_km, spot.north_km),
            place.zone,
            needs,
            forms[form].minutes,
            own,
        )
        site.is_alone = spot.is_alone
        _finish(site, role, needs, form, own, days)
        fleet.sites.append(site)
        if role in ("clean", "site-silent") and _can_be_two(site, forms[form]) and own.random() < TWO_INVERTERS:
            site.devices, site.logger.has_inputs = 2, False
        if role in FORMS and step_pct is not None:
            fleet.faults.append(step_fault(site, step_pct, days // 2, Axis(first, days, 300)))
        elif role in FORMS:
            _break(fleet, site, role, changes[place.zone], kinds, own)
    _simulate(fleet)
    return fleet


def _roles(sites: int, share: float, kinds: Sequence[str], rng: np.random.Generator) -> list[str]:
    """A role for each site: kinds and look-alikes in turn, so that none is rare, in a drawn order."""
    faulty, alike = round(sites * share), round(sites * ALIKE_SHARE)
    names = list(LOOK_ALIKES)
    order_kinds = [k for _ in range(faulty // len(kinds) + 1) for k in rng.permutation(list(kinds))][:faulty]
    order_alikes = [k for _ in range(alike // len(names) + 1) for k in rng.permutation(names)][:alike]
    roles = [*map(str, order_kinds), *map(str, order_alikes), *["clean"] * (sites - faulty - alike)]
    return [roles[n] for n in rng.permutation(len(roles))]


def _fits(role: str, place: Place, changes: list[int]) -> bool:
    if role == "daylight-saving-wrong":
        return any(day >= 5 for day in changes)
    climates = LOOK_ALIKES[role].climates if role in LOOK_ALIKES else ()
    return not climates or place.climate.name in climates


def _move_to_fit(roles: list[str], places: list[Place], changes: dict[str, list[int]]) -> None:
    """Swaps roles that their place does not allow with others, as far as there are places for them."""
    for number, role in enumerate(roles):
        if _fits(role, places[number], changes[places[number].zone]):
            continue
        for other, theirs in enumerate(roles):
            here, there = places[number], places[other]
            if _fits(role, there, changes[there.zone]) and theirs != role and _fits(theirs, here, changes[here.zone]):
                roles[number], roles[other] = theirs, role
                break


def _fitting(role: str, place: Place, changes: list[int], rng: np.random.Generator) -> tuple[str, dict[str, Any]]:
    """The role, or another where the place does not allow it; and what it needs of a site."""
    if role == "daylight-saving-wrong" and not any(day >= 5 for day in changes):
        role = "time-zone-wrong"
    if role in LOOK_ALIKES:
        alike = LOOK_ALIKES[role]
        if alike.climates and place.climate.name not in alike.climates:
            fitting = [name for name, one in LOOK_ALIKES.items() if not one.climates]
            role = str(rng.choice(fitting))
            alike = LOOK_ALIKES[role]
        return role, dict(alike.needs)
    needs = dict(FORMS[role].needs) if role in FORMS else {}
    if needs.pop("limited_site", False):
        needs["limit"] = str(rng.choice(["no-export", "no-export", "limited"]))
    if needs.get("reserve") == "high":
        needs["reserve"] = float(rng.choice([20, 30, 35]))
    if role == "string-loss" and rng.random() < 0.5:
        needs["planes"] = int(rng.integers(2, 4))
    return role, needs


def _form_for(
    forms: list[Form], needs: dict[str, Any], role: str, load: dict[int, int], rng: np.random.Generator
) -> int:
    """The form with the fewest sites among those that can carry the role."""
    able = []
    for number, form in enumerate(forms):
        if form.minutes > needs.get("most_minutes", 60) or (form.counter and role in DATA_FAULTS):
            continue
        if role == "daylight-saving-wrong" and form.zone != "export_timezone":
            continue
        if role == "logger asleep at night" and form.counter == "daily":
            continue
        able.append(number)
    able = able or [0]
    heavy = {
        n: load.get(n, 0) * (4 if forms[n].minutes == 1 else 2 if forms[n].source == "folder" else 1) for n in able
    }
    return min(able, key=lambda n: (heavy[n], rng.random()))


def _finish(site: Site, role: str, needs: dict[str, Any], form: int, rng: np.random.Generator, days: int) -> None:
    site.role, site.profile = ("fault" if role in FORMS else role), form
    site.external_id = site.site_id if rng.random() < 0.5 else f"U{rng.integers(1000, 9999)}-{site.site_id[1:]}"
    site.above_fog = bool(needs.get("above_fog", rng.random() < 0.15))
    if "horizon" in needs:
        site.roof.horizon_deg = np.clip(site.roof.horizon_deg + needs["horizon"] * rng.uniform(0.6, 1.2), 0, 30)
    if needs.get("import_limit"):
        site.house.charger_w, site.house.charger_phases = 11000.0, 3
        site.house.heat_pump_w = min(site.house.heat_pump_w, 1500.0)
        site.import_limit_kw = 3.0  # at least; `prepare` raises it to what the loads need
    if role in LOOK_ALIKES:
        LOOK_ALIKES[role].prepare(site, days, rng)


def _can_be_two(site: Site, form: Form) -> bool:
    """Two inverters with exports of their own."""
    return site.battery is None and site.roof.kwp > 6 and not form.counter and form.source != "json path"


def _break(
    fleet: Fleet, site: Site, kind: str, changes: list[int], kinds: Sequence[str], rng: np.random.Generator
) -> None:
    """Draws the site's fault, and sometimes a second one of another family."""
    axis = Axis(fleet.first, fleet.days, 300)
    wanted = [kind]
    if rng.random() < SECOND_FAULT:
        others = [
            k for k in kinds if FORMS[k].family != FORMS[kind].family and _can(site, k, fleet.forms[site.profile])
        ]
        wanted += [str(rng.choice(others))] if others else []
    for one in wanted:
        fault = draw_fault(site, one, axis, changes, rng)
        alter_register(fault, site)
        fleet.faults.append(fault)


def _can(site: Site, kind: str, form: Form) -> bool:
    """Whether a site that was drawn for another fault can have this one too."""
    needs = FORMS[kind].needs
    if kind in ("daylight-saving-wrong", "string-loss", "import-limit-exceeded") or (
        form.counter and kind in DATA_FAULTS
    ):
        return False
    if needs.get("battery") and (
        site.battery is None or site.is_grid_charging_agreed or "battery_reserve_pct" not in site.told
    ):
        return False
    if needs.get("reserve") == "high" and site.battery is not None and site.battery.reserve_pct < 15:
        return False
    logger = site.logger
    return not (
        (needs.get("limited_site") and site.feed_in_limit_kw is None)
        or (needs.get("limit") == "unlimited" and site.feed_in_limit_kw is not None)
        or (needs.get("battery") is False and site.battery is not None)
        or (needs.get("three_phase") and not (site.three_phase and logger.has_phases))
        or (needs.get("voltage") and not (logger.has_voltage and logger.minutes <= 10))
        or (needs.get("load_measured") and not logger.is_load_measured)
    )


def _change_days(zone: str, first: date, days: int) -> list[int]:
    """The days of the span on which the zone's clocks change; a change at midnight is of the day that begins."""
    axis = Axis(first, days, 300)
    before = offsets_s(zone, np.array([axis.midnight_s(zone, n) for n in range(days + 1)]) - 1)
    return np.flatnonzero(np.diff(before)).tolist()


def _simulate(fleet: Fleet) -> None:
    """True series and samples of every site, in groups of one step."""
    faults: dict[str, list[Fault]] = {}
    for fault in fleet.faults:
        faults.setdefault(fault.site_id, []).append(fault)
    for step_s in (60, 300):
        group = [(n, s) for n, s in enumerate(fleet.sites) if (s.logger.minutes < 5) == (step_s == 60)]
        axis = Axis(fleet.first, fleet.days, step_s)
        weather: dict[int, Region] = {}
        prepared: list[Prepared] = []
        for number, site in group:
            place = fleet.places[site.region]
            if site.region not in weather:
                own = np.random.default_rng([fleet.seed, 2, site.region])
                weather[site.region] = region_weather(axis, place.climate, place.latitude, own)
            rng = np.random.default_rng([fleet.seed, 3, number])
            lift = _event(fleet, site, rng, axis)
            prepared.append(prepare(site, weather[site.region], axis, lift, rng))
        for (number, site), truth in zip(group, live(prepared, faults, fleet.seed), strict=True):
            mine = faults.get(site.site_id, [])
            for fault in mine:
                weigh(fault, site, truth)
            rng = np.random.default_rng([fleet.seed, 4, number])
            form = fleet.forms[site.profile]
            fleet.truth[site.site_id] = truth
            fleet.samples[site.site_id] = sample(site, truth, mine, is_instant=form.marks == "instant", rng=rng)
            hide(mine)
    _weigh_yields(fleet)


def _weigh_yields(fleet: Fleet) -> None:
    """Fills in how far the faults of yield stand out of what nobody can know."""
    yields = [fault for fault in fleet.faults if fault.family == "yield"]
    if not yields:
        return
    light, sites = Light(fleet.sites, fleet.truth), {site.site_id: site for site in fleet.sites}
    for fault in yields:
        fault.significance = significance(fault, sites[fault.site_id], fleet.truth[fault.site_id], light)


def _event(fleet: Fleet, site: Site, rng: np.random.Generator, axis: Axis) -> float | None:
    """Draws the day of a look-alike of the delivery; the instant at which a limit is lifted, if that is it."""
    delivery = LOOK_ALIKES[site.role].delivery if site.role in LOOK_ALIKES else ""
    if not delivery:
        return None
    day = int(rng.integers(min(15, fleet.days // 3), max(fleet.days - 12, fleet.days // 3 + 1)))
    fleet.event_day[site.site_id] = day
    return axis.midnight_s(site.zone, day) if delivery == "limit lifted" else None


def day_of(fleet: Fleet, number: int) -> date:
    """The date of a day of the span."""
    return fleet.first + timedelta(days=number)
