"""Discharge below the reserve with the grid there; outages, sinking at rest and jumps of the reading beside it."""

from datetime import timedelta

import polars as pl
import pytest

from detectors.battery.battery_below_reserve import detect
from detectors.battery.levels import LEVELS
from detectors.features.battery_rests import make as make_rests
from detectors.finding import Finding, NotJudged
from tests.support import build
from tests.support.battery_day import SITE, balanced, changed, plain, readings, steps

DEEP = {**plain(floor_pct=20.0, full_pct=60.0), "voltage_l1_v": [231.0] * 96}


def _verdicts(course, *, site=SITE, earlier=(), rows=None, **knobs):
    rows = readings(course) if rows is None else rows
    return detect(rows, build.sites(site), build.earlier(*earlier), build.DAY, **knobs)


def test_discharge_below_the_reserve_is_raised_with_its_lowest_level():
    (found,) = _verdicts(DEEP)
    assert (found.kind, found.unit, found.threshold) == ("battery-below-reserve", "%", 33.0)
    # From 60 % at 18:00 by 3.75 % points a quarter of an hour: 33.75, 30, 26.25, and 22.5, whence 1 kW leads to 20 %.
    assert found.value == pytest.approx(22.5)
    assert found.evidence["below_kwh"] == pytest.approx((1500 + 1500 + 1000) / 4000)
    assert found.evidence["deepest_utc"] == "2025-06-10T18:30:00Z"
    assert "reserve is 35 %" in found.summary


def test_the_same_battery_above_another_reserve_is_healthy():
    assert _verdicts(DEEP, site={**SITE, "battery_reserve_pct": 20.0}) == []


def test_within_two_per_cent_of_the_reserve_is_settling():
    course = {**plain(floor_pct=33.2, full_pct=60.0), "voltage_l1_v": [231.0] * 96}
    assert _verdicts(course) == []


def test_what_it_gives_while_the_house_asks_for_more_than_the_import_limit_is_what_the_reserve_is_for():
    evening = steps(18, 24)
    peaks = changed(DEEP, evening, grid_w=4000.0, load_w=5500.0)  # the battery gives the rest of 5.5 kW
    limited = {**SITE, "import_limit_kw": 4.0}
    assert _verdicts(peaks, site=limited) == []
    assert isinstance(_verdicts(peaks)[0], Finding)  # without a limit nothing asks for it
    small = changed(DEEP, evening, grid_w=500.0, load_w=2000.0)
    assert isinstance(_verdicts(small, site=limited)[0], Finding)


@pytest.mark.parametrize(
    "out",
    [{"voltage_l1_v": 0.0}, {"voltage_l1_v": 2.5, "frequency_hz": 0.0}, {"voltage_l1_v": None, "frequency_hz": 0.0}],
)
def test_with_the_grid_out_the_backup_floor_counts(out):
    course = changed(DEEP, steps(18, 24), grid_w=0.0, **out)
    assert not any(isinstance(v, Finding) for v in _verdicts(course))


def test_a_site_without_voltage_or_frequency_is_told_by_its_flow():
    bare = {name: series for name, series in DEEP.items() if name != "voltage_l1_v"}
    held = changed(bare, steps(19, 22), grid_w=lambda n: 40.0 if n % 2 else -8.0)
    assert isinstance(_verdicts(held)[0], Finding)
    # The last flow was just before; from then on only a meter's noise.
    lost = changed(held, steps(20, 24), grid_w=2.0)
    assert isinstance(_verdicts(lost)[0], NotJudged)
    # Nothing flows for hours: an outage, or a house on its battery. No one can tell.
    (verdict,) = _verdicts(changed(bare, steps(16, 24), grid_w=0.0))
    assert isinstance(verdict, NotJudged)
    assert "whether the grid was there" in verdict.reason


def _after(*days: str, site=SITE) -> list:
    """The verdicts after days on which it went below its reserve, stopped there, or was not asked so far.

    Nothing tells whether the grid was there: it gives nothing while the battery gives, and takes over as that stops.
    """

    def below(floor_pct: float) -> dict:
        return changed(plain(floor_pct=floor_pct, full_pct=60.0), steps(0, 9), grid_w=0.0, load_w=0.0, battery_w=0.0)

    kinds = {"below": below(20.0), "other": below(15.0), "stopped": below(35.0), "idle": below(50.0)}
    rows = readings(*(kinds[one] for one in days))
    sites = build.sites(site)
    today = rows.filter(pl.col("ts_local").dt.date() == build.DAY)
    return detect(
        today.with_columns(grid_w=pl.lit(0.0)), sites, build.earlier(), build.DAY, battery_rests=make_rests(rows, sites)
    )


@pytest.mark.parametrize(
    ("days", "is_told"),
    [
        (["stopped", "below", "below", "below"], True),
        (["below", "idle", "other", "idle", "below"], True),
        (["below", "below"], False),
        (["below", "below", "stopped", "below"], False),  # on the third it stopped: the grid was there then
        (["below", "below", "below", "stopped"], False),
    ],
)
def test_nights_on_which_it_passes_its_reserve_without_a_stop_tell_without_any_sensor(days, is_told):
    """That outages begin before the reserve is reached, on each of several nights, has no likelihood to speak of."""
    found = [one for one in _after(*days) if isinstance(one, Finding)]
    assert bool(found) is is_told
    if is_told:
        assert found[0].severity == "watch"
        assert found[0].since == build.DAY - timedelta(days=len(days) - 1 - days.index("below"))
        assert "Nothing here measures whether the grid was there" in found[0].summary
        assert found[0].evidence["below_kwh"] > 1.0


def test_nights_that_end_at_the_backup_floor_may_be_outages():
    floor = {**SITE, "battery_backup_floor_pct": 20.0}
    assert not any(isinstance(one, Finding) for one in _after("below", "below", "below", site=floor))


@pytest.mark.parametrize(("sigma_pct", "is_told"), [(0.3, True), (2.9, True), (3.5, False)])
def test_discharge_that_stops_below_the_reserve_evening_after_evening_is_no_outage(sigma_pct, is_told):
    """Learned from days before; no outage ends at one level time after time."""
    bare = {name: series for name, series in DEEP.items() if name != "voltage_l1_v"}
    course = changed(bare, steps(16, 24), grid_w=0.0)
    row = {"site_id": "roof-1", "day": build.DAY, "reserve_pct": 20.0, "reserve_sigma_pct": sigma_pct}
    learned = build.frame(LEVELS, [{**row, "reserve_days": 6, "is_carried": False}])
    (verdict,) = _verdicts(course, site={**SITE, "battery_backup_floor_pct": 10.0}, levels=learned)
    assert isinstance(verdict, Finding) == is_told
    if is_told:
        assert "its evenings show discharge stopping at 20" in verdict.summary
    # Nightly outages end it at the backup floor ...
    at_floor = {**SITE, "battery_backup_floor_pct": 21.0}
    assert isinstance(_verdicts(course, site=at_floor, levels=learned)[0], NotJudged)
    # ... and where it stops as the register says, a discharge below may be that of one.
    at_reserve = learned.with_columns(reserve_pct=pl.lit(34.0))
    assert isinstance(_verdicts(course, levels=at_reserve)[0], NotJudged)


@pytest.mark.parametrize("volts", [150.0, 225.0])
def test_the_interval_in_which_the_grid_came_back_holds_a_part_of_the_outage(volts):
    # Out from 18:00 to 19:15, back at 26 %; the quarter from 19:15 is a mean of both.
    course = changed(DEEP, steps(18, 19.25), grid_w=0.0, voltage_l1_v=0.0)
    course = changed(course, steps(19.25, 24), battery_w=0.0, soc_pct=26.0)
    course = changed(course, steps(19.25, 19.5), battery_w=3000.0, voltage_l1_v=volts)
    assert not any(isinstance(v, Finding) for v in _verdicts(course))


@pytest.mark.parametrize(("lost", "is_told"), [({"voltage_l1_v": None}, False), ({}, True)])
def test_intervals_beside_an_outage_without_any_voltage_hold_a_part_of_it(lost, is_told):
    """A quarter of an hour on either side of four in which nothing flows and no voltage is read."""
    course = changed(DEEP, steps(18.25, 19.25), grid_w=0.0, battery_w=1500.0, load_w=1500.0, **lost)
    course = changed(course, steps(19.25, 19.5), grid_w=668.0, battery_w=600.0, load_w=1268.0, soc_pct=22.5)
    course = changed(course, steps(18.0, 18.25), grid_w=668.0, battery_w=600.0, load_w=1268.0, soc_pct=32.0)
    course = changed(course, steps(19.5, 24), battery_w=0.0, grid_w=1500.0, soc_pct=22.5)
    assert any(isinstance(v, Finding) for v in _verdicts(course)) is is_told


def test_a_house_that_the_inverter_supplies_alone_shows_a_steady_voltage_and_no_outage():
    """The voltage read is the inverter's own; a public grid's moves, be it while next to nothing flows."""
    moving = [231.0 + (at % 5) * 0.4 for at in range(96)]
    course = {**DEEP, "voltage_l1_v": moving}
    assert isinstance(_verdicts(changed(course, steps(18, 24), grid_w=0.0))[0], Finding)
    alone = changed(course, steps(18, 24), grid_w=0.0, voltage_l1_v=230.0)
    (verdict,) = _verdicts(alone)
    assert isinstance(verdict, NotJudged) and "whether the grid was there" in verdict.reason
    assert not isinstance(_verdicts({**alone, "frequency_hz": [50.0] * 96})[0], Finding)  # which never moves
    moving_hz = [50.0 + (at % 7) * 0.01 for at in range(96)]
    assert isinstance(_verdicts({**alone, "frequency_hz": moving_hz})[0], Finding)


def test_a_state_of_charge_that_stands_still_tells_no_reserve():
    (verdict,) = _verdicts(DEEP, earlier=[("roof-1", "battery-reading-frozen")])
    assert isinstance(verdict, NotJudged) and verdict.reason.code == "charge-unreliable"


def test_an_outage_within_an_interval_shows_as_a_dip_of_its_mean():
    course = changed(plain(), range(96), voltage_l1_v=231.0)
    course = changed(course, range(73, 74), soc_pct=25.0, battery_w=3000.0)
    assert isinstance(_verdicts(course)[0], Finding)
    assert isinstance(_verdicts(changed(course, range(73, 74), voltage_l1_v=140.0))[0], NotJudged)


def test_a_single_interval_needs_a_sensor_that_says_the_grid_was_there():
    """Its mean flow may be that of the minutes before the grid was lost."""
    bare = changed(plain(), steps(16, 22), grid_w=300.0)
    single = changed(bare, range(73, 74), soc_pct=25.0, battery_w=3000.0)
    assert not any(isinstance(v, Finding) for v in _verdicts(single))
    assert isinstance(_verdicts({**single, "voltage_l1_v": [231.0] * 96})[0], Finding)
    assert isinstance(_verdicts(changed(single, range(74, 75), soc_pct=24.0, battery_w=3000.0))[0], Finding)


def test_sinking_at_rest_is_no_discharge():
    soc = [35.0 - 0.08 * n for n in range(96)]
    rest = balanced({"pv_w": [0.0] * 96, "load_w": [400.0] * 96, "battery_w": [35.0] * 96, "soc_pct": soc})
    (verdict,) = _verdicts({**rest, "voltage_l1_v": [230.0] * 96})
    assert isinstance(verdict, NotJudged)
    assert "without being discharged" in verdict.reason


def test_one_jump_of_the_reading_is_not_enough_but_an_hour_of_discharge_is():
    course = {**plain(), "voltage_l1_v": [231.0] * 96}
    jump = changed(course, range(73, 74), soc_pct=20.0)
    assert not any(isinstance(v, Finding) for v in _verdicts(jump))
    # At 60 min one interval holds 1.5 kWh of 10.
    (found,) = detect(
        readings({n: s[:24] for n, s in changed(course, range(20, 21), battery_w=1500.0, soc_pct=24.0).items()},
                 interval_s=3600),
        build.sites(SITE), build.earlier(), build.DAY,
    )  # fmt: skip
    assert found.value == 24.0


def test_a_charge_that_rises_while_it_is_said_to_be_discharged():
    course = changed(DEEP, steps(6, 9), battery_w=1500.0, soc_pct=lambda n: 20.0 + (n - 24))
    course = changed(course, steps(9, 24), battery_w=0.0, soc_pct=60.0)
    (verdict,) = _verdicts(course)
    assert isinstance(verdict, NotJudged)
    assert "sign" in verdict.reason


def test_a_charge_by_day_between_two_discharges_is_no_rise():
    course = changed(DEEP, steps(1, 2), battery_w=800.0, soc_pct=lambda n: 30.0 - 2 * (n - 4))
    assert isinstance(_verdicts(course)[0], Finding)


def test_a_register_of_120_v_read_as_230_does_not_make_an_outage():
    assert isinstance(_verdicts({**DEEP, "voltage_l1_v": [121.0] * 96})[0], Finding)


def test_a_low_voltage_all_day_is_a_weak_grid_but_a_grid():
    assert isinstance(_verdicts({**DEEP, "voltage_l1_v": [190.0] * 96})[0], Finding)


@pytest.mark.parametrize(
    ("course", "words"),
    [
        ({**DEEP, "soc_pct": [None] * 96}, "state of charge missing"),
        ({**DEEP, "battery_w": [None] * 96, "pv_w": [None] * 96}, "battery power missing"),
    ],
)
def test_what_is_missing_is_said(course, words):
    (verdict,) = _verdicts(course)
    assert isinstance(verdict, NotJudged)
    assert words in verdict.reason


def test_gaps_and_silence():
    (verdict,) = _verdicts({**plain(), "soc_pct": [60.0] * 40 + [None] * 56})
    assert "known for 10 h" in verdict.reason
    (verdict,) = _verdicts(None, rows=readings(DEEP).clear())
    assert verdict.reason == "no readings on this day"
    gappy = readings(DEEP).filter(pl.int_range(pl.len()) % 7 != 3)
    assert isinstance(_verdicts(None, rows=gappy)[0], Finding)


def test_values_that_no_battery_shows_are_not_read():
    assert _verdicts({**plain(), "soc_pct": [*plain()["soc_pct"][:-1], -5.0]}) == []


def test_a_wrong_clock_waits_and_no_battery_is_nothing():
    (verdict,) = _verdicts(DEEP, earlier=[("roof-1", "time-zone-wrong")])
    assert isinstance(verdict, NotJudged)
    assert [v.reason.code for v in _verdicts(DEEP, site={})] == ["without-battery"]
