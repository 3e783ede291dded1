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


def _live(possible, house, battery, begin, first=START, *, limit_w=0.0, made=None, charge=None, held=None, sigma=0.0):
    """A day of one site; nothing held its roof unless `held` says so."""
    nothing = np.zeros((1, 96))
    day = limited_use.Day(
        possible, nothing, house, np.array([limit_w]), np.array([sigma]), *(nothing if one is None else one
                                                                            for one in (made, charge, held))
    )  # fmt: skip
    return limited_use.of_day(day, battery, begin, first)


def test_without_a_battery_the_house_and_the_feed_in_allowed_are_all():
    """3 kW for 4 h, of which 0.4 kW go to the house and 0.6 kW into the grid: 4 kWh."""
    use = _live(_course((40, 56, 3000.0)), _course((0, 96, 400.0)), NONE, EMPTY, limit_w=600.0)
    assert use.used_kwh[0] == pytest.approx(4.0)
    assert use.stored_kwh[0] == 0.0


def test_a_battery_takes_what_is_left_until_it_is_full():
    """2 kW left over for 8 h are 16 kWh; 10 kWh of room take 10 / 0.95."""
    use = _live(_course((36, 68, 2500.0)), _course((36, 68, 500.0)), TEN, EMPTY)
    assert use.used_kwh[0] == pytest.approx(4.0 + 10 / EFFICIENCY, abs=0.02)
    assert use.stored_kwh[0] == pytest.approx(10.0, abs=0.01)


def test_what_was_stored_before_leaves_less_room_and_the_night_makes_some():
    """Full at midnight; the house draws 0.95 kWh an hour for 6 h, which takes 6 kWh out: so much can come in again."""
    night, noon = (0, 24, 950.0), (40, 64, 3000.0)
    use = _live(_course(noon), _course(night), TEN, np.array([10.0]))
    assert use.used_kwh[0] == pytest.approx(6.0 / EFFICIENCY, abs=0.02)
    full = _live(_course(noon), _course(), TEN, np.array([10.0]))
    assert full.used_kwh[0] == pytest.approx(0.0, abs=0.01)


def test_no_battery_gives_to_the_grid_what_the_limit_would_let_out():
    """Full at midnight under an allowed feed-in of 2 kW: an idle house leaves it full, so noon has the grid alone."""
    use = _live(_course((40, 64, 5000.0)), _course(), TEN, np.array([10.0]), limit_w=2000.0)
    assert use.used_kwh[0] == pytest.approx(2.0 * 6, abs=0.02)
    assert use.stored_kwh[0] == pytest.approx(10.0, abs=0.01)


def test_the_battery_charges_before_the_grid_gets_any_and_is_full_when_the_limit_is_needed():
    """2 kW for 5 h put 9.5 kWh into it, though 2 kW may be fed in; then 4 kW for 2 h find the rest of its room."""
    use = _live(_course((32, 52, 2000.0), (52, 60, 4000.0)), _course(), TEN, EMPTY, limit_w=2000.0)
    room_kwh = (10.0 - 10.0 * EFFICIENCY) / EFFICIENCY
    assert use.used_kwh[0] == pytest.approx(10.0 + 4.0 + room_kwh, abs=0.05)


def test_charging_is_no_harder_than_the_battery_takes():
    use = _live(_course((48, 52, 9000.0)), _course(), TEN, EMPTY)
    assert use.used_kwh[0] == pytest.approx(4.0)  # 4 kW for an hour


def test_a_roof_that_its_takers_held_lost_nothing_whatever_the_sky_lets_expect():
    """Held at 700 W for 4 h where 1 kW were taken by the house's mean load: what was made is what could be used."""
    span = (40, 56)
    more = {"made": _course((*span, 700.0)), "held": _course((*span, 1.0))}
    use = _live(_course((*span, 3000.0)), _course((*span, 1000.0)), NONE, EMPTY, **more)
    assert use.used_kwh[0] == pytest.approx(2.8)
    free = _live(_course((*span, 3000.0)), _course((*span, 1000.0)), NONE, EMPTY)
    assert free.used_kwh[0] == pytest.approx(4.0)


def test_a_battery_that_would_have_been_full_takes_nothing_of_what_the_weak_roof_put_into_it():
    """Held at its battery's 2 kW beside 0.5 kW of house for 4 h; a battery full from the morning leaves the house."""
    span = (40, 56)
    held = {"made": _course((*span, 2500.0)), "charge": _course((*span, 2000.0)), "held": _course((*span, 1.0))}
    full = _live(_course((*span, 5000.0)), _course((*span, 500.0)), TEN, np.array([10.0]), **held)
    assert full.used_kwh[0] == pytest.approx(2.0, abs=0.01)
    empty = _live(_course((*span, 5000.0)), _course((*span, 500.0)), TEN, EMPTY, **held)
    assert empty.used_kwh[0] == pytest.approx(10.0, abs=0.01)


def test_a_load_that_comes_and_goes_takes_less_than_its_mean():
    """Against 200,000 draws of a log-normal load of mean 1 kW and log sigma 0.5 beside 1 kW of generation."""
    sigma = 0.5
    loads = 1000 * np.exp(np.random.default_rng(1).normal(-(sigma**2) / 2, sigma, 200_000))
    use = _live(_course((48, 52, 1000.0)), _course((48, 52, 1000.0)), NONE, EMPTY, sigma=sigma)
    assert use.used_kwh[0] == pytest.approx(np.minimum(loads, 1000.0).mean() / 1000, rel=0.01)
    assert use.used_kwh[0] < 0.85


def test_the_day_begins_at_local_midnight():
    """At 150 E it is 14:00 UTC: a battery emptied by the evening's house has room the next noon, not the other way."""
    first = limited_use.first_quarter(np.array([150.0]))
    assert first[0] == 56
    noon, evening = (4, 28, 2000.0), (36, 52, 2000.0)  # UTC: 01:00-07:00 and 09:00-13:00
    use = _live(_course(noon), _course(evening), TEN, np.array([9.5]), first)
    assert use.used_kwh[0] == pytest.approx(0.5 / EFFICIENCY, abs=0.02)


def test_quarter_hours_that_nobody_knows_are_left_out():
    demand = _course((0, 96, 1000.0))
    demand[0, 40:48] = np.nan
    use = _live(_course((40, 56, 3000.0)), demand, NONE, EMPTY)
    assert use.used_kwh[0] == pytest.approx(2.0)


def test_the_state_of_charge_counts_from_the_reserve():
    battery = limited_use.batteries(np.array([10.0, 10.0]), np.array([20.0, np.nan]), np.array([3000.0, np.nan]))
    assert battery.usable_kwh.tolist() == [8.0, 9.0]
    assert battery.power_w.tolist() == [3000.0, 5000.0]
    stored = limited_use.stored_kwh(battery, np.array([70.0, np.nan]), np.array([1.0, 2.5]))
    assert stored.tolist() == [5.0, 2.5]
