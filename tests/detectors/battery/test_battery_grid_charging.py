"""Charge that only the grid can have given; sun on another phase, lagging meters and top-ups beside it."""

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.battery.battery_grid_charging import detect
from detectors.finding import Finding, NotJudged
from tests.support import build
from tests.support.battery_day import SITE, balanced, changed, plain, readings, steps

DAY = plain(floor_pct=40.0)
NIGHT = balanced(changed(DAY, steps(1, 4), battery_w=-2000.0, soc_pct=lambda n: 40.0 + 5 * (n - 4)))


def _verdicts(course, *, site=SITE, earlier=(), days=None, rows=None):
    rows = readings(course) if rows is None else rows
    site_days = build.days({"feed_in_kwh": 0.0}) if days is None else days
    return detect(rows, site_days, build.sites(site), build.earlier(*earlier), build.DAY)


def test_a_night_of_charging_from_the_grid():
    (found,) = _verdicts(NIGHT)
    assert (found.kind, found.unit, found.value) == ("battery-grid-charging", "kWh", pytest.approx(2.0 * 3))
    assert found.evidence["start_utc"] == "2025-06-09T23:00:00Z"  # 01:00 at UTC+2
    assert found.evidence["from_grid_h"] == pytest.approx(3.0)
    assert found.loss_kwh == pytest.approx(0.06 * 6)
    assert found.cost == pytest.approx(0.06 * 6 * 0.30)


def test_sun_that_was_fed_in_afterwards_could_have_filled_it():
    (found,) = _verdicts(NIGHT, days=build.days({"feed_in_kwh": 4.0}))
    assert found.cost == pytest.approx(0.06 * 6 * 0.30 + 4.0 * (0.30 - 0.08))


def test_a_full_battery_keeps_a_roof_that_may_not_feed_in_from_making_what_was_bought():
    """8 kWp held for 5 h at what the house takes could have given 8 kWh: more than the 6 that were charged by night."""
    held = changed(NIGHT, steps(11, 16), pv_w=400.0, load_w=400.0, grid_w=0.0, battery_w=0.0, soc_pct=100.0)
    closed = {**SITE, "installed_kwp": 8.0, "feed_in_limit_kw": 0.0}
    (found,) = _verdicts(held, site=closed)
    assert found.loss_kwh == pytest.approx(6.0, rel=0.01) and found.evidence["full_h"] == pytest.approx(5.0)
    (shorter,) = _verdicts(changed(held, steps(12, 16), soc_pct=80.0), site=closed)
    assert shorter.loss_kwh == pytest.approx(0.06 * 6 + 0.2 * 8, rel=0.01)
    (free,) = _verdicts(held, site={**closed, "feed_in_limit_kw": None})
    assert free.loss_kwh == pytest.approx(0.06 * 6, rel=0.01)


def test_agreed_charging_and_charging_from_the_sun_are_healthy():
    (agreed,) = _verdicts(NIGHT, site={**SITE, "grid_charging": True})
    assert isinstance(agreed, NotJudged) and agreed.reason.code == "charging-agreed"
    assert _verdicts(DAY) == []


def test_the_house_may_import_on_another_phase_while_the_sun_charges():
    # 1400 W of sun charge 1400 W, the house buys 2000 W beside it, as three-phase meters may show.
    course = changed(DAY, steps(9, 15), pv_w=1400.0, battery_w=-1400.0, grid_w=2000.0, load_w=2000.0)
    assert _verdicts(course) == []


def test_by_day_only_what_the_roof_did_not_give_counts():
    course = balanced(changed(DAY, steps(9, 15), pv_w=300.0, battery_w=-1300.0))
    (found,) = _verdicts(course)
    assert found.value == pytest.approx(1.0 * 6, rel=0.05)


def test_a_battery_that_lags_by_an_interval_behind_passing_clouds():
    pv = [3000.0 if n % 4 < 2 and 36 <= n < 60 else 0.0 for n in range(96)]
    battery = [0.0, *(-min(p, 2500.0) for p in pv[:-1])]
    soc = [min(40.0 + max(n - 36, 0), 70.0) for n in range(96)]
    course = {"pv_w": pv, "load_w": [2600.0] * 96, "battery_w": battery, "soc_pct": soc, "grid_w": [2600.0] * 96}
    assert _verdicts(course) == []


def test_a_roof_that_is_not_metered_may_charge_it_but_then_nothing_is_imported():
    assert _verdicts(changed(DAY, steps(9, 15), pv_w=0.0, grid_w=30.0)) == []


def test_a_nearly_empty_battery_is_topped_up():
    # From 8 to 12 % at night: 0.4 kWh in 10, kept alive; up to the reserve after an outage likewise.
    empty = changed(DAY, range(0, 36), soc_pct=8.0)
    top_up = balanced(changed(empty, steps(2, 3), battery_w=-400.0, soc_pct=lambda n: 8.0 + (n - 8)))
    assert _verdicts(changed(top_up, steps(3, 9), soc_pct=12.0)) == []
    lifted = balanced(changed(empty, steps(2, 4), battery_w=-1300.0, soc_pct=lambda n: 8.0 + 3.4 * (n - 8)))
    assert _verdicts(changed(lifted, steps(4, 9), soc_pct=35.2)) == []


def test_a_tenth_of_an_empty_battery_is_a_top_up_whatever_the_reserve():
    low = {**SITE, "battery_reserve_pct": 10.0}
    empty = changed(DAY, range(0, 36), soc_pct=8.0)
    lifted = balanced(changed(empty, steps(2, 3), battery_w=-900.0, soc_pct=lambda n: 8.0 + 2.2 * (n - 8)))
    assert _verdicts(changed(lifted, steps(3, 9), soc_pct=17.0), site=low) == []
    from_higher = changed(lifted, range(0, 36), soc_pct=lambda n: 40.0 + min(max(n - 8, 0), 4) * 2.2)
    assert isinstance(_verdicts(from_higher, site=low)[0], Finding)


def test_without_a_state_of_charge_a_tenth_may_be_a_top_up_and_more_is_not():
    blind = changed(DAY, range(96), soc_pct=None)
    once = balanced(changed(blind, steps(2, 3), battery_w=-900.0))
    assert _verdicts(once) == []
    twice = balanced(changed(once, steps(3.25, 4.25), battery_w=-900.0))
    assert _verdicts(twice)[0].value == pytest.approx(1.8)


def test_charging_that_starts_at_the_reserve_and_goes_on_is_no_top_up():
    course = balanced(changed(DAY, steps(1, 4), battery_w=-2000.0, soc_pct=lambda n: 30.0 + 5 * (n - 4)))
    assert _verdicts(changed(course, steps(4, 9), soc_pct=90.0))[0].value == pytest.approx(6.0)


def test_a_pause_does_not_make_two_charges_and_hours_apart_do():
    pause = balanced(changed(NIGHT, range(9, 10), battery_w=0.0))
    assert _verdicts(pause)[0].value == pytest.approx(6.0 - 0.5)


def test_little_is_regulating():
    assert _verdicts(balanced(changed(DAY, range(8, 9), battery_w=-1000.0))) == []


def test_a_reversed_battery_sensor_shows_in_the_charge():
    course = balanced(changed(DAY, steps(1, 4), battery_w=-2000.0, soc_pct=lambda n: 90.0 - 5 * (n - 4)))
    (verdict,) = _verdicts(changed(course, range(0, 4), soc_pct=90.0))
    assert isinstance(verdict, NotJudged)
    assert "sign" in verdict.reason


def test_loggers_that_leave_generation_out_by_night():
    course = changed(NIGHT, [*steps(0, 5), *steps(22, 24)], pv_w=None)
    assert _verdicts(course)[0].value == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("channel", "words"), [("pv_w", "generation missing"), ("grid_w", "grid meter missing"), ("battery_w", "battery")]
)
def test_a_missing_channel_is_said(channel, words):
    course = {**DAY, channel: [None] * 96, "load_w": [None] * 96}
    (verdict,) = _verdicts(course)
    assert isinstance(verdict, NotJudged)
    if channel != "pv_w":  # by night generation is nought, reported or not
        assert words in verdict.reason


def test_gaps_silence_clock_and_no_battery():
    gappy = readings(NIGHT).filter(pl.int_range(pl.len()) % 6 != 5)
    assert _verdicts(None, rows=gappy)[0].value == pytest.approx(6.0 * 5 / 6, rel=0.05)
    (verdict,) = _verdicts(None, rows=readings(DAY).head(24))
    assert "known together for 6 h" in verdict.reason
    (verdict,) = _verdicts(None, rows=readings(DAY).clear())
    assert verdict.reason == "no readings on this day"
    for kind in ("clock-drift", "meter-reversed", "balance-broken"):
        assert isinstance(_verdicts(NIGHT, earlier=[("roof-1", kind)])[0], NotJudged)
    assert [v.reason.code for v in _verdicts(NIGHT, site={})] == ["without-battery"]


@settings(max_examples=40, deadline=None)
@given(
    pv=st.lists(st.floats(0, 6000), min_size=24, max_size=24),
    load=st.lists(st.floats(0, 6000), min_size=24, max_size=24),
    charge=st.lists(st.floats(-4000, 4000), min_size=24, max_size=24),
)
def test_never_more_than_was_charged_nor_than_was_imported(pv, load, charge):
    """The law: charge from the grid is charge, and it is import, whatever the day was like."""
    course = balanced({"pv_w": pv, "load_w": load, "battery_w": charge, "soc_pct": [60.0] * 24})
    rows = readings(course, interval_s=3600)
    for found in _verdicts(None, rows=rows):
        if isinstance(found, Finding):
            assert found.value <= sum(max(-b, 0) for b in charge) / 1000 + 1e-9
            assert found.value <= sum(max(g, 0) for g in course["grid_w"]) / 1000 + 1e-9
