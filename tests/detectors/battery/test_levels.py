"""Levels learned from what a battery did; never from where it merely lay."""

from datetime import timedelta

import pytest

from detectors.battery import battery_below_reserve, battery_not_discharging
from detectors.features import battery_rests, level_day, levels
from detectors.finding import Finding, NotJudged
from tests.support import build
from tests.support.battery_day import SITE, balanced, changed, of, plain, readings, steps

BARE = {**SITE, **dict.fromkeys(("battery_reserve_pct", "battery_resume_pct", "feed_in_buffer_w"), None)}
TO_20 = plain(floor_pct=20.0, full_pct=90.0)
AT_80 = plain(floor_pct=80.0, full_pct=100.0)
DEEP = {**plain(floor_pct=8.0, full_pct=60.0), "voltage_l1_v": [231.0] * 96}


def _frames(courses, site=BARE):
    rows, sites = readings(*courses), build.sites(site)
    return rows, sites, battery_rests.make(rows, sites), level_day.make(rows, sites)


def _learned(*courses, site=BARE, past=(), earlier=()):
    _, sites, rests, shown = _frames(courses, site)
    before = build.frame(levels.SCHEMA, past)
    days = build.days(*[{"discharge_drop_pct": 60.0, "discharge_drop_kwh": 5.4 + 0.06 * n} for n in range(7)])
    return levels.make(rests, shown, days, sites, before, build.earlier(*earlier), build.DAY)


def test_where_discharge_stops_is_the_reserve_with_its_sigma():
    floors = (19.0, 20.0, 20.0, 21.0, 22.0, 20.0)
    (row,) = _learned(*[plain(floor_pct=floor) for floor in floors], TO_20).to_dicts()
    # median of the six days before; median of |-1, 0, 0, 1, 2, 0| is 0.5, times 1.4826
    assert row["reserve_pct"] == pytest.approx(20.0, abs=0.5)
    assert row["reserve_sigma_pct"] == pytest.approx(0.74, abs=0.4)
    assert row["reserve_days"] == 6
    # 5.4 to 5.7 kWh over 60 %: median 9.25 kWh for 100 %
    assert row["capacity_kwh"] == pytest.approx(9.25)
    assert row["ceiling_pct"] is None  # it charged as long as there was surplus


def test_a_battery_that_never_discharges_shows_no_reserve():
    lying = balanced(changed(plain(floor_pct=80.0), range(96), battery_w=0.0, soc_pct=80.0))
    (row,) = _learned(*[lying] * 12).to_dicts()
    assert row["reserve_pct"] is None
    rows, sites, rests, _ = _frames([lying] * 12)
    (verdict,) = battery_not_discharging.detect(
        of(build.DAY, rows), rests, build.days({"surplus_kwh": 20.0}), sites, build.earlier(), build.DAY,
        _learned(*[lying] * 12),
    )  # fmt: skip
    assert isinstance(verdict, NotJudged) and verdict.reason.endswith("no reserve of the battery")


def test_what_it_gave_down_to_before_bounds_a_reserve_that_nothing_tells():
    """Used down to 24 % without a stop, as it lasts until the sun; then full and idle, no level of resuming known."""
    used = balanced(changed(plain(floor_pct=20.0, full_pct=90.0), range(96), soc_pct=lambda n: 90.0 - 0.7 * n,
                            battery_w=700.0, load_w=700.0, pv_w=0.0))  # fmt: skip
    full = balanced({"pv_w": [0.0] * 96, "load_w": [600.0 + n for n in range(96)], "battery_w": [0.0] * 96,
                     "soc_pct": [100.0] * 96})  # fmt: skip
    for count, is_found in ((5, True), (4, False)):
        courses = [*[used] * count, full, full, full]
        rows, sites, rests, _ = _frames(courses)
        (verdict,) = battery_not_discharging.detect(
            of(build.DAY, rows), rests, build.days(*[{"surplus_kwh": 20.0}] * len(courses)), sites, build.earlier(),
            build.DAY, _learned(*courses),
        )  # fmt: skip
        assert isinstance(verdict, Finding) is is_found
        if is_found:
            assert "gives nothing at 100 %" in verdict.summary and "24 +- 3 % as learned" in verdict.summary


@pytest.mark.parametrize(("level_pct", "is_found"), [(100.0, True), (90.0, False)])
def test_one_that_lay_full_since_anybody_looks_may_be_kept_for_outages(level_pct, is_found):
    idle = balanced({"pv_w": [0.0] * 96, "load_w": [600.0 + n for n in range(96)], "battery_w": [0.0] * 96,
                     "soc_pct": [level_pct] * 96})  # fmt: skip
    rows, sites, rests, _ = _frames([idle] * 4)
    (verdict,) = battery_not_discharging.detect(
        of(build.DAY, rows), rests, build.days(*[{"surplus_kwh": 20.0}] * 4), sites, build.earlier(), build.DAY,
        _learned(*[idle] * 4),
    )  # fmt: skip
    assert isinstance(verdict, Finding) is is_found
    if is_found:
        assert verdict.severity == "watch" and "50 % or less, as nobody knows it" in verdict.summary
    else:
        assert verdict.reason.endswith("no reserve of the battery")


def test_a_stop_before_midnight_shows_in_the_rest_after_it():
    """Empty at a quarter to twelve, it rests at that level until morning, and gives nothing more that day."""
    late = balanced(changed(plain(floor_pct=20.0), range(96), battery_w=lambda n: 800.0 if 80 <= n < 95 else 0.0,
                            soc_pct=lambda n: 50.0 if n < 80 else 50.0 - 2 * (n - 80), load_w=800.0))  # fmt: skip
    after = balanced(changed(plain(floor_pct=20.0), range(96), battery_w=0.0, soc_pct=22.0, load_w=lambda n: 800.0 + n))
    (row,) = _learned(*[late, after] * 5, late).to_dicts()
    assert row["reserve_pct"] == pytest.approx(22.0, abs=1.0)
    (row,) = _learned(*[after] * 11).to_dicts()
    assert row["reserve_pct"] is None


def test_few_evenings_are_not_enough():
    assert _learned(*[TO_20] * 5)["reserve_pct"].to_list() == [None]  # the judged day does not count
    assert _learned(*[TO_20] * 6)["reserve_pct"].to_list() == [pytest.approx(20.0, abs=0.5)]


def test_the_import_kept_up_while_discharging():
    """Half a kilowatt of load from 18 to 24, of which all but 80 W come from the battery."""
    evening = {"battery_w": lambda n: -1500.0 if n in steps(9, 15) else 420.0 + n % 2 * 40 if n >= 72 else 0.0}
    course = changed(plain(floor_pct=30.0, full_pct=90.0), range(96), **evening, load_w=lambda n: 500.0 + n % 2 * 40)
    peak = changed(course, steps(20, 21), battery_w=2000.0, load_w=2080.0)
    (row,) = _learned(*[balanced(peak)] * 7).to_dicts()
    assert row["import_w"] == pytest.approx(80.0)
    assert row["import_sigma_w"] <= 3.0


@pytest.mark.parametrize(("load_w", "reserve_pct"), [(240.0, None), (400.0, 60.0)])
def test_a_rest_at_an_import_that_is_kept_up_is_no_stop(load_w, reserve_pct):
    """While it gives, 80 W are imported; from 22 on the house takes little more than what inverters start for."""
    evening = {
        "battery_w": lambda n: 420.0 + n % 2 * 40 if n in steps(18, 22) else 0.0,
        "load_w": lambda n: 500.0 + n % 2 * 40 if n in steps(18, 22) else load_w + n % 2 * 10,
        "soc_pct": lambda n: 60.0 if n not in steps(18, 22) else 90.0 - 30 * (n - 72) / 16,
    }
    course = changed(plain(), range(96), pv_w=0.0, **evening)
    peak = changed(course, steps(20, 21), battery_w=2000.0, load_w=2080.0)
    (row,) = _learned(*[balanced(peak)] * 7).to_dicts()
    assert row["import_w"] == pytest.approx(80.0)
    assert row["reserve_pct"] == (None if reserve_pct is None else pytest.approx(reserve_pct, abs=1.0))


def test_it_resumes_between_where_it_waited_and_where_it_gave_again():
    """After a stop at 20 % and a charge to 30 % it waits; at 45 % it gives."""
    soc = {"soc_pct": lambda n: 20.0 if n < 40 else 30.0 if n < 48 else 45.0 if n < 72 else 20.0}
    power = {"battery_w": lambda n: 600.0 if n in (0, 1) else -2000.0 if n in (39, 47) else 800.0 if n == 48 else 0.0}
    course = balanced(changed(plain(), range(96), **soc, **power, load_w=900.0, pv_w=0.0))
    (row,) = _learned(*[course] * 7).to_dicts()
    assert row["resume_pct"] == pytest.approx(37.5)
    assert row["resume_sigma_pct"] == pytest.approx(15 / 12**0.5)


def test_the_ceiling_is_where_it_takes_no_more_of_a_surplus():
    full = plain(floor_pct=20.0, full_pct=80.0)
    sunny = balanced(changed(full, steps(15, 17), pv_w=3000.0))
    assert _learned(*[sunny] * 7)["ceiling_pct"].to_list() == [pytest.approx(80.0)]


def test_days_whose_readings_are_in_doubt_are_carried_and_not_learned_from():
    known = {"site_id": "roof-1", "day": build.DAY - timedelta(days=1), "reserve_pct": 20.0, "reserve_sigma_pct": 0.5,
             "is_carried": False}  # fmt: skip
    (row,) = _learned(*[AT_80] * 7, past=[known], earlier=[("roof-1", "meter-reversed")]).to_dicts()
    assert (row["reserve_pct"], row["is_carried"], row["day"]) == (20.0, True, build.DAY)
    doubted = [{**known, "day": build.DAY - timedelta(days=n), "is_carried": True} for n in range(1, 4)]
    assert _learned(*[TO_20] * 7, past=doubted)["reserve_pct"].to_list() == [None]  # three days are left


def test_a_learned_reserve_stands_in_for_a_silent_register():
    known = _learned(*[TO_20] * 7)
    (found,) = battery_below_reserve.detect(readings(DEEP), build.sites(BARE), build.earlier(), build.DAY, known)
    assert isinstance(found, Finding)
    assert (found.severity, found.threshold) == ("watch", pytest.approx(18.0, abs=0.5))
    assert "its reserve is 20 +- 1 % as learned" in found.summary
    told = build.sites({**BARE, "battery_reserve_pct": 20.0})
    (found,) = battery_below_reserve.detect(readings(DEEP), told, build.earlier(), build.DAY, known)
    assert found.severity == "soon" and "learned" not in found.summary


def test_a_stop_above_the_learned_reserve_is_told():
    rows, sites, rests, _ = _frames([*[TO_20] * 7, *[AT_80] * 3])
    known = _learned(*[TO_20] * 7)
    days = build.days({"surplus_kwh": 20.0})
    (found,) = battery_not_discharging.detect(
        of(build.DAY, rows), rests, days, sites, build.earlier(), build.DAY, known
    )
    assert found.value == pytest.approx(80.0, abs=0.5) and "reserve is 20 +- 1 % as learned" in found.summary


def test_a_register_that_the_evenings_contradict_is_named():
    rows, sites, rests, _ = _frames([AT_80] * 7, site={**BARE, "battery_reserve_pct": 20.0})
    known = _learned(*[AT_80] * 7)
    (found,) = battery_not_discharging.detect(
        of(build.DAY, rows), rests, build.days({"surplus_kwh": 20.0}), sites, build.earlier(), build.DAY, known
    )
    assert "The register says 20 %, its evenings show discharge stopping at 80 +- 1 %." in found.summary
    assert found.evidence["learned_reserve_pct"] == pytest.approx(80.0, abs=0.5)


@pytest.mark.parametrize("spread", [(20.0, 30.0, 40.0, 50.0, 60.0, 70.0)])
def test_a_level_that_is_never_the_same_is_no_reserve(spread):
    courses = [plain(floor_pct=floor, full_pct=95.0) for floor in spread]
    rows, sites, rests, _ = _frames([*courses, AT_80])
    (verdict,) = battery_not_discharging.detect(
        of(build.DAY, rows), rests, build.days({"surplus_kwh": 20.0}), sites, build.earlier(), build.DAY,
        _learned(*courses, AT_80),
    )  # fmt: skip
    assert isinstance(verdict, NotJudged) and "too unevenly to judge by" in verdict.reason
