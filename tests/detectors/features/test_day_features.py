"""Features made of a day's readings, against sums that can be done by hand."""

import pytest

from detectors.features import battery_day
from detectors.frames import READINGS
from tests.support import build


def _one(feature, channels, **site):
    made = feature.make(build.readings(channels, interval_s=3600), build.sites(site))
    assert made.cast(feature.SCHEMA).schema == feature.SCHEMA
    return made.row(0, named=True)


def test_surplus_and_what_of_it_fell_at_the_reserve():
    # Six hours at 36 %, reserve 35 %; 1 kW of surplus for the last two of them, 0.5 kW for two hours at 80 %.
    pv = [0.0] * 10 + [1000.0] * 2 + [0.0] * 10 + [1500.0] * 2
    course = {"soc_pct": [80.0] * 18 + [36.0] * 6, "pv_w": pv, "load_w": [500.0] * 24}
    day = _one(battery_day, course, battery_kwh=10.0)
    assert day["soc_floor_h"] == pytest.approx(6)
    assert day["surplus_kwh"] == pytest.approx(3)
    assert day["surplus_at_floor_kwh"] == pytest.approx(2)


def test_without_a_load_the_balance_tells_the_surplus():
    """1 kW goes into the battery and 2 kW to the grid for two hours; in the evening the battery gives 0.5 kW of it."""
    course = {
        "soc_pct": [36.0] * 24, "pv_w": [0.0] * 10 + [3500.0] * 2 + [0.0] * 12,
        "grid_w": [0.0] * 10 + [-2000.0] * 2 + [0.0] * 12,
        "battery_w": [0.0] * 10 + [-1000.0] * 2 + [0.0] * 8 + [500.0] * 4,
    }  # fmt: skip
    day = _one(battery_day, course, battery_kwh=10.0)
    assert (day["surplus_kwh"], day["surplus_at_floor_kwh"]) == (pytest.approx(6), pytest.approx(6))


def test_surplus_is_not_known_without_load_and_balance():
    day = _one(battery_day, {"pv_w": [1000.0] * 24}, battery_kwh=10.0)
    assert (day["surplus_kwh"], day["surplus_at_floor_kwh"]) == (None, None)


def test_no_readings_no_rows():
    assert battery_day.make(READINGS.to_frame(), build.sites()).is_empty()
