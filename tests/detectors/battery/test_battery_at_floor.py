"""A battery at its reserve with surplus there; dark weeks, charging batteries and gaps beside it."""

from datetime import timedelta

import polars as pl
import pytest

from detectors.battery import battery_at_floor
from detectors.features.battery_day import SCHEMA as SURPLUS
from detectors.features.load_following import SCHEMA, make
from detectors.finding import Finding, NotJudged
from detectors.frames import DAYS
from tests.support import battery_day, build

STUCK = {
    "soc_min_pct": 35.0, "soc_max_pct": 36.0, "surplus_at_floor_kwh": 6.0, "charge_kwh": 0.0, "feed_in_kwh": 6.0,
    "import_kwh": 5.0,
}  # fmt: skip
DARK = {**STUCK, "surplus_at_floor_kwh": 0.3, "feed_in_kwh": 0.2}
FULL = {**STUCK, "soc_max_pct": 98.0, "surplus_at_floor_kwh": 0.4, "charge_kwh": 6.0}
UNKNOWN = {"soc_max_pct": None}
SITE = {"battery_kwh": 10.0}


def detect(days, following, sites, earlier, day):
    """The verdicts; what a row says of surplus is given as the feature that holds it."""
    surplus = days.select(SURPLUS.names())
    return battery_at_floor.detect(days.select(DAYS.names()), surplus, following, sites, earlier, day)


def _verdicts(*rows, site=SITE, earlier=(), kept=()):
    return detect(build.days(*rows), build.frame(SCHEMA, kept), build.sites(site), build.earlier(*earlier), build.DAY)


def test_stuck_days_are_counted_and_cost_what_could_have_been_stored():
    (found,) = _verdicts(FULL, STUCK, STUCK, STUCK)
    assert (found.kind, found.severity, found.value, found.unit) == ("battery-at-floor", "soon", 3.0, "days")
    assert found.since == build.DAY - timedelta(days=2)
    assert found.loss_kwh == 5.0  # surplus 6, room 6.5, bought 5
    assert found.cost == pytest.approx(5 * (0.30 - 0.08 / 0.94))  # each kWh given took 1 / 0.94 kWh of surplus
    assert next(one for one in found.series if one.name == "soc max").values == [98.0, 36.0, 36.0, 36.0]


def test_no_more_is_lost_than_fits_in_and_curtailed_surplus_is_worth_the_import_price():
    (found,) = _verdicts(*[{**STUCK, "import_kwh": 20.0, "surplus_at_floor_kwh": 12.0}] * 2,
                         site={**SITE, "feed_in_limit_kw": 0.0})  # fmt: skip
    assert found.loss_kwh == pytest.approx(6.5)  # 65 % of 10 kWh
    assert found.cost == pytest.approx(6.5 * 0.30)


def test_every_day_of_the_run_tells_its_loss():
    (found,) = _verdicts(FULL, STUCK, DARK, {**STUCK, "import_kwh": 2.0}, STUCK)
    # surplus 6 x 0.94, room 6.5, bought 5 and 2; on the dark day there was nothing to charge with
    assert [(one.day, one.kwh) for one in found.losses] == [
        (build.DAY - timedelta(days=3), 5.0),
        (build.DAY - timedelta(days=2), 0.0),
        (build.DAY - timedelta(days=1), 2.0),
        (build.DAY, 5.0),
    ]


def test_the_first_day_has_bounds():
    """After the last day that was seen to leave the floor; days with nothing to charge with tell nothing."""
    (found,) = _verdicts(STUCK, FULL, DARK, DARK, STUCK, STUCK)
    assert found.since == build.DAY - timedelta(days=1)
    bounds = (build.DAY - timedelta(days=3)).isoformat(), (build.DAY - timedelta(days=1)).isoformat()
    assert (found.evidence["earliest_day"], found.evidence["latest_day"]) == bounds


def test_one_day_is_not_enough():
    assert _verdicts(FULL, STUCK) == []


def test_a_dark_day_neither_counts_nor_breaks_the_run():
    (found,) = _verdicts(STUCK, DARK, DARK, STUCK)
    assert found.value == 2.0


def test_a_dark_week_is_no_fault_and_no_all_clear():
    (verdict,) = _verdicts(*[DARK] * 7)
    assert verdict == NotJudged("roof-1", build.DAY, "battery-at-floor", "no surplus to charge with")


def test_a_day_that_leaves_the_floor_ends_it():
    assert _verdicts(STUCK, STUCK, FULL) == []
    assert _verdicts(STUCK, STUCK, FULL, STUCK) == []


def test_a_battery_that_charges_while_its_reading_stands_still_is_another_fault():
    assert _verdicts(*[{**STUCK, "charge_kwh": 5.0}] * 4) == []


def test_a_fuller_battery_below_the_band_of_its_own_reserve():
    row = {**STUCK, "soc_min_pct": 20.0, "soc_max_pct": 21.5}
    assert len(_verdicts(row, row, site={**SITE, "battery_reserve_pct": 20.0})) == 1
    assert (
        _verdicts(row | {"soc_max_pct": 22.5}, row | {"soc_max_pct": 22.5}, site={**SITE, "battery_reserve_pct": 20.0})
        == []
    )


def test_the_surplus_must_be_worth_charging():
    # A tenth of 10 kWh
    assert isinstance(_verdicts(*[{**STUCK, "surplus_at_floor_kwh": 0.9}] * 3)[0], NotJudged)
    assert isinstance(_verdicts(*[{**STUCK, "surplus_at_floor_kwh": 1.1}] * 3)[0], Finding)


def test_without_a_reading_of_charging_the_grid_must_have_seen_the_surplus():
    assert isinstance(_verdicts(*[{**STUCK, "charge_kwh": None}] * 2)[0], Finding)
    assert isinstance(_verdicts(*[{**STUCK, "charge_kwh": None, "feed_in_kwh": 1.0}] * 2)[0], NotJudged)
    assert isinstance(_verdicts(*[{**STUCK, "charge_kwh": None, "feed_in_kwh": None}] * 2)[0], NotJudged)


def test_gaps_of_days_hold_the_run_for_a_while_only():
    assert _verdicts(STUCK, UNKNOWN, UNKNOWN, STUCK)[0].value == 2.0
    assert _verdicts(STUCK, *[UNKNOWN] * 4, STUCK) == []
    rows = build.days(STUCK, *[FULL] * 4, STUCK).filter(pl.col("soc_max_pct") < 90)  # rows missing altogether
    assert detect(rows, SCHEMA.to_frame(), build.sites(SITE), build.earlier(), build.DAY) == []


@pytest.mark.parametrize(
    ("last", "words"),
    [
        ({**STUCK, "soc_max_pct": None}, "state of charge"),
        ({**STUCK, "surplus_at_floor_kwh": None}, "surplus unknown"),
    ],
)
def test_what_is_missing_is_said(last, words):
    (verdict,) = _verdicts(STUCK, STUCK, last)
    assert isinstance(verdict, NotJudged)
    assert words in verdict.reason


def test_a_site_without_a_row_of_the_day_is_not_judged():
    days = build.days(STUCK, STUCK, last_day=build.DAY - timedelta(days=1))
    (verdict,) = detect(days, SCHEMA.to_frame(), build.sites(SITE), build.earlier(), build.DAY)
    assert isinstance(verdict, NotJudged)


def test_a_wrong_clock_or_a_reversed_sensor_waits():
    for kind, words in (("clock-step", "clock is known to be wrong"), ("meter-reversed", "sign")):
        (verdict,) = _verdicts(STUCK, STUCK, earlier=[("roof-1", kind)])
        assert isinstance(verdict, NotJudged)
        assert words in verdict.reason


def test_no_battery_is_told_and_the_day_judged_knows_no_later_day():
    assert [v.reason.code for v in _verdicts(STUCK, STUCK, site={})] == ["without-battery"]
    days = build.days(STUCK, STUCK, FULL, last_day=build.DAY + timedelta(days=1))
    (found,) = detect(days, SCHEMA.to_frame(), build.sites(SITE), build.earlier(), build.DAY)
    assert found.value == 2.0


def test_a_day_hardly_seen_is_neither_stuck_nor_clear():
    (verdict,) = _verdicts(STUCK, STUCK, {**STUCK, "coverage_pct": 40.0})
    assert isinstance(verdict, NotJudged)
    assert "40 %" in verdict.reason
    assert _verdicts(STUCK, STUCK, {**FULL, "coverage_pct": 40.0}) == []


def test_a_large_surplus_does_not_hide_that_a_small_battery_charges():
    # 30 kWh of surplus, of which 5 of the 6.5 kWh that fit in were charged: its reading stands still.
    assert _verdicts(*[{**STUCK, "surplus_at_floor_kwh": 30.0, "charge_kwh": 5.0}] * 3) == []


NO_EXPORT = {**SITE, "feed_in_limit_kw": 0.0}


def _held(**values):
    """A no-export site at its reserve: generation follows the load from 9 to 15, the battery rests."""
    load = [400.0 + 700 * (n // 5 % 3) for n in range(96)]
    sun = range(36, 60)
    course = {"load_w": load, "pv_w": [load[n] - 20 if n in sun else 0.0 for n in range(96)],
              "battery_w": [0.0] * 96, "soc_pct": [35.0] * 96}  # fmt: skip
    return battery_day.readings(battery_day.balanced({**course, **values}))


def test_generation_that_follows_the_load_is_a_curtailed_surplus():
    kept = make(_held(), build.sites(NO_EXPORT))
    assert kept["held_h"].to_list() == [6.0]
    assert kept["followed_w"][0] == pytest.approx(1400.0)
    rows = kept.to_dicts()
    earlier_day = {**rows[0], "day": build.DAY - timedelta(days=1)}
    (found,) = _verdicts(DARK, DARK, site=NO_EXPORT, kept=[earlier_day, *rows])
    assert found.value == 2.0
    assert "held down to the load for 6.0 h" in found.summary


def test_generation_that_follows_a_load_of_few_watts_step_by_step_is_steered():
    load = [300.0 + 8 * (7 * n % 11) for n in range(96)]
    pv = [load[n] - 20 + n % 3 if 36 <= n < 60 else 0.0 for n in range(96)]
    kept = make(_held(load_w=load, pv_w=pv), build.sites(NO_EXPORT))
    assert kept["followed_w"][0] < 100.0
    assert (kept["changes"][0], kept["apart_ratio"][0]) == (23, pytest.approx(0.04, abs=0.02))
    rows = kept.to_dicts()
    (found,) = _verdicts(DARK, DARK, site=NO_EXPORT, kept=[{**rows[0], "day": build.DAY - timedelta(days=1)}, *rows])
    assert found.value == 2.0


@pytest.mark.parametrize(
    "course",
    [
        {"load_w": [420.0] * 96, "pv_w": [400.0] * 96},  # a dark day may meet a steady load by chance
        {"load_w": [420.0 + n % 2 for n in range(96)], "pv_w": [400.0 + n % 5 for n in range(96)]},  # ... or nearly so
        {"battery_w": [-900.0] * 96},  # it charges
    ],
)
def test_what_is_not_curtailed(course):
    kept = make(_held(**course), build.sites(NO_EXPORT)).to_dicts()
    earlier_day = {**kept[0], "day": build.DAY - timedelta(days=1)}
    verdicts = _verdicts(DARK, DARK, site=NO_EXPORT, kept=[earlier_day, *kept])
    assert not any(isinstance(v, Finding) for v in verdicts)


def test_a_battery_above_its_floor_may_rest_while_generation_follows_the_load():
    kept = make(_held(soc_pct=[60.0] * 96), build.sites(NO_EXPORT)).to_dicts()
    earlier_day = {**kept[0], "day": build.DAY - timedelta(days=1)}
    above = {**DARK, "soc_min_pct": 60.0, "soc_max_pct": 60.0}
    assert _verdicts(above, above, site=NO_EXPORT, kept=[earlier_day, *kept]) == []


def _curtailed(possible_kwh, *, along=None, **values):
    """Two days at the floor of which generation followed a load that hardly moved, and what the sky let expect."""
    day = {**DARK, "pv_kwh": 3.0, "import_kwh": 4.0, **values}
    days = build.days(day, day)
    held = [{"site_id": "roof-1", "day": d, "held_h": 1.5, "followed_w": 100.0, **(along or {})} for d in days["day"]]
    possible = days.select("site_id", "day", possible_kwh=pl.lit(possible_kwh, pl.Float64))
    return battery_at_floor.detect(
        days.select(DAYS.names()), days.select(SURPLUS.names()), build.frame(SCHEMA, held), build.sites(NO_EXPORT),
        build.earlier(), build.DAY, None, possible,
    )  # fmt: skip


def test_what_the_sky_let_expect_is_a_surplus_that_no_meter_saw():
    (found,) = _curtailed(10.0)
    assert isinstance(found, Finding)
    # 85 % of 10 kWh less 3 kWh made = 5.5 curtailed and 0.3 measured; 94 % of it, but 4 kWh were bought
    assert (found.evidence["curtailed_kwh"], found.loss_kwh) == (pytest.approx(5.5), 4.0)
    assert "5.5 kWh or more below what the sky let expect" in found.summary
    (found,) = _curtailed(5.5)  # 0.85 x 5.5 - 3 = 1.675 kWh curtailed
    assert found.loss_kwh == pytest.approx(0.94 * (1.675 + 0.3))


@pytest.mark.parametrize(
    ("apart_ratio", "changes", "is_found"), [(0.84, 14, False), (1.07, 30, False), (0.5, 30, True), (0.5, 6, False)]
)
def test_a_roof_under_snow_that_meets_an_idle_house_is_not_held_down(apart_ratio, changes, is_found):
    """What nothing steers changes by itself; the F distribution's 1 % is 0.27 of the variance at 14 changes of each."""
    (verdict,) = _curtailed(25.0, along={"apart_ratio": apart_ratio, "changes": changes})
    assert isinstance(verdict, Finding) is is_found


def test_a_battery_that_charged_is_not_at_its_floor_whatever_was_curtailed():
    """Its level's reading stands still at the reserve, and generation was curtailed once the battery was full."""
    assert _curtailed(20.0, charge_kwh=5.0, discharge_kwh=4.0) == []


@pytest.mark.parametrize("possible_kwh", [3.4, None])
def test_a_dark_day_is_none(possible_kwh):
    (verdict,) = _curtailed(possible_kwh)
    assert isinstance(verdict, NotJudged)


IDLE = {"charge_kwh": 0.0, "discharge_kwh": 0.1, "surplus_kwh": 6.0, "feed_in_kwh": 6.0, "import_kwh": 5.0}
WORKS = {**IDLE, "charge_kwh": 5.0, "discharge_kwh": 4.5}


def test_an_idle_battery_is_found_from_power_alone():
    (found,) = _verdicts(WORKS, IDLE, IDLE, IDLE)
    assert (found.value, found.threshold, found.since) == (3.0, 3.0, build.DAY - timedelta(days=2))
    assert "idle for 3 days" in found.summary and "not read" in found.summary
    assert found.loss_kwh == 5.0  # surplus 6 x 0.94, bought 5


@pytest.mark.parametrize(
    "rows",
    [
        [IDLE] * 6,  # nobody knows that it ever worked
        [WORKS, IDLE, IDLE],  # two days may be a full battery in a quiet house
        [WORKS, *[{**IDLE, "import_kwh": 0.2}] * 5],  # full, and nothing was asked of it
        [WORKS, *[{**IDLE, "surplus_kwh": 0.1}] * 5],  # empty, and nothing was there to charge with
        [WORKS, IDLE, IDLE, WORKS],
    ],
)
def test_a_battery_without_a_level_that_is_not_idle(rows):
    assert not any(isinstance(v, Finding) for v in _verdicts(*rows))


UNREGISTERED = {**SITE, "battery_reserve_pct": None}
LOW = {**IDLE, "soc_min_pct": 12.0, "soc_max_pct": 13.0}
WORKED = {**WORKS, "soc_min_pct": 40.0, "soc_max_pct": 90.0}


def test_where_nobody_knows_the_reserve_a_battery_that_lies_low_and_idle_is_found():
    """It gave down to 40 % on its healthy evenings, so that nobody has seen where its discharge stops."""
    (found,) = _verdicts(WORKED, LOW, LOW, {**LOW, "surplus_kwh": 30.0, "import_kwh": 20.0}, site=UNREGISTERED)
    assert (found.value, found.threshold, found.since) == (3.0, 3.0, build.DAY - timedelta(days=2))
    assert "lies at 12 %" in found.summary and "reserve" in found.summary
    assert found.loss_kwh == pytest.approx(8.8)  # what fits in above 12 %


def test_a_dead_battery_a_little_above_its_reserve_is_idle_too():
    lying = {**LOW, "soc_min_pct": 44.0, "soc_max_pct": 45.0}
    (found,) = _verdicts(WORKED, lying, lying, lying)  # its reserve is 35 %
    assert (found.value, found.threshold) == (3.0, 3.0)
    assert "lies at 44 %; its reserve is 35 %" in found.summary
    assert _verdicts(WORKED, lying, lying, {**lying, "charge_kwh": 2.0}) == []


def test_its_level_shows_that_a_battery_is_there_that_never_gave_anything():
    (found,) = _verdicts(LOW, LOW, LOW, site=UNREGISTERED)
    assert found.value == 3.0 and "once worked" not in found.summary


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([{**LOW, "soc_min_pct": 0.0, "soc_max_pct": 0.0}] * 6, "no reserve"),  # there may be no battery at all
        ([WORKED, *[{**LOW, "soc_min_pct": 79.0, "soc_max_pct": 80.0}] * 5], "no reserve"),  # a floor left high
        ([WORKED, *[{**LOW, "import_kwh": 0.2}] * 5], "imported"),  # nothing was asked of it
        ([WORKED, *[{**LOW, "surplus_kwh": 0.1}] * 5], "no surplus"),
    ],
)
def test_a_battery_of_unknown_reserve_that_cannot_be_judged(rows, words):
    (verdict,) = _verdicts(*rows, site=UNREGISTERED)
    assert isinstance(verdict, NotJudged) and words in verdict.reason


def test_a_battery_of_unknown_reserve_that_moves_is_judged_and_none():
    assert _verdicts(WORKED, LOW, LOW, WORKED, site=UNREGISTERED) == []


def test_where_feeding_in_is_allowed_nothing_is_curtailed():
    assert make(_held(), build.sites(SITE)).is_empty()
