"""The clock's verdict on real series, as they are and with known errors put in (tests/support/clock_series.py)."""

from collections.abc import Iterator
from datetime import date, timedelta
from itertools import product

import pytest

from detectors.clock import clock
from detectors.clock.drift import common_slope
from detectors.clock.light import light_onsets
from detectors.clock.lit_days import lit_days
from detectors.clock.onsets import onsets_of
from detectors.finding import OVER, Finding, Verdict
from tests.support.clock_roofs import Error, constant, register, right, step
from tests.support.clock_series import Series, all_series, denver_6kw, hourly_plants, open_data, restamped, wheel_data

ALL = list(all_series())
RIGHT = [series for series in ALL if series.truth.startswith("right") and "turin" not in series.roof.site_id]

needs_series = pytest.mark.skipif(not RIGHT, reason="neither the pvanalytics wheel nor the open data is here")
needs_wheel = pytest.mark.skipif(wheel_data() is None, reason="pvanalytics is not installed")
needs_open_data = pytest.mark.skipif(open_data() is None, reason="no open data: set NOONMARK_OPEN_DATA")


def verdicts(
    series: Series, every: int, error: Error = right, *, interval: int | None = None, days: int = 400
) -> Iterator[tuple[date, Verdict]]:
    """Every `every`th day's verdict over the series' first `days`."""
    rows = restamped(series._replace(days=min(days, series.days)), interval or series.interval_min, error)
    light = light_onsets(rows, register([series.roof]))
    for i in range(every, min(days, series.days), every):
        day = series.first + timedelta(days=i)
        for verdict in clock.detect(light, register([series.roof]), day):
            yield day, verdict


@needs_series
@pytest.mark.parametrize("series", RIGHT, ids=lambda series: series.roof.site_id)
@pytest.mark.parametrize("interval", [15, 30, 60])
def test_untouched_series_raise_nothing(series: Series, interval: int) -> None:
    if interval < series.interval_min:
        pytest.skip("the series is coarser")
    found = [(day, v.kind) for day, v in verdicts(series, 9, interval=interval, days=500) if isinstance(v, Finding)]
    assert found == []


@needs_series
def test_the_interval_of_a_slope_holds_the_right_clocks_own() -> None:
    """No right clock moves: the 95 % intervals of its slope hold none in 85 of 100 windows at least, short or long.

    Of days' scatter alone they would in 72 to 78, whichever of the series are here.
    """
    held = []
    for series, interval in product(RIGHT, (15, 30, 60)):
        if interval < series.interval_min:
            continue
        some = series._replace(days=min(series.days, 700))
        light = light_onsets(restamped(some, interval), register([series.roof]))
        for span in (30, 60):
            for end in range(span, some.days, span // 2):
                onsets = onsets_of(light, register([series.roof]), series.first + timedelta(days=end), span)
                if onsets.sites and len((days := lit_days(onsets, 0)).day) >= 0.6 * span:
                    slope, error = common_slope(days, days.middle, [slice(0, len(days.day))])
                    held.append(abs(slope) <= error)
    assert len(held) >= 100 and sum(held) >= 0.85 * len(held)


@needs_series
@pytest.mark.parametrize("series", RIGHT, ids=lambda series: series.roof.site_id)
@pytest.mark.parametrize("minutes", [60.0, -480.0])
def test_a_known_offset_is_told(series: Series, minutes: float) -> None:
    judged = [
        (day, v) for day, v in verdicts(series, 30, constant(minutes)) if day <= series.first + timedelta(days=330)
    ]
    told = [v for _, v in judged if isinstance(v, Finding)]
    assert told and {v.kind for v in told} == {"time-zone-wrong"}
    assert all(abs(v.value - minutes) <= v.evidence["uncertainty_min"] for v in told)


@needs_series
@pytest.mark.parametrize("series", RIGHT, ids=lambda series: series.roof.site_id)
def test_a_step_of_45_minutes_is_told(series: Series) -> None:
    at = series.first + timedelta(days=80)
    told = [v for _, v in verdicts(series, 6, step(at, 45.0), days=140) if isinstance(v, Finding)]
    assert {v.kind for v in told} == {"clock-step"}
    assert told[-1].value == pytest.approx(45, abs=15)


SUMMERS = (
    (date(2011, 3, 13), date(2011, 11, 6)),
    (date(2012, 3, 11), date(2012, 11, 4)),
    (date(2013, 3, 10), date(2013, 11, 3)),
)


@pytest.mark.slow
@needs_wheel
def test_the_labels_that_follow_daylight_saving_are_found_at_every_change() -> None:
    """6 kW at 39.742 N 105.173 W: US rules moved the clocks on 2011-11-06, 2012-03-11, 2012-11-04 and 2013-03-10."""
    series = denver_6kw(wheel_data() or pytest.skip("no wheel"))
    told = {day: v for day, v in verdicts(series, 11, days=1000) if isinstance(v, Finding)}
    for day, finding in told.items():
        assert finding.value == pytest.approx(60, abs=16)
        is_summer = any(a <= day < b for a, b in SUMMERS)
        assert (OVER in finding.evidence) != is_summer  # in winter told for some days, as what is right again
    for change, end in SUMMERS[1:]:
        season = [v for day, v in told.items() if change + timedelta(days=3) <= day < end]
        assert len(season) > 15 and {v.kind for v in season} == {"daylight-saving-wrong"}
        assert {v.since for v in season} <= {change - timedelta(days=1), change, change + timedelta(days=1)}


@needs_open_data
def test_turin_is_labelled_an_hour_early_after_the_autumn_change() -> None:
    """The labels fit UTC+1 until 27 October 2019 and UTC+2 from then on; the provenance note saw the year's bulk."""
    series = next(hourly_plants(open_data() or pytest.skip("no open data")))
    told = {day: v for day, v in verdicts(series, 5) if isinstance(v, Finding)}
    assert min(told) >= date(2019, 10, 27) and min(told) <= date(2019, 11, 6)
    assert {v.kind for v in told.values()} == {"daylight-saving-wrong"}
    assert all(v.value == pytest.approx(-60, abs=20) for v in told.values())
