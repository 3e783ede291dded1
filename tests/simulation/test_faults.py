"""Each fault changes what it says it changes."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.simulation import fleet as fleets
from tests.simulation.axis import Axis, offsets_s
from tests.simulation.faults import KINDS, NEVER_PCT, Fault, draw_fault
from tests.simulation.fleet import Fleet, make_fleet
from tests.simulation.live import Truth
from tests.simulation.meters import Samples
from tests.simulation.site import Site

FIRST = date(2026, 3, 5)  # Europe's and America's clocks change in the span
DAYS = 32

Case = tuple[Site, Fault, Truth, Samples, NDArray[np.bool_]]


SITES = 3 * len(KINDS)  # as many of each kind, unless a place does not allow it

pytestmark = pytest.mark.slow  # a fleet of many kinds of sites, as the benches draw them


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    """Every site has one fault, and no look-alike has its place."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fleets, "ALIKE_SHARE", 0.0)
        patch.setattr(fleets, "SECOND_FAULT", 0.0)
        return make_fleet(4021, sites=SITES, days=DAYS, first=FIRST, faulty=1.0, hemisphere="north")


@pytest.fixture(params=KINDS)
def cases(request: pytest.FixtureRequest, fleet: Fleet) -> tuple[str, list[Case]]:
    kind: str = request.param
    # A month is too short for most drifts to be found by; their stamps are checked all the same.
    shown = [fault for fault in fleet.faults if fault.kind == kind and (fault.is_visible or kind == "clock-drift")]
    return kind, [_case(fleet, fault) for fault in shown]


def _case(fleet: Fleet, fault: Fault) -> Case:
    site = next(site for site in fleet.sites if site.site_id == fault.site_id)
    truth = fleet.truth[fault.site_id]
    return site, fault, truth, fleet.samples[fault.site_id], fault.strength(truth.axis.mid_s) > 0


def _yields_less(case: Case) -> bool:
    """By days: where feed-in is limited, a battery that was filled less makes room for more on the next one."""
    site, fault, truth, _, on = case
    assert truth.healthy is not None
    day, lost_w = truth.axis.local_day(site.zone), (truth.healthy.pv_w - truth.pv_w) * on
    inside = (day >= 0) & (day < truth.axis.days)
    lost_kwh = np.bincount(day[inside], weights=lost_w[inside]) * truth.axis.step_s / 3.6e6
    return lost_kwh.sum() > 0 and fault.loss_kwh == pytest.approx(lost_kwh.clip(0).sum(), rel=0.12, abs=1.0)


def _dark(case: Case) -> bool:
    return float(case[2].pv_w[case[4]].max()) == 0.0


def _one_input_dead(case: Case) -> bool:
    _, fault, truth, _, on = case
    return float(truth.inputs_w[fault.detail["input"]][on].max()) == 0.0 and truth.pv_w[on].max() > 0


def _register_is_wrong(case: Case) -> bool:
    site, fault = case[:2]
    return abs(float(site.told["installed_kwp"]) / site.roof.kwp - 1) > 0.19 and fault.size == site.roof.kwp


def _exports(case: Case) -> bool:
    site, _, truth, _, on = case
    assert truth.healthy is not None and site.feed_in_limit_kw is not None
    limit = site.feed_in_limit_kw * 1000 + 100
    return float(-truth.grid_w[on].min()) > limit + 200 and float(-truth.healthy.grid_w[on].min()) < limit + 200


def _imports_more(case: Case) -> bool:
    site, _, truth, _, on = case
    assert truth.healthy is not None and site.import_limit_kw is not None
    return float(truth.grid_w[on].max()) > site.import_limit_kw * 1000 >= float(truth.healthy.grid_w.max()) * 0.97


def _never_charges(case: Case) -> bool:
    _, _, truth, _, on = case
    return float(-truth.battery_w[on].min()) < 251  # topping up alone


def _stops_high(case: Case) -> bool:
    _, fault, truth, _, on = case
    gives = on & (truth.battery_w > 100)
    return not gives.any() if fault.size == NEVER_PCT else bool((truth.level_pct[gives] > fault.size - 1).all())


def _goes_deep(case: Case) -> bool:
    site, _, truth, _, on = case
    assert site.battery is not None
    return float(truth.level_pct[on].min()) < site.battery.reserve_pct - 3


def _charges_by_night(case: Case) -> bool:
    _, _, truth, _, on = case
    dark = on & (truth.ghi < 0.01)
    return float(-truth.battery_w[dark].min()) > 300 and truth.grid_w[dark].max() > 300


def _battery_pauses(case: Case) -> bool:
    _, _, truth, _, on = case
    assert truth.healthy is not None
    return bool(((truth.healthy.battery_w > 200) & (truth.battery_w <= 0))[on].mean() > 0.01)


def _inside(case: Case) -> NDArray[np.bool_]:
    return case[1].strength(case[3].true_s) > 0


def _stuck(name: str) -> Callable[[Case], bool]:
    def check(case: Case) -> bool:
        values = case[3].channels[case[1].detail.get("channel", name)]
        inside = np.flatnonzero(_inside(case))
        begins = np.flatnonzero(np.diff(inside, prepend=-2) > 1)
        each = np.split(values[inside], begins[1:])
        return all(np.nanmax(one) == np.nanmin(one) for one in each if len(one))

    return check


def _reversed(case: Case) -> bool:
    """The reported grid goes against the true one on the whole meter, or on its phase."""
    _, fault, truth, samples, _ = case
    inside = _inside(case)
    place = np.clip(((samples.true_s - truth.axis.start_s) // truth.axis.step_s).astype(int), 0, truth.axis.steps - 1)
    name = "grid_w" if fault.detail["phase"] < 0 else f"grid_l{fault.detail['phase'] + 1}_w"
    relation = np.corrcoef(samples.channels[name][inside], truth.grid_w[place][inside])[0, 1]
    return bool(relation < -0.4)


def _phases_against_each_other(case: Case) -> bool:
    samples, inside = case[3], _inside(case)
    phases = np.stack([samples.channels[f"grid_l{n}_w"] for n in (1, 2, 3)])
    mixed = (phases.min(axis=0) < -100) & (phases.max(axis=0) > 100)
    return bool(
        mixed[inside].mean() > 0.03 and mixed[inside].mean() > 3 * mixed[~inside].mean() if (~inside).any() else True
    )


def _voltage_high(case: Case) -> bool:
    volts = case[3].channels["voltage_l1_v"][_inside(case)]
    return bool((volts > 253).mean() > 0.05)


def _cut_at_its_voltage(case: Case) -> bool:
    """Where power is missing, the voltage stands within the inverter's own range; at all times within the band."""
    _, fault, truth, samples, on = case
    assert truth.healthy is not None
    lost = np.where(on, truth.healthy.pv_w - truth.pv_w, 0.0)
    place = np.clip(((samples.true_s - truth.axis.start_s) // truth.axis.step_s).astype(int), 0, truth.axis.steps - 1)
    volts = np.stack([v for n, v in samples.channels.items() if n.startswith("voltage")]).max(axis=0)
    around = volts[lost[place] > 0.1 * truth.healthy.pv_w.max()]
    is_at = (around > fault.detail["start_v"] - 1) & (around < fault.detail["end_v"] + 0.5)
    is_within = volts.max() < 253.2  # EN 50160, and a meter's noise
    return bool(len(around) > 10 and is_at.mean() > 0.95 and is_within and fault.loss_kwh > 0)


def _silent(case: Case) -> bool:
    site, fault, _, samples, _ = case
    return site.devices == 2 or not (fault.strength(samples.true_s) > 0).any()


def _absurd(case: Case) -> bool:
    site, _, _, samples, _ = case
    inside, most = _inside(case), site.roof.kwp * 2500 + 20_000
    power = np.stack([samples.channels[n] for n in ("pv_w", "grid_w", "battery_w") if n in samples.channels])[:, inside]
    level = samples.channels.get("soc_pct", np.zeros(1))
    return bool(np.abs(power).max() > most or level.max() > 100 or samples.channels["pv_w"].min() < -500)


def _books_open(case: Case) -> bool:
    channels, inside = case[3].channels, _inside(case)
    gap = channels["pv_w"] + channels["grid_w"] + channels.get("battery_w", 0.0) - channels["load_w"]
    return float(np.abs(gap[inside]).mean()) > 20


def _stamp_error_min(case: Case) -> NDArray[np.float64]:
    """Minutes by which the stamp as the export shows it is late, by the zone of the register."""
    samples = case[3]
    return np.asarray((samples.wall_s - offsets_s(case[0].zone, samples.true_s) - samples.true_s) / 60)


def _constant_offset(case: Case) -> bool:
    error = _stamp_error_min(case)[_inside(case)]
    clean = error[np.abs(error - np.median(error)) < 30]
    return bool(np.abs(clean - case[1].size).max() < 0.1 and len(clean) > 0.9 * len(error))


def _offset_in_one_season(case: Case) -> bool:
    error, fault = _stamp_error_min(case), case[1]
    wrong = np.abs(error - fault.size) < 0.1
    first, last = ((one - FIRST).days for one in (fault.first_day, fault.last_day))
    day = case[3].day
    in_its_days = (wrong[(day > first) & (day < last)]).all() and not wrong[(day < first) | (day > last)].any()
    return bool(0.05 < wrong.mean() < 0.95 and (np.abs(error[~wrong]) < 0.1).all() and in_its_days)


def _drifts(case: Case) -> bool:
    at, error = case[3].true_s[_inside(case)], _stamp_error_min(case)[_inside(case)]
    keep = np.abs(error - np.median(error)) < 50
    slope = np.polyfit(at[keep] / 86_400, error[keep] * 60, 1)[0]
    return bool(slope == pytest.approx(case[1].size, rel=0.05))


CHECKS: dict[str, Callable[[Case], bool]] = {
    "time-zone-wrong": _constant_offset,
    "daylight-saving-wrong": _offset_in_one_season,
    "clock-drift": _drifts,
    "clock-step": _constant_offset,
    "unexpected-export": _exports,
    "meter-reversed": _reversed,
    "phase-imbalance": _phases_against_each_other,
    "import-limit-exceeded": _imports_more,
    "battery-at-floor": _never_charges,
    "battery-not-discharging": _stops_high,
    "battery-below-reserve": _goes_deep,
    "battery-grid-charging": _charges_by_night,
    "battery-reading-frozen": _stuck("soc_pct"),
    "underperformance": _yields_less,
    "no-generation": _dark,
    "string-loss": _one_input_dead,
    "capacity-mismatch": _register_is_wrong,
    "voltage-out-of-band": _voltage_high,
    "voltage-curtailment": _cut_at_its_voltage,
    "site-silent": _silent,
    "readings-frozen": _stuck(""),
    "readings-implausible": _absurd,
    "balance-broken": _books_open,
    "unexplained": _battery_pauses,
}


def test_the_fault_does_what_its_kind_says(cases: tuple[str, list[Case]]):
    kind, found = cases
    assert found, f"no visible {kind} among three"
    for case in found:
        assert CHECKS[kind](case), (case[1], case[0].told)


def test_a_fleet_of_steps_has_the_faults_that_were_asked_for() -> None:
    fleet = make_fleet(11, sites=5, days=6, first=FIRST, kinds=["underperformance"], faulty=0.4, step_pct=20.0)
    assert [(fault.kind, fault.size, fault.shape) for fault in fleet.faults] == 2 * [("underperformance", 20.0, "step")]
    for site, fault, truth, _, on in (_case(fleet, fault) for fault in fleet.faults):
        assert (fault.first_day - FIRST).days == 3
        assert truth.axis.midnight_s(site.zone, 3) == fault.begin_s
        assert truth.healthy is not None
        assert (truth.pv_w[~on] == truth.healthy.pv_w[~on]).mean() > 0.99
        assert truth.pv_w[on].sum() < 0.95 * truth.healthy.pv_w[on].sum()


@pytest.mark.parametrize(
    ("zone", "first", "change"),
    [
        ("America/Santiago", date(2026, 8, 20), date(2026, 9, 6)),  # forward, at midnight
        ("Europe/Berlin", date(2026, 3, 10), date(2026, 3, 29)),
        ("Australia/Sydney", date(2026, 9, 20), date(2026, 10, 4)),
    ],
)
def test_a_logger_that_knows_no_summer_is_wrong_from_the_day_on_which_it_begins(fleet, zone, first, change):
    """Days of the changes: IANA time zone database, 2026."""
    axis = Axis(first, 30, 300)
    changes = fleets._change_days(zone, first, 30)
    assert changes == [(change - first).days]
    site = replace(fleet.sites[0], zone=zone)
    for seed in range(5):
        drawn = draw_fault(site, "daylight-saving-wrong", axis, changes, np.random.default_rng(seed))
        assert (drawn.first_day, drawn.last_day) == (change, axis.first + timedelta(days=29))
        assert drawn.detail["is_standard"] and drawn.size == -60.0
        assert offsets_s(zone, axis.mid_s).min() == offsets_s(zone, np.array([axis.midnight_s(zone, 0)]))[0]
