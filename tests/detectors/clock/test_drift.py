"""Clocks that drift, on simulated roofs whose true error is known."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from detectors.clock import clock
from detectors.clock.drift import best_drift
from detectors.clock.onsets import onsets_of
from detectors.finding import Finding, NotJudged, filled
from tests.support.clock_roofs import drift, register
from tests.support.clock_verdicts import FIRST, ROOF, judge, light_of, only


@pytest.mark.parametrize(("interval", "speed"), [(15, 40.0), (15, -40.0), (60, 60.0)])
def test_a_drift_is_told_with_its_speed(interval: int, speed: float) -> None:
    """40 s a day for 90 days are an hour: no stairs of jumps."""
    finding = only(judge(light_of(drift(FIRST, speed), 91, interval), FIRST + timedelta(days=90)))
    assert finding.kind == "clock-drift" and finding.unit == "s/day"
    assert finding.value == pytest.approx(speed, abs=5)
    assert finding.evidence["offset_min"] == pytest.approx(speed * 90 / 60, abs=10)


def test_the_light_in_the_dark_of_a_drift_is_that_of_its_last_days() -> None:
    """A meter that rounds to 100 W makes first light late: over some weeks a drift's middle lies in the light."""
    small = replace(ROOF, latitude=29.77, longitude=-95.6, timezone="America/Chicago", kwp=2.0, resolution_w=100.0)
    steep = replace(small, planes=((1.0, 48.0, 180.0),), seed=7)
    first = date(2025, 6, 1)
    finding = only(judge(light_of(drift(first, -43.0), 70, 10, steep, first), first + timedelta(days=36), steep))
    assert finding.kind == "clock-drift" and finding.value == pytest.approx(-43, rel=0.3)


def test_both_ends_of_the_day_prove_a_fast_drift_where_nothing_shows_in_the_dark() -> None:
    """Hills all around keep all light within the day; none moves both of its ends one way so fast.

    What no light in the dark proves is not told from the last day alone.
    """
    between = replace(ROOF, wall=(0.0, 360.0, 8.0), seed=2)
    light = light_of(drift(FIRST, 90.0), 30, 15, between)
    assert not [v for v in judge(light, FIRST + timedelta(days=22), between) if isinstance(v, Finding)]
    finding = only(judge(light, FIRST + timedelta(days=23), between))
    assert finding.kind == "clock-drift" and finding.value == pytest.approx(90, rel=0.3)


def test_light_in_the_dark_makes_up_for_ends_of_the_day_that_move_unevenly() -> None:
    """A steep roof that looks away from a hill in the west: its last light hardly moves, but what is dark is dark."""
    hidden = replace(ROOF, wall=(220.0, 360.0, 12.0), seed=18, planes=((1.0, 56.0, 139.0),), latitude=54.7)
    first = date(2025, 8, 1)
    light = light_of(drift(first, -117.0), 26, 15, hidden, first)
    (early,) = judge(light, first + timedelta(days=16), hidden)
    assert isinstance(early, NotJudged) and early.reason.code == "moving"
    finding = only(judge(light, first + timedelta(days=22), hidden))
    assert finding.kind == "clock-drift" and finding.value == pytest.approx(-117, rel=0.5)


def test_a_drift_of_90_s_a_day_is_told_within_three_weeks() -> None:
    light = light_of(drift(FIRST, 90.0), 22)
    finding = only(judge(light, FIRST + timedelta(days=20)))
    assert finding.kind == "clock-drift" and finding.value == pytest.approx(90, rel=0.3)
    assert finding.evidence["drift_uncertainty_s_per_day"] <= 0.3 * finding.value
    # Before it is known it is no step and no zone either.
    early = [v for day in (10, 13) for v in judge(light, FIRST + timedelta(days=day)) if isinstance(v, Finding)]
    assert early == []


@pytest.mark.parametrize(("share", "is_known"), [(0.25, True), (0.34, True), (0.38, False)])
def test_a_slope_is_known_by_its_90_percent_interval(share: float, is_known: bool) -> None:
    """1.645 of 1.96 sigmas: a 95 % interval of up to 0.357 of the slope."""
    light = light_of(drift(FIRST, 90.0), 22)
    line = best_drift(onsets_of(light, register([ROOF]), FIRST + timedelta(days=21), 22), 0)
    assert line is not None
    assert line._replace(slope_error=share * abs(line.slope)).is_known is is_known


def test_a_drift_that_is_set_right_again_stays_a_drift_until_it_ends() -> None:
    def error(stamps: np.ndarray) -> np.ndarray:
        begin, last = ((day - date(1970, 1, 1)).days * 1440.0 for day in (FIRST, FIRST + timedelta(days=75)))
        late = (stamps - begin) % (25 * 1440.0) / 1440.0 * 100.0 / 60.0
        return np.where(stamps < last, late, 0.0)

    light = light_of(error, 100)
    for later in (45, 52, 70):  # 52: two days after it was set right
        finding = only(judge(light, FIRST + timedelta(days=later)))
        assert finding.kind == "clock-drift" and finding.value == pytest.approx(100, rel=0.2)
        assert "set right" in finding.summary and "correction_s_per_day" not in finding.evidence
    assert judge(light, FIRST + timedelta(days=95)) == []


def test_a_drift_says_the_correction_that_grows_with_it() -> None:
    finding = only(judge(light_of(drift(FIRST, -60.0), 61), FIRST + timedelta(days=60)))
    assert finding.evidence["correction_s_per_day"] == pytest.approx(60, abs=6)
    command = filled(clock.KINDS["clock-drift"].command, finding.evidence | {"site_id": finding.site_id})
    assert command.startswith("noonmark retime roof --rate-s-per-day ") and f"--from {finding.since}" in command
