"""What a limited site could have used, on days whose arithmetic is written beside them."""

import numpy as np
import pytest

from detectors.yields import limited_use
from detectors.yields.limited_use import EFFICIENCY, Battery

NONE = limited_use.batteries(np.array([np.nan]), np.array([np.nan]), np.array([np.nan]))
TEN = Battery(np.array([10.0]), np.array([4000.0]), np.array([0.0]), np.array([10.0]))
START = np.zeros(1, dtype=np.intp)
EMPTY = np.zeros(1)


def _course(*spans: tuple[int, int, float]) -> np.ndarray:
    """[1, 96] W: so much from one quarter hour to another, else 0."""
    told = np.zeros((1, 96))
    for begin, end, value in spans:
        told[0, begin:end] = value
    return told


def test_without_a_battery_the_house_and_the_feed_in_allowed_are_all():
    """3 kW for 4 h, of which 1 kW is taken: 4 kWh."""
    use = limited_use.of_day(_course((40, 56, 3000.0)), _course((0, 96, 1000.0)), NONE, EMPTY, START)
    assert use.used_kwh[0] == pytest.approx(4.0)
    assert use.stored_kwh[0] == 0.0


def test_a_battery_takes_what_is_left_until_it_is_full():
    """2 kW left over for 8 h are 16 kWh; 10 kWh of room take 10 / 0.95."""
    use = limited_use.of_day(_course((36, 68, 2500.0)), _course((36, 68, 500.0)), TEN, EMPTY, START)
    assert use.used_kwh[0] == pytest.approx(4.0 + 10 / EFFICIENCY, abs=0.02)
    assert use.stored_kwh[0] == pytest.approx(10.0, abs=0.01)


def test_what_was_stored_before_leaves_less_room_and_the_night_makes_some():
    """Full at midnight; the house draws 0.95 kWh an hour for 6 h, which takes 6 kWh out: so much can come in again."""
    night, noon = (0, 24, 950.0), (40, 64, 3000.0)
    use = limited_use.of_day(_course(noon), _course(night), TEN, np.array([10.0]), START)
    assert use.used_kwh[0] == pytest.approx(6.0 / EFFICIENCY, abs=0.02)
    full = limited_use.of_day(_course(noon), _course(), TEN, np.array([10.0]), START)
    assert full.used_kwh[0] == pytest.approx(0.0, abs=0.01)


def test_charging_is_no_harder_than_the_battery_takes():
    use = limited_use.of_day(_course((48, 52, 9000.0)), _course(), TEN, EMPTY, START)
    assert use.used_kwh[0] == pytest.approx(4.0)  # 4 kW for an hour


def test_the_day_begins_at_local_midnight():
    """At 150 E it is 14:00 UTC: a battery emptied by the evening's house has room the next noon, not the other way."""
    first = limited_use.first_quarter(np.array([150.0]))
    assert first[0] == 56
    noon, evening = (4, 28, 2000.0), (36, 52, 2000.0)  # UTC: 01:00-07:00 and 09:00-13:00
    use = limited_use.of_day(_course(noon), _course(evening), TEN, np.array([9.5]), first)
    assert use.used_kwh[0] == pytest.approx(0.5 / EFFICIENCY, abs=0.02)


def test_quarter_hours_that_nobody_knows_are_left_out():
    demand = _course((0, 96, 1000.0))
    demand[0, 40:48] = np.nan
    use = limited_use.of_day(_course((40, 56, 3000.0)), demand, NONE, EMPTY, START)
    assert use.used_kwh[0] == pytest.approx(2.0)


def test_the_state_of_charge_counts_from_the_reserve():
    battery = limited_use.batteries(np.array([10.0, 10.0]), np.array([20.0, np.nan]), np.array([3000.0, np.nan]))
    assert battery.usable_kwh.tolist() == [8.0, 9.0]
    assert battery.power_w.tolist() == [3000.0, 5000.0]
    stored = limited_use.stored_kwh(battery, np.array([70.0, np.nan]), np.array([1.0, 2.5]))
    assert stored.tolist() == [5.0, 2.5]
