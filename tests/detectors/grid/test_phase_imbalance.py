"""One phase that imports while another feeds in, for long; sums are arithmetic shown here."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from detectors.features.phase_day import make
from detectors.finding import Finding, NotJudged
from detectors.grid.phase_imbalance import detect
from tests.support import build

THREE = {"phases": 3}


def _verdicts(l1, l2, l3, *, site=THREE, earlier=(), interval_s=300, **channels):
    phases = {"grid_l1_w": l1, "grid_l2_w": l2, "grid_l3_w": l3}
    rows = build.readings({n: list(v) for n, v in {**phases, **channels}.items()}, interval_s=interval_s)
    sites = build.sites(site)
    return detect(rows, make(rows, sites), sites, build.earlier(*earlier), build.DAY)


def _from(hours, value, base=300.0):
    """A day at 5 min with `value` for so many hours from 10:00."""
    day = np.full(288, base)
    day[120 : 120 + round(hours * 12)] = value
    return day


def test_what_passes_in_and_out_at_once_is_counted():
    (found,) = _verdicts(_from(4, -2000.0), _from(4, 500.0), _from(4, 400.0))
    assert (found.kind, found.unit, found.severity) == ("phase-imbalance", "kWh", "watch")
    assert found.value == pytest.approx(8.0)  # 2 kW out over four hours, 0.5 + 0.4 kW in meanwhile
    assert found.evidence["crossed_kwh"] == pytest.approx(4 * 0.9)
    assert found.evidence["fed_in_while_importing_kwh"] == pytest.approx(8.0)
    assert found.evidence["imported_l2_kwh"] == pytest.approx(2.0)
    assert found.evidence["crossed_h"] == pytest.approx(4)
    assert found.loss_kwh == 0
    assert "0.79 EUR of the week" in found.summary  # 3.6 kWh x (0.30 - 0.08)


def test_phases_that_go_the_same_way_are_clean():
    assert _verdicts(_from(6, -2000.0), _from(6, -500.0), _from(6, -400.0)) == []
    assert _verdicts(_from(6, 2000.0), _from(6, 500.0), _from(6, 0.0)) == []


@pytest.mark.parametrize(("hours", "watts", "found"), [(2.5, 2000.0, False), (3.5, 2000.0, True), (6, 100.0, False)])
def test_it_must_last_and_add_up(hours, watts, found):
    assert bool(_verdicts(_from(hours, -watts), _from(hours, watts), _from(hours, 0.0))) is found


def test_a_small_part_of_what_is_imported_meanwhile_is_not():
    # 2.4 kWh out while 156 kWh come in are 1.5 %: the error of two meters
    assert _verdicts(_from(12, -200.0), _from(12, 13000.0), np.zeros(288)) == []
    # What is imported at other times, 276 kWh, says nothing of it.
    (found,) = _verdicts(_from(3.5, -600.0, 13000.0), _from(3.5, 600.0), np.zeros(288))
    assert found.value == pytest.approx(2.1)


def test_scatter_around_zero_is_not():
    rng = np.random.default_rng(3)
    assert _verdicts(*(rng.normal(0, 20, 288) for _ in range(3))) == []


def _changing(shares):
    pv = np.repeat(np.random.default_rng(4).uniform(500, 8000, 24), 12)
    return {"pv_w": pv, **{f"l{n}": 400.0 * n - share * pv for n, share in enumerate(shares, 1)}}


@pytest.mark.parametrize(
    ("shares", "words"), [((0, 1, 0), "feeds on L2 alone"), ((1 / 3, 1 / 3, 1 / 3), "several phases")]
)
def test_where_the_inverter_sits_is_read_off_the_phases(shares, words):
    day = _changing(shares)
    own = [day["l1"], day["l2"], day["l3"] + 3000.0]
    (found,) = _verdicts(*own, pv_w=day["pv_w"])
    assert words in found.measured
    for n, share in enumerate(shares, 1):
        assert found.evidence[f"answer_l{n}_ratio"] == pytest.approx(share, abs=1e-3)


def test_a_battery_that_follows_the_loads_of_one_phase_tells_nothing_of_the_inverter():
    """Three phases alike give what L3 takes: L3 lacks two thirds of each load, the others get a third too much."""
    load = np.repeat(np.random.default_rng(5).uniform(0, 9000, 24), 12)
    (found,) = _verdicts(-load / 3, -load / 3, 2 * load / 3, pv_w=np.zeros(288), battery_w=load)
    assert "does not tell on which phases" in found.measured
    assert found.evidence["answer_l3_ratio"] == pytest.approx(-2 / 3, abs=1e-3)


def test_at_a_site_that_may_not_feed_in_it_matters_more():
    (found,) = _verdicts(_from(4, -2000.0), _from(4, 900.0), _from(4, 1200.0), site={**THREE, "feed_in_limit_kw": 0.0})
    assert found.severity == "soon"


def test_single_phase_sites_have_no_verdict():
    (verdict,) = _verdicts(_from(4, -2000.0), _from(4, 900.0), _from(4, 0.0), site={"phases": 1})
    assert isinstance(verdict, NotJudged) and verdict.reason.code == "not-three-phase"


def test_what_cannot_be_judged_is_said():
    (verdict,) = _verdicts([None] * 288, [None] * 288, [None] * 288)
    assert isinstance(verdict, NotJudged)
    assert "single phases" in verdict.reason
    (verdict,) = _verdicts(_from(4, -2000.0), _from(4, 900.0), _from(4, 0.0), earlier=[("roof-1", "meter-reversed")])
    assert isinstance(verdict, NotJudged)
    short = [[100.0] * 100 + [None] * 188] * 3
    (verdict,) = _verdicts(*short)
    assert isinstance(verdict, NotJudged)
    assert "35 % of the day" in verdict.reason


@pytest.mark.parametrize("minutes", [15, 60])
def test_coarse_readings_stand_as_they_are(minutes):
    wide = minutes // 5
    own = [_from(4, value)[::wide] for value in (-2000.0, 500.0, 400.0)]
    (found,) = _verdicts(*own, interval_s=minutes * 60)
    assert isinstance(found, Finding)
    assert found.value == pytest.approx(8.0)
    assert found.evidence["crossed_kwh"] == pytest.approx(3.6)


def test_little_in_a_day_and_little_at_a_time_are_not_worth_a_morning():
    assert _verdicts(_from(6, -300.0, 0.0), _from(6, 300.0, 0.0), np.zeros(288)) == []  # 1.8 kWh
    # 1.08 kWh on each of seven days, of flows within 50 W of zero
    within = [(np.full(288, -45.0), np.full(288, 45.0), np.zeros(288))] * 7
    assert _week(*within) == []


def _week(*courses):
    """The verdicts on the last of several days, each three courses at 5 min."""
    first = build.DAY - timedelta(days=len(courses) - 1)
    days = [
        build.readings({f"grid_l{n}_w": list(phase) for n, phase in enumerate(one, 1)}, day=first + timedelta(days=at))
        for at, one in enumerate(courses)
    ]
    sites = build.sites(THREE)
    kept = make(pl.concat(days), sites)
    return detect(days[-1], kept, sites, build.earlier(), build.DAY)


LITTLE = (_from(1, -500.0, 100.0), _from(1, 250.0, 100.0), _from(1, 250.0, 100.0))  # 0.5 kWh in an hour
NOTHING = (_from(1, 100.0, 100.0),) * 3


def test_a_little_on_every_day_is_found_within_the_week():
    assert _week(*[LITTLE] * 3) == []  # 1.5 kWh
    (found,) = _week(*[LITTLE] * 4)
    assert (found.value, found.threshold) == (pytest.approx(0.5), pytest.approx(2 / 7))
    assert found.evidence["week_crossed_kwh"] == pytest.approx(2.0)
    assert "in the week 2.0 kWh" in found.summary


def test_a_day_without_it_waits_until_the_week_is_clear():
    (verdict,) = _week(*[LITTLE] * 5, NOTHING)
    assert isinstance(verdict, NotJudged) and verdict.reason.startswith("0.00 kWh crossed on this day")
    assert _week(*[LITTLE] * 5, *[NOTHING] * 4) == []  # 1.5 kWh are left in the week
