"""A state of charge that stands still while energy flows; whole per cents, full and empty batteries beside it."""

from datetime import timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.battery.battery_reading_frozen import detect
from detectors.finding import Finding, NotJudged
from detectors.frames import READING_FLAGS
from tests.support import build
from tests.support.battery_day import SITE, balanced, changed, plain, readings, steps

FROZEN = {**plain(), "soc_pct": [62.0] * 96}


def _verdicts(course, *, site=SITE, earlier=(), rows=None, **knobs):
    rows = readings(course) if rows is None else rows
    return detect(rows, build.sites(site), build.earlier(*earlier), build.DAY, **knobs)


def test_energy_moves_and_the_reading_does_not():
    (found,) = _verdicts(FROZEN)
    assert (found.kind, found.unit) == ("battery-reading-frozen", "kWh")
    # 35 to 90 % and back: 5.5 kWh each way
    assert found.value == pytest.approx(11.0)
    assert found.evidence["swing_kwh"] == pytest.approx(5.5)
    assert found.evidence["should_move_pct"] == pytest.approx(55.0)
    assert found.evidence["frozen_h"] == pytest.approx(24.0)


@pytest.mark.parametrize(("charge_w", "is_told"), [(600.0, True), (1800.0, False)])
def test_a_power_beyond_what_the_battery_holds_is_itself_in_doubt(charge_w, is_told):
    """Twelve hours at one power: 7 kWh into 10 kWh tell of the level, 22 kWh of the power."""
    course = changed({**plain(), "soc_pct": [62.0] * 96}, range(96), battery_w=0.0)
    (verdict,) = _verdicts(changed(course, steps(0, 12), battery_w=-charge_w))
    assert isinstance(verdict, Finding) is is_told
    if not is_told:
        assert "more than its 10 kWh hold" in verdict.reason


@pytest.mark.parametrize(("step_pct", "is_told"), [(1, True), (5, False)])
def test_within_a_step_of_its_reading_a_level_moves_unseen(step_pct, is_told):
    """917 W for an hour and three quarters, of which 1.4 kWh of 10 are sure, beside an allowance of a tenth."""
    course = {**plain(), "soc_pct": [float(step_pct * round(x / step_pct)) for x in plain()["soc_pct"]]}
    held = changed(course, steps(9, 10.75), soc_pct=35.0)
    assert any(isinstance(one, Finding) for one in _verdicts(held)) is is_told


@pytest.mark.parametrize(("load_w", "is_told"), [(500.0, False), (lambda n: 500.0 + n, True)])
def test_a_row_that_fills_a_gap_moves_nothing(load_w, is_told):
    """Two hours in which the logger repeats its last row, at 917 W; told where the house shows that it lives on."""
    lively = changed(plain(), range(96), load_w=lambda n: 500.0 + 7 * (n % 5))
    course = balanced(changed(lively, steps(10, 13), load_w=load_w, soc_pct=44.0))
    assert any(isinstance(one, Finding) for one in _verdicts(course)) is is_told


def test_a_reading_that_follows_is_healthy():
    assert _verdicts(plain()) == []
    assert _verdicts({**plain(), "soc_pct": [round(x) for x in plain()["soc_pct"]]}) == []


def test_steps_of_five_per_cent_are_coarse_but_follow():
    assert _verdicts({**plain(), "soc_pct": [5 * round(x / 5) for x in plain()["soc_pct"]]}) == []


def test_between_instants_under_broken_clouds_nobody_knows_what_flowed():
    """Four values an hour of a battery that answers clouds and a stove; as means they would be energy enough."""
    powers = [-2400, -300, 350, -2400, -30, -1800, -2600, 330]
    at = steps(12, 14)
    course = changed({**plain(), "soc_pct": [5 * round(x / 5) for x in plain()["soc_pct"]]}, at, soc_pct=50.0)
    course["battery_w"] = [*course["battery_w"]]
    for place, power in zip(at, powers, strict=True):
        course["battery_w"][place] = float(power)
    assert any(isinstance(one, Finding) for one in _verdicts(course))
    assert _verdicts(None, rows=readings(course).with_columns(is_instant=True)) == []
    assert isinstance(_verdicts(None, rows=readings(FROZEN).with_columns(is_instant=True))[0], Finding)


def test_what_the_first_and_the_last_interval_move_may_show_in_their_neighbours():
    """Half-hourly: 65 % at the end of a strong charge, some discharge, and 65 % again at the start of the next."""
    power = [-2233.0, 1383.0, 259.0, -2616.0, -4146.0]
    level = [65.0, 65.0, 65.0, 65.0, 90.0]
    course = {"battery_w": [0.0] * 21 + power + [0.0] * 22, "soc_pct": [50.0] * 21 + level + [90.0] * 22}
    assert not any(isinstance(one, Finding) for one in _verdicts(course, rows=readings(course, interval_s=1800)))


def test_frozen_from_the_afternoon_on():
    noon = plain()["soc_pct"][48]
    (found,) = _verdicts(changed(plain(), range(48, 96), soc_pct=noon))
    assert found.evidence["start_utc"] == "2025-06-10T10:00:00Z"
    assert found.evidence["frozen_h"] == pytest.approx(12.0)


def test_what_goes_in_and_out_again_at_once_moves_nothing():
    # Half an hour in, half an hour out, all day: 24 kWh in all, but never more than 0.5 kWh from where it stood.
    course = {**FROZEN, "battery_w": [1000.0 if n // 2 % 2 else -1000.0 for n in range(96)]}
    (verdict,) = _verdicts(course)
    assert isinstance(verdict, NotJudged)


def test_a_full_battery_takes_a_trickle_and_one_at_its_floor_gives_its_standby():
    full = changed(plain(floor_pct=99.0, full_pct=100.0), range(96), soc_pct=100.0, battery_w=-55.0)
    assert isinstance(_verdicts(full)[0], NotJudged)
    low = changed(full, range(96), soc_pct=35.0, battery_w=55.0)
    assert isinstance(_verdicts(low)[0], NotJudged)


def test_near_full_a_reading_may_be_held_for_longer():
    # 1.5 kWh of 10 into a battery that says 98 %: its cells balance.
    course = changed(plain(), range(96), battery_w=0.0)
    course = changed(course, steps(0, 12), soc_pct=lambda n: 50.0 + n)
    course = changed(course, steps(12, 24), soc_pct=98.0)
    held = changed(course, steps(12, 13.5), battery_w=-1000.0)
    assert _verdicts(held) == []
    assert isinstance(_verdicts(changed(held, steps(12, 15), battery_w=-1000.0))[0], Finding)


@pytest.mark.parametrize("shown", ["before", "after"])
def test_hourly_readings_hold_an_hours_energy_on_either_side_of_a_stand(shown):
    # 3 kW from 9 to 11, at rest before and after; the charge stands at 20 % and then at 80 %.
    power = [-3000.0 if h in (9, 10) else 0.0 for h in range(24)]
    before = [20.0 if h <= 9 else 50.0 if h == 10 else 80.0 for h in range(24)]
    after = [*before[1:], 80.0]
    soc = before if shown == "before" else after
    rows = readings({"battery_w": power, "soc_pct": soc}, interval_s=3600)
    assert _verdicts(None, rows=rows) == []


def test_an_idle_day_tells_nothing():
    (verdict,) = _verdicts({**FROZEN, "battery_w": [0.0] * 96})
    assert isinstance(verdict, NotJudged)
    assert "hardly any energy" in verdict.reason


def test_missing_channels_silence_clock_and_no_battery():
    (verdict,) = _verdicts({**FROZEN, "soc_pct": [None] * 96})
    assert verdict.reason == "state of charge missing"
    (verdict,) = _verdicts({**FROZEN, "battery_w": [None] * 96, "pv_w": [None] * 96})
    assert verdict.reason == "battery power missing"
    (verdict,) = _verdicts(None, rows=readings(plain()).head(44))
    assert "known for 11 h" in verdict.reason
    assert isinstance(_verdicts(None, rows=readings(FROZEN).clear())[0], NotJudged)
    assert isinstance(_verdicts(FROZEN, earlier=[("roof-1", "clock-step")])[0], NotJudged)
    assert [v.reason.code for v in _verdicts(FROZEN, site={})] == ["without-battery"]


def _flagged(channel, *, flag="frozen", day=build.DAY):
    row = {"site_id": "roof-1", "day": day, "channel": channel, "flag": flag}
    return build.frame(READING_FLAGS, [row])


@pytest.mark.parametrize("channel", ["battery_w", "soc_pct"])
def test_a_channel_that_is_known_to_stand_still_is_told_as_such_and_not_twice(channel):
    """What moved is worked out from a load that was worked out from the frozen power: nobody knows it."""
    (verdict,) = _verdicts(FROZEN, reading_flags=_flagged(channel))
    assert isinstance(verdict, NotJudged) and verdict.reason.code == "readings-frozen"


@pytest.mark.parametrize(
    "flags",
    [
        _flagged("pv_w"),
        _flagged("battery_w", flag="implausible"),
        _flagged("soc_pct", day=build.DAY - timedelta(days=1)),
    ],
)
def test_other_flags_and_those_of_other_days_leave_it_to_this_one(flags):
    (found,) = _verdicts(FROZEN, reading_flags=flags)
    assert isinstance(found, Finding)


def test_gaps_do_not_break_a_stand_nor_add_to_it():
    gappy = readings(FROZEN).filter(pl.int_range(pl.len()) % 8 != 0)
    (found,) = _verdicts(None, rows=gappy)
    assert 8.0 < found.value < 11.0


@settings(max_examples=40, deadline=None)
@given(power=st.lists(st.floats(-4000, 4000), min_size=24, max_size=24), rounding=st.sampled_from([0, 1, 3]))
def test_a_charge_that_is_the_sum_of_what_flowed_is_never_frozen(power, rounding):
    """The law of conservation: the reading here is the integral of the power, shown with few or many digits."""
    soc, level = [], 50.0
    kept = []
    for p in power:
        flow = p if 2.0 < level - p / 100 < 98.0 else 0.0
        soc.append(round(level, rounding))
        kept.append(flow)
        level -= flow / 100
    rows = readings({"battery_w": kept, "soc_pct": soc}, interval_s=3600)
    assert not any(isinstance(v, Finding) for v in _verdicts(None, rows=rows))
