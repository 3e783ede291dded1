"""Discharge that stops early, told by energy alone: a battery of 10 kWh, full at 15:00, whose level is not read."""

from datetime import timedelta

import polars as pl
import pytest

from detectors.battery import battery_not_discharging
from detectors.features import battery_rests, level_day
from detectors.finding import Finding, NotJudged
from tests.support import build
from tests.support.battery_day import SITE, balanced, changed, of, plain, readings, steps

UNREAD = {**SITE, "battery_reserve_pct": 20.0}


def _evening(given_h, **more):
    """Full with sun left at 15:00; gives 2 kW for so many hours from 18:00, then the house buys 2 kW."""
    course = changed(plain(), range(96), load_w=lambda n: 2000.0 if n >= 72 else 500.0, soc_pct=None)
    course = changed(course, steps(18, 24), battery_w=0.0)
    course = changed(course, steps(18, 18 + given_h), battery_w=2000.0)
    course = changed(course, steps(15, 17), pv_w=3000.0)
    return balanced(changed(course, range(0), **more))


def _verdicts(*hours):
    courses = [_evening(h) if isinstance(h, (int, float)) else h for h in hours]
    rows, sites = readings(*courses), build.sites(UNREAD)
    rests, shown = battery_rests.make(rows, sites), level_day.make(rows, sites)
    return battery_not_discharging.detect(
        of(build.DAY, rows), rests, build.days({}), sites, build.earlier(), build.DAY, None, shown
    )


HEALTHY = [4.0] * 6  # 8 kWh since full


def test_three_short_evenings_after_full_charges_are_found():
    (found,) = _verdicts(*HEALTHY, 1.5, 1.5, 1.5)
    assert isinstance(found, Finding) and found.kind == "battery-not-discharging"
    # 2 kW for 1.5 h are 3 kWh of 10: it will have stopped near 70 %
    assert (found.value, found.unit) == (pytest.approx(70.0), "%")
    assert found.evidence["usual_since_full_kwh"] == pytest.approx(8.0)
    assert found.loss_kwh == pytest.approx(5.0)  # 8 less 3; 9 were bought after it stopped
    assert found.since == build.DAY - timedelta(days=2)


def test_a_healthy_evening_is_a_clean_verdict():
    assert _verdicts(*HEALTHY, 4.0) == []
    assert _verdicts(*HEALTHY, 1.5, 1.5, 1.5, 4.0) == []


@pytest.mark.parametrize(
    "evenings",
    [
        [*HEALTHY, 1.5, 1.5],  # two may be chance
        [1.5] * 4,  # what it used to give is not known
        [*HEALTHY, 3.0, 3.0, 3.0],  # a quarter less is wear, cold, or a shorter evening
    ],
)
def test_what_is_no_early_stop(evenings):
    (verdict,) = _verdicts(*evenings)
    assert isinstance(verdict, NotJudged) and "no evening since a full charge" in verdict.reason


def test_an_evening_that_asked_for_little_is_none():
    quiet = balanced(changed(_evening(1.5), steps(19.5, 24), load_w=100.0))
    assert isinstance(_verdicts(*HEALTHY, quiet, quiet, quiet)[0], NotJudged)


def test_what_it_gave_before_it_was_full_does_not_count():
    morning = balanced(changed(_evening(1.5), steps(6, 8), battery_w=2000.0, load_w=2500.0))
    kept = level_day.make(readings(morning), build.sites(UNREAD))
    assert kept["given_kwh"].to_list() == [pytest.approx(3.0)]
    assert kept["stop_kwh"].to_list() == [pytest.approx(9.0)]
    assert kept.filter(pl.col("full_h") > 0).height == 1
