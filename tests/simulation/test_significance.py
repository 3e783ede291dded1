"""What stands out by the truth alone: more by size and by days, and nothing where nothing is free to show it."""

from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest

from tests.simulation.axis import Axis
from tests.simulation.faults import step_fault
from tests.simulation.fleet import make_fleet
from tests.simulation.significance import DAY_SIGMA, LEVEL_SIGMA, SLIDE_SIGMA, Light, significance

DAYS, STEPS = 40, 96
LIT = slice(30, 66)


def _site(*, kwp=10.0, alone=False, planes=True):
    return SimpleNamespace(
        site_id="S", region=0, zone="UTC", roof=SimpleNamespace(kwp=kwp, inverter_kw=2 * kwp), arrays=[],
        told={"tilt_deg": "30"} if planes else {}, logger=SimpleNamespace(has_irradiance=False), is_alone=alone,
    )  # fmt: skip


def _truth(*, free=True, apart=0.0):
    """A sky alike on all days; `apart`: log by which the light of a neighbour differs, up and down in turn."""
    axis = Axis(date(2026, 3, 1), DAYS, 900)
    inside = np.zeros((DAYS + 2, STEPS))
    inside[:, LIT] = 1.0
    could = 5000.0 * inside.ravel()
    pv = could if free else could / 2
    day = np.repeat(np.arange(DAYS + 2), STEPS)
    ghi = 600.0 * inside.ravel()
    healthy = SimpleNamespace(axis=axis, pv_w=pv, could_w=could, ghi=ghi, healthy=None)
    other = SimpleNamespace(axis=axis, ghi=ghi * np.exp(apart * (-1.0) ** day))
    return healthy, other, axis


def _of(size_pct, *, first=20, free=True, apart=0.05, **about):
    healthy, other, axis = _truth(free=free, apart=apart)
    site = _site(**about)
    fault = step_fault(site, size_pct, first, axis)
    left = np.where(fault.strength(axis.mid_s) > 0, 1 - size_pct / 100, 1.0)
    truth = SimpleNamespace(axis=axis, pv_w=np.minimum(healthy.pv_w, healthy.could_w * left), ghi=healthy.ghi,
                            healthy=healthy)  # fmt: skip
    light = Light([site, SimpleNamespace(site_id="N", region=0)], {"S": truth, "N": other})
    return significance(fault, site, truth, light)


def test_a_fall_stands_out_by_generalised_least_squares():
    """The same by the inverse of the days' whole covariance, nuisances included."""
    kwh = 5.0 * 36 / 4
    sigma = np.hypot(np.hypot(0.05, DAY_SIGMA), 3.0 * 12 / 1000 / kwh)
    days = np.arange(DAYS)
    signal = np.where(days >= 20, np.log(0.8), 0.0)
    covariance = sigma**2 * np.eye(DAYS) + LEVEL_SIGMA**2 + SLIDE_SIGMA**2 * np.outer(days, days)
    assert _of(20.0) == pytest.approx(np.sqrt(signal @ np.linalg.solve(covariance, signal)), rel=1e-3)


def test_it_grows_with_size_and_days_and_shrinks_with_what_the_sky_differs_by():
    assert _of(10.0) < _of(20.0) < _of(40.0)
    assert _of(20.0, first=36) < _of(20.0)
    assert _of(20.0, apart=0.3) < _of(20.0)
    assert _of(20.0, first=0, planes=False) < _of(20.0, first=0)


def test_where_the_takers_held_the_roof_all_day_nothing_stands_out():
    assert _of(30.0, free=False) == 0.0


def test_the_simulators_faults_of_yield_are_weighed_and_others_are_not():
    fleet = make_fleet(71, sites=12, days=20, first=date(2026, 5, 1), minutes=15, kinds=["no-generation"], faulty=0.2)
    assert fleet.faults
    for fault in fleet.faults:
        if fault.family == "yield":
            assert fault.significance > 20 or not fault.is_visible
        else:
            assert np.isnan(fault.significance)
