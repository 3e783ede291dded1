"""Where discharge stops while the house imports; batteries that wait, give all they can, or were never asked."""

from datetime import timedelta

import polars as pl
import pytest

from detectors.battery.battery_not_discharging import detect
from detectors.battery.levels import LEVELS
from detectors.features.battery_rests import SCHEMA, make
from detectors.finding import Finding, NotJudged
from tests.support import build
from tests.support.battery_day import SITE, balanced, changed, of, plain, readings, steps

HIGH = plain(floor_pct=80.0, full_pct=100.0)
HEALTHY = plain()


def _verdicts(*courses, site=SITE, earlier=(), days=None, rows=None, **knobs):
    rows = readings(*courses) if rows is None else rows
    sites = build.sites(site)
    days = build.days(*[{"feed_in_kwh": 20.0}] * max(len(courses), 1)) if days is None else days
    return detect(of(build.DAY, rows), make(rows, sites), days, sites, build.earlier(*earlier), build.DAY, **knobs)


def test_a_floor_left_high_is_named_beside_the_reserve_after_three_evenings():
    (found,) = _verdicts(HIGH, HIGH, HIGH)
    assert (found.kind, found.severity, found.unit) == ("battery-not-discharging", "soon", "%")
    assert found.value == pytest.approx(80.0)
    assert "stops discharging at 80 %" in found.summary
    assert "reserve is 35 %" in found.summary
    assert found.since == build.DAY - timedelta(days=2)
    # 500 W from 0 to 9 and from 15 to 18, then what the battery (2 kWh above its floor) does not give of 1500 W x 6 h:
    # 6 + 7 kWh, without the 0.25 kWh of the quarter in which it stopped; but only (80 - 35) % of 10 kWh lay unused.
    assert found.loss_kwh == pytest.approx(4.5)
    assert found.cost == pytest.approx(4.5 * (0.30 - 0.08 / 0.94))  # each kWh given took 1 / 0.94 kWh of feed-in
    # The same on each of the three days: the sun that was fed in would have filled it again.
    assert [(one.day, one.kwh) for one in found.losses] == [
        (build.DAY - timedelta(days=n), pytest.approx(4.5)) for n in (2, 1, 0)
    ]
    assert found.evidence["rest_kwh"] == pytest.approx(12.75)
    assert [(one.name, one.unit, len(one.at)) for one in found.series[:2]] == [("soc", "%", 96), ("grid", "W", 96)]


@pytest.mark.parametrize(("import_w", "is_found"), [(None, True), (30.0, True), (100.0, False)])
def test_what_the_control_keeps_importing_on_purpose_asks_nothing_of_the_battery(import_w, is_found):
    small = plain(floor_pct=80.0, full_pct=100.0, load_w=250.0)
    at_rest = [n for n in (*steps(0, 9), *steps(18, 24)) if small["battery_w"][n] < 60]
    small = balanced(changed(small, at_rest, load_w=lambda n: 240.0 + 20 * (n % 2)))
    learned = {"site_id": "roof-1", "day": build.DAY, "import_w": import_w, "import_sigma_w": 5.0}
    levels = pl.DataFrame([learned], schema=LEVELS)
    found = _verdicts(small, small, small, levels=levels, site={**SITE, "feed_in_buffer_w": None})
    assert any(isinstance(one, Finding) for one in found) is is_found


def test_the_first_day_lies_after_the_last_healthy_one():
    (found,) = _verdicts(HEALTHY, HEALTHY, HIGH, HIGH, HIGH)
    began = build.DAY - timedelta(days=2)
    assert found.since == began
    assert (found.evidence["earliest_day"], found.evidence["latest_day"]) == (began.isoformat(), began.isoformat())


def test_two_evenings_wait_for_the_third():
    (verdict,) = _verdicts(HEALTHY, HIGH, HIGH)
    assert verdict == NotJudged("roof-1", build.DAY, "battery-not-discharging",
                                "stopped at 80 % on 2 of the 3 evenings asked for")  # fmt: skip
    assert isinstance(_verdicts(HEALTHY, HIGH, HIGH, min_evenings=2)[0], Finding)


@pytest.mark.parametrize(("sound_days", "is_found"), [(6, True), (3, False), (0, False)])
def test_stops_of_unknown_reserve_are_no_reserve_where_it_gave_far_lower_before(sound_days, is_found):
    """The evenings since the fault have taught 80 %: on the days before, it went down to 35 %."""
    stops = {"reserve_pct": 80.0, "reserve_sigma_pct": 0.3, "reserve_days": 5}
    levels = pl.DataFrame([{"site_id": "roof-1", "day": build.DAY, **stops}], schema=LEVELS)
    courses = [*[HEALTHY] * sound_days, *[HIGH] * 6]
    found = _verdicts(*courses, levels=levels, site={**SITE, "battery_reserve_pct": None})
    assert any(isinstance(one, Finding) for one in found) is is_found
    if is_found:
        assert found[0].value == pytest.approx(80.0)
        assert found[0].since == build.DAY - timedelta(days=5)


def test_a_battery_that_stops_at_its_reserve_is_healthy():
    assert _verdicts(HEALTHY, HEALTHY, HEALTHY) == []


def test_a_battery_given_free_again_is_clear_on_the_same_day():
    assert _verdicts(HIGH, HIGH, HIGH, HEALTHY) == []


@pytest.mark.parametrize(("floor", "found"), [(39.0, False), (43.0, True)])
def test_well_above_means_more_than_a_settling_reading(floor, found):
    course = plain(floor_pct=floor, full_pct=90.0)
    verdicts = _verdicts(course, course, course)
    assert [isinstance(v, Finding) for v in verdicts] == ([True] if found else [])


def test_waiting_for_the_level_of_resuming_is_no_fault():
    # Dark days: at 47 %, after a stop at 35 %, discharge waits for 50 %.
    dark = balanced({"pv_w": [0.0] * 96, "load_w": [600.0 + n for n in range(96)], "battery_w": [0.0] * 96,
                     "soc_pct": [47.0] * 96})  # fmt: skip
    (verdict,) = _verdicts(HEALTHY, dark, dark, dark)
    assert isinstance(verdict, NotJudged)
    assert "waits at 47 %" in verdict.reason


def test_the_same_level_after_a_discharge_is_a_floor():
    course = plain(floor_pct=47.0, full_pct=90.0)
    (found,) = _verdicts(course, course, course)
    assert found.value == pytest.approx(47.0)


def test_a_battery_that_gives_nothing_at_all():
    still = balanced({"pv_w": [0.0] * 96, "load_w": [600.0 + n for n in range(96)], "battery_w": [0.0] * 96,
                      "soc_pct": [100.0] * 96})  # fmt: skip
    (found,) = _verdicts(still, still, still)
    assert found.value == 100.0
    assert "gives nothing" in found.summary


@pytest.mark.parametrize(
    ("level", "ceiling", "is_found"), [(100.0, None, True), (98.0, None, True), (90.0, None, False), (90.0, 91.0, True)]
)
def test_a_full_battery_waits_for_nothing_where_the_level_of_resuming_is_not_known(level, ceiling, is_found):
    still = balanced({"pv_w": [0.0] * 96, "load_w": [600.0 + n for n in range(96)], "battery_w": [0.0] * 96,
                      "soc_pct": [level] * 96})  # fmt: skip
    learned = {"site_id": "roof-1", "day": build.DAY, "ceiling_pct": ceiling, "ceiling_sigma_pct": 1.0}
    levels = pl.DataFrame([learned], schema=LEVELS)
    (verdict,) = _verdicts(still, still, still, levels=levels, site={**SITE, "battery_resume_pct": None})
    assert isinstance(verdict, Finding) is is_found
    if not is_found:
        assert "waits at 90 % to be charged enough" in verdict.reason


def test_a_battery_at_its_greatest_power_does_discharge():
    # 3 kW wanted, 1.5 kW given from 80 % on: import beside discharge.
    weak = balanced(changed(HEALTHY, range(72, 96), load_w=3000.0))
    rows = readings(weak, weak, weak)
    assert _verdicts(rows=rows) == []


def test_no_import_no_blame():
    quiet = {**HIGH, "load_w": [120.0] * 96, "battery_w": [0.0] * 96, "pv_w": [0.0] * 96, "soc_pct": [80.0] * 96}
    (verdict,) = _verdicts(*[balanced(quiet)] * 5)
    assert isinstance(verdict, NotJudged)
    assert "hardly asked for" in verdict.reason


def test_a_full_battery_in_summer_that_covers_all_is_healthy():
    summer = plain(floor_pct=80.0, full_pct=100.0)
    summer = balanced({**summer, "load_w": [max(p, 0.0) + v + min(p, 0.0) for p, v in
                                            zip(summer["battery_w"], summer["pv_w"], strict=True)]})  # fmt: skip
    assert _verdicts(summer, summer, summer) == []


def test_after_a_stop_a_day_that_never_came_so_low_says_nothing():
    high = plain(floor_pct=80.0, full_pct=100.0)
    little = changed(high, range(72, 96), battery_w=0.0, soc_pct=100.0, load_w=0.0)
    little = changed(little, range(72, 74), battery_w=1500.0, load_w=1500.0)
    little = balanced(changed(little, range(36), load_w=0.0))
    little = balanced(changed(little, steps(15, 18), load_w=0.0))
    (verdict,) = _verdicts(high, high, high, little)
    assert isinstance(verdict, NotJudged)
    assert "not drawn down to 80 %" in verdict.reason


@pytest.mark.parametrize(("levels", "counted"), [((85.0, 60.0, 75.0), 1), ((85.0, 75.0, 60.0), 1)])
def test_stops_at_changing_levels_are_no_floor(levels, counted):
    (verdict,) = _verdicts(*[plain(floor_pct=level, full_pct=100.0) for level in levels])
    assert isinstance(verdict, NotJudged)
    assert f"on {counted} of the 3" in verdict.reason


def test_a_battery_that_gives_nothing_rests_wherever_charging_left_it():
    levels = (60.0, 75.0, 90.0)
    dark = [balanced({"pv_w": [0.0] * 96, "load_w": [600.0 + n for n in range(96)], "battery_w": [0.0] * 96,
                      "soc_pct": [level] * 96}) for level in levels]  # fmt: skip
    (found,) = _verdicts(*dark)
    assert found.value == 75.0


def test_a_discharge_of_the_day_before_is_no_stop_of_this_day():
    late = changed(HEALTHY, range(96), battery_w=lambda n: 1000.0 if n == 95 else 0.0)
    day = changed(HEALTHY, range(96), battery_w=0.0, soc_pct=47.0, load_w=lambda n: 600.0 + n, pv_w=0.0)
    day = balanced(changed(day, steps(20, 21), battery_w=1500.0, soc_pct=lambda n: 62.0 - 3 * (n - 80)))
    day = changed(day, steps(21, 24), soc_pct=50.0, grid_w=0.0)
    kept = make(readings(late, day), build.sites(SITE))
    assert kept["level_pct"][1] == pytest.approx(47.0)
    assert kept["has_stop"].to_list()[1] is False


def test_peak_shaving_may_keep_it_for_peaks():
    (verdict,) = _verdicts(HIGH, HIGH, HIGH, site={**SITE, "import_limit_kw": 5.0})
    assert isinstance(verdict, NotJudged)
    assert "peak" in verdict.reason


def test_a_dark_week_costs_what_lay_stored_only_once():
    (found,) = _verdicts(HIGH, HIGH, HIGH, days=build.days(*[{"feed_in_kwh": 0.4}] * 3))
    # 4.5 kWh lay there on the first day; then what 0.4 kWh of surplus leave after storing (0.94 of it)
    assert [one.kwh for one in found.losses] == pytest.approx([4.5, 0.4 * 0.94, 0.4 * 0.94])
    assert found.loss_kwh == pytest.approx(0.4 * 0.94)


def test_where_nothing_may_be_fed_in_the_surplus_of_a_full_battery_was_curtailed():
    """No meter sees curtailed surplus: on a day with a full battery it could have refilled all, on others nothing."""
    rows = [{"soc_max_pct": 100.0}, {"soc_max_pct": 88.0}, {"soc_max_pct": 99.0}]
    (found,) = _verdicts(HIGH, HIGH, HIGH, site={**SITE, "feed_in_limit_kw": 0.0}, days=build.days(*rows))
    assert [one.kwh for one in found.losses] == pytest.approx([4.5, 0.0, 4.5])
    assert found.cost == pytest.approx(4.5 * 0.30)  # what was curtailed would have earned nothing


def test_what_it_holds_is_learned_from_its_discharges():
    """8 kWh over 100 % of charge: (80 - 35) % of 8 kWh lay unused."""
    days = build.days(*[{"feed_in_kwh": 20.0, "discharge_drop_pct": 40.0, "discharge_drop_kwh": 3.2}] * 3)
    (found,) = _verdicts(HIGH, HIGH, HIGH, days=days)
    assert found.loss_kwh == pytest.approx(0.45 * 8.0)
    odd = days.with_columns(discharge_drop_kwh=pl.lit(0.5))  # 1.25 kWh of 10 registered: the level lags
    (found,) = _verdicts(HIGH, HIGH, HIGH, days=odd)
    assert found.loss_kwh == pytest.approx(0.45 * 10.0)


def test_a_level_in_flickering_whole_per_cents_is_one_level():
    flicker = changed(HIGH, range(96), soc_pct=lambda n: round(HIGH["soc_pct"][n]) - n % 2)
    (found,) = _verdicts(flicker, flicker, flicker)
    assert found.value == pytest.approx(79.5, abs=0.6)


def test_what_stands_still_is_another_fault():
    frozen = {**HEALTHY, "soc_pct": [62.0] * 96}
    (verdict,) = _verdicts(frozen, frozen, frozen)
    assert isinstance(verdict, NotJudged)
    assert "stands still" in verdict.reason
    meter = changed(HIGH, range(96), grid_w=700.0)
    (verdict,) = _verdicts(meter, meter, meter)
    assert isinstance(verdict, NotJudged)
    assert "repeats one value" in verdict.reason


@pytest.mark.parametrize(
    ("channel", "words"), [("soc_pct", "state of charge"), ("grid_w", "grid meter"), ("battery_w", "battery power")]
)
def test_a_missing_channel_is_said(channel, words):
    course = {**HIGH, channel: [None] * 96}
    if channel == "battery_w":  # else it follows from the balance
        course["pv_w"] = [None] * 96
    (verdict,) = _verdicts(course, course, course)
    assert isinstance(verdict, NotJudged)
    assert words in verdict.reason


def test_battery_power_that_is_not_reported_follows_from_the_balance():
    (found,) = _verdicts(*[{**HIGH, "battery_w": [None] * 96}] * 3)
    assert found.value == pytest.approx(80.0)


def test_gaps_of_days_and_of_hours():
    rows = readings(HIGH, HEALTHY, HIGH, HIGH)
    (verdict,) = _verdicts(rows=rows)
    assert "on 2 of the 3" in verdict.reason  # the healthy day has ended what was before
    held = rows.filter(pl.col("ts_local").dt.date() != build.DAY - timedelta(days=2))
    (found,) = _verdicts(rows=held)
    assert found.since == build.DAY - timedelta(days=3)
    few = of(build.DAY, readings(HEALTHY)).head(30)
    (verdict,) = _verdicts(rows=few)
    assert isinstance(verdict, NotJudged)
    (verdict,) = _verdicts(rows=rows.filter(pl.col("ts_local").dt.date() != build.DAY))
    assert (verdict.reason, verdict.day) == ("no readings on this day", build.DAY)


def test_a_wrong_clock_or_a_sensor_in_doubt_waits():
    told = {
        "clock-step": "clock", "meter-reversed": "sign", "balance-broken": "add up",
        "battery-reading-frozen": "stands still",
    }  # fmt: skip
    for kind, words in told.items():
        (verdict,) = _verdicts(HIGH, HIGH, HIGH, earlier=[("roof-1", kind)])
        assert isinstance(verdict, NotJudged)
        assert words in verdict.reason


def test_two_sites_do_not_hear_of_each_other_and_later_days_are_not_known():
    sites = build.sites(SITE, {**SITE, "site_id": "roof-0"})
    rows = pl.concat(
        [
            readings(HIGH, HIGH, HIGH, HEALTHY, last_day=build.DAY + timedelta(days=1)),
            readings(HEALTHY, HEALTHY, HEALTHY, HIGH, last_day=build.DAY + timedelta(days=1), site_id="roof-0"),
        ]
    )
    kept = make(rows.sample(fraction=1.0, shuffle=True, seed=1), sites)
    assert kept.schema == SCHEMA
    assert kept.equals(make(rows, sites))
    verdicts = detect(of(build.DAY, rows), kept, build.days({}), sites, build.earlier(), build.DAY)
    assert [(v.site_id, type(v)) for v in verdicts] == [("roof-1", Finding)]


def test_without_a_battery_nothing_is_said():
    assert [v.reason.code for v in _verdicts(HIGH, HIGH, HIGH, site={})] == ["without-battery"]
