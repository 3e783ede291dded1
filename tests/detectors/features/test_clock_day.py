"""A clock's offset by the day: right clocks, late clocks, a step, and too little light to tell."""

from datetime import date, timedelta

import polars as pl
import pytest

from detectors.clock.light import light_onsets
from detectors.features import clock_day
from tests.support.clock_roofs import Error, Roof, constant, readings, register, right, step

FIRST = date(2025, 2, 20)
ROOF = Roof("roof", seed=3)


def _light(error: Error, days: int) -> pl.DataFrame:
    return light_onsets(readings(ROOF, FIRST, days, 15, error), register([ROOF]))


def _told(light: pl.DataFrame, day: date) -> list[dict]:
    made = clock_day.make(light, register([ROOF]), day)
    assert made.schema == clock_day.SCHEMA
    return made.to_dicts()


@pytest.mark.parametrize("minutes", [0.0, 60.0, -30.0, 570.0])
def test_the_offset_is_what_was_put_in(minutes: float) -> None:
    """Within the 95 % error of five days at 15 min of the clock's own bench."""
    light = _light(constant(minutes) if minutes else right, 12)
    (row,) = _told(light, FIRST + timedelta(days=11))
    assert row["offset_min"] == pytest.approx(minutes, abs=10.7)
    assert 0 <= row["spread_min"] < 30


def test_a_step_shows_once_the_days_that_are_needed_have_passed() -> None:
    at = date(2025, 3, 20)
    light = _light(step(at, 75.0), 40)
    told = [_told(light, at + timedelta(days=by))[0]["offset_min"] for by in (-1, 5)]
    assert told == pytest.approx([0, 75], abs=10.7)


def test_too_little_light_tells_nothing() -> None:
    assert _told(_light(right, 4), FIRST + timedelta(days=3)) == []
    assert _told(_light(right, 4).clear(), FIRST) == []
