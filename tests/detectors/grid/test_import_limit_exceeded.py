"""Import over the limit that peak shaving should hold; tolerance: two class 1 meters (IEC 62053-21), 1 % each."""

import pytest

from detectors.finding import Finding, NotJudged
from detectors.grid.import_limit_exceeded import detect
from tests.support import build

SHAVES = {"import_limit_kw": 5.0, "battery_kwh": 10.0}


def _day(values, length=288, base=400.0):
    grid = [base] * length
    for place, value in values.items():
        grid[place] = value
    return grid


def _verdicts(grid_w, *, site=SHAVES, earlier=(), interval_s=300, **channels):
    rows = build.readings({"grid_w": grid_w, **channels}, interval_s=interval_s)
    return detect(rows, build.sites(site), build.earlier(*earlier), build.DAY)


def test_a_mean_over_the_limit_is_raised_with_what_is_over_it():
    (found,) = _verdicts(_day({100: 7000.0, 101: 6000.0, 200: 5600.0, 201: 5600.0}))
    assert (found.kind, found.unit, found.severity) == ("import-limit-exceeded", "W", "soon")
    assert found.value == pytest.approx(1500)  # the mean of 7 and 6 kW, less 5 kW
    assert found.evidence["highest_mean_w"] == 6500
    assert found.evidence["beyond_min"] == 20
    assert found.evidence["beyond_kwh"] == pytest.approx((1500 + 600) / 6 / 1000)
    assert found.evidence["worst_utc"] == "2025-06-10T06:20:00Z"  # 100 x 5 min after midnight, UTC+2


def test_a_short_peak_inside_a_mean_below_the_limit_is_not():
    assert _verdicts(_day({100: 9000.0})) == []  # with 400 W beside it the mean is 4.7 kW


@pytest.mark.parametrize(("watts", "found"), [(5090.0, False), (5110.0, True)])
def test_two_meters_may_differ_by_two_per_cent(watts, found):
    assert bool(_verdicts([watts] * 288)) is found


def test_a_meter_of_coarse_steps_needs_more_than_one_step():
    grid = [float(500 * (n % 11)) for n in range(288)]
    grid[100:102] = [5500.0, 5500.0]
    assert _verdicts(grid) == []
    grid[100:102] = [6000.0, 6000.0]
    assert len(_verdicts(grid)) == 1


def test_half_of_a_mean_that_is_missing_is_no_mean():
    assert _verdicts(_day({100: 9000.0, 101: None})) == []


@pytest.mark.parametrize("minutes", [15, 60])
def test_coarse_readings_stand_as_they_are(minutes):
    length = 1440 // minutes
    (found,) = _verdicts(_day({5: 5200.0}, length), interval_s=minutes * 60)
    assert found.value == pytest.approx(200)
    assert found.evidence["mean_min"] == minutes


@pytest.mark.parametrize(
    ("soc", "battery", "severity", "words"),
    [
        (36.0, 0.0, "watch", "reserve"),
        (80.0, 0.0, "soon", "held 80 % and gave 0 W"),
        (80.0, 2500.0, "soon", "gave 2500 W"),
        (80.0, -1500.0, "soon", "charging with 1500 W"),
        (None, None, "soon", "not read"),
    ],
)
def test_what_the_battery_did_is_told(soc, battery, severity, words):
    (found,) = _verdicts(_day({100: 7000.0, 101: 7000.0}), soc_pct=[soc] * 288, battery_w=[battery] * 288)
    assert found.severity == severity
    assert words in found.summary


def test_a_site_without_a_battery_cannot_shave_with_one():
    (found,) = _verdicts(_day({100: 7000.0, 101: 7000.0}), site={"import_limit_kw": 5.0})
    assert found.severity == "watch"
    assert "no battery" in found.summary


def test_feed_in_is_no_import_and_no_limit_no_verdict():
    assert _verdicts([-9000.0] * 288) == []
    assert [v.reason.code for v in _verdicts([9000.0] * 288, site={})] == ["no-import-limit"]


def test_silence_is_not_health():
    (verdict,) = _verdicts([400.0] * 130 + [None] * 158)
    assert isinstance(verdict, NotJudged)
    assert "45 % of the day" in verdict.reason
    (verdict,) = _verdicts([None] * 288)
    assert isinstance(verdict, NotJudged)
    (found,) = _verdicts([None] * 200 + [7000.0] * 12 + [None] * 76)
    assert isinstance(found, Finding)


def test_a_turned_sensor_is_not_judged():
    (verdict,) = _verdicts([7000.0] * 288, earlier=[("roof-1", "meter-reversed")])
    assert isinstance(verdict, NotJudged)
