"""Generation that stands still, and flat tops, ceilings and curtailment that only look like it."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from detectors.features.flow_peaks import SCHEMA as PEAKS
from detectors.features.repeats import SCHEMA
from tests.support import build
from tests.support.standing_home import (
    DAY,
    HOURS,
    STEPS,
    held_at,
    home_with,
    judge,
    lively,
    sunny,
)


def test_generation_that_stands_still_by_day_and_at_night():
    (found,) = judge({"pv_w": held_at(sunny(), 8, 12)})
    assert (found.value, found.evidence["channel_name"]) == (4.0, "pv_w")
    pv = sunny()
    pv[48:] = pv[48]  # from noon to midnight: no roof generates then
    (found,) = judge({"pv_w": pv})
    assert found.value == 12.0
    (found,) = judge({"pv_w": np.full(STEPS, 1234.0)})
    assert found.value == 24.0


def test_a_load_that_is_worked_out_and_rounded_confirms_no_generation_at_night():
    """All powers in steps of 100 W: a balance that closes within its rounding looks like three meters that agree."""
    true_load, stands_at_w = lively() + 1500.0, 4938.0
    grid = 100 * np.round((true_load - sunny()) / 100)
    load = 100 * np.round((stands_at_w + true_load - sunny()) / 100)
    (found,) = judge({"pv_w": np.full(STEPS, 4900.0), "grid_w": grid, "load_w": load})
    assert (found.value, found.evidence["channel_name"]) == (24.0, "pv_w")


def test_a_battery_in_the_channel_of_generation_that_gives_its_most_for_an_evening_is_confirmed():
    """The inverter's output: 3 kW from the battery until midnight, beside a load that is read."""
    pv = np.where(HOURS >= 20.5, 3000.0, sunny())
    load = lively() + np.where(HOURS >= 20, 4000.0, 0.0)
    error = np.random.default_rng(7).normal(size=STEPS)  # two meters differ
    home = {"pv_w": pv, "load_w": load, "grid_w": load - pv + 20 * error}
    assert judge(home) == []


def test_no_generation_all_day_is_not_frozen():
    assert judge({"pv_w": np.zeros(STEPS)}) == []
    assert judge({"pv_w": np.full(STEPS, 4.0)}) == []  # 0.04 % of the rating: the inverter's own


@pytest.mark.parametrize("top_w", [4000.0, 2500.0])
def test_a_flat_top_is_clipping(top_w):
    assert judge({"pv_w": np.minimum(sunny(), top_w)}) == []


def test_clipping_within_a_meters_error_is_a_flat_top():
    pv = np.minimum(sunny(), 4000.0)
    pv[52:58] = 4030.0
    assert judge({"pv_w": pv}) == []
    pv[52:58] = 4700.0  # not clipped, then
    assert len(judge({"pv_w": pv})) == 1


def _peaks(*peaks_w: float) -> pl.DataFrame:
    """The highest generation of the days before."""
    rows = [{"site_id": "roof-1", "day": DAY - timedelta(days=n), "pv_peak_w": w} for n, w in enumerate(peaks_w, 1)]
    return build.frame(PEAKS, rows)


def _grey_and_frozen(at_w: float = 1234.0) -> np.ndarray:
    """A dark day whose highest value is one that stood still for five hours."""
    pv = np.round(np.clip(sunny(900.0) + 100 * np.random.default_rng(5).normal(size=STEPS), 0, None) * (sunny() > 0))
    pv[48:68] = at_w
    return pv


def test_what_the_roof_passed_on_other_days_is_no_ceiling():
    (found,) = judge({"pv_w": _grey_and_frozen()}, peaks=_peaks(4900.0, 700.0, 3100.0, 4200.0))
    assert (found.value, found.evidence["pv_stands_at_w"]) == (5.0, 1234.0)


@pytest.mark.parametrize("peaks_w", [(), (1240.0,) * 30, (4900.0, 4800.0), (8e6,) * 5])
def test_a_ceiling_that_no_three_days_contradict_is_left_alone(peaks_w):
    """Never passed but by moments, or on two days only, or by days of a wrong unit."""
    assert judge({"pv_w": _grey_and_frozen()}, peaks=_peaks(*peaks_w)) == []


def test_a_roof_turned_down_to_a_share_of_its_rating_is_left_alone():
    """A network operator's step of 30 % of 10 kW, on one day, within a meter's error; 3.1 and 2.4 kW are none."""
    passed = _peaks(*(9000.0,) * 5)
    for step_w in (3000.0, 2955.0):
        assert judge({"pv_w": np.minimum(sunny(), step_w)}, peaks=passed) == []
    assert len(judge({"pv_w": np.minimum(sunny(), 3100.0)}, peaks=passed)) == 1
    assert len(judge({"pv_w": np.minimum(sunny(), 2400.0)}, peaks=passed)) == 1


def test_a_ceiling_set_anew_is_known_by_the_days_on_which_it_comes_back():
    pv, passed = np.minimum(sunny(), 2400.0), _peaks(*(9000.0,) * 5)
    before = [
        {"site_id": "roof-1", "device_id": "", "channel": "pv_w", "day": DAY - timedelta(days=n), "run_h": 6.0,
         "value": value, "start_h": 9.0, "end_h": 15.0, "below_top": 0.0, "step": 1.0, "distinct": 40}
        for n, value in ((1, 2401.0), (3, 2400.0))
    ]  # fmt: skip
    assert judge({"pv_w": pv}, peaks=passed, kept=build.frame(SCHEMA, before)) == []
    assert len(judge({"pv_w": pv}, peaks=passed, kept=build.frame(SCHEMA, before[:1]))) == 1


def test_generation_curtailed_to_a_limit_over_a_steady_load_stands_still():
    """After a morning with a large load, so that the curtailed hours are not the day's top."""
    load = held_at(np.where((HOURS >= 8) & (HOURS < 10.5), 3000.0, lively()), 11, 15)
    pv = np.minimum(sunny(), load + 1500.0)
    at_limit = {"pv_w": pv, "load_w": load, "grid_w": load - pv}
    assert judge(at_limit, site={"feed_in_limit_kw": 1.5}) == []
    moving = {**at_limit, "load_w": lively()}  # the grid at its limit, the load moving: generation must have moved
    (found,) = judge(moving, site={"feed_in_limit_kw": 1.5})
    assert "pv_w" in found.evidence["channel_name"]


def test_generation_curtailed_to_an_idle_house_that_coarse_meters_round_stands_still():
    """An office on a Sunday, that may not feed in, read in steps of 10 W: 150 or 160 W of load, 160 of generation."""
    idle = np.where((HOURS >= 9) & (HOURS < 15), 150.0 + 10.0 * (HOURS.astype(int) % 2), 400.0 + 20.0 * HOURS)
    pv = np.where((HOURS >= 9) & (HOURS < 15), 160.0, np.minimum(sunny(), idle))
    office = {"pv_w": pv, "load_w": idle, "grid_w": np.where((HOURS >= 9) & (HOURS < 15), 0.0, idle - pv)}
    assert judge(office, site={"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 20.0}) == []
    lit = {**office, "load_w": np.where((HOURS >= 9) & (HOURS < 15), 300.0 + 150.0 * (HOURS.astype(int) % 2), idle)}
    (found,) = judge(lit, site={"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 20.0})
    assert "pv_w" in found.evidence["channel_name"]


def test_a_phase_without_a_load_that_changes_stands_still_while_the_inverter_clips():
    """At 5.9 kW on three phases each feeds 1,967 W; the loads that move are on the other two."""
    pv, load = np.minimum(sunny(9000.0), 5900.0), lively()
    home = {"pv_w": pv, "load_w": load, "grid_w": load - pv}
    clipped = {**home, "grid_l1_w": np.round(60.0 - pv / 3)}
    assert judge(clipped, site={"inverter_kw": None, "installed_kwp": 9.0}) == []
    moving = home_with(grid_l1_w=clipped["grid_l1_w"])
    assert [v.evidence["channel_name"] for v in judge(moving, site={"inverter_kw": None})] == ["grid_l1_w"]
