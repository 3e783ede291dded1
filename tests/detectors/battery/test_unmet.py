"""What a battery leaves to the grid while it has charge, how often it pauses, and what is not its to give."""

import polars as pl
import pytest

from detectors.battery.unmet import unmet_days
from tests.support import build
from tests.support.battery_day import SITE, readings

LOAD_W = 1000.0


def _evening(given, load=LOAD_W, soc=None, told="unmet_ratio"):
    """Full by noon, then ten hours in which the house wants `load` and the battery gives `given`, W."""
    hours = 40
    level = [20.0 + 60.0 * n / 47 for n in range(48)] + (soc or [90.0 - 40.0 * n / 47 for n in range(48)])
    zero = [0.0] * (96 - hours)
    loads = [load] * hours if not isinstance(load, list) else load
    gave = [given] * hours if not isinstance(given, list) else given
    course = {
        "pv_w": [0.0] * 96, "load_w": zero + loads, "battery_w": zero + gave,
        "grid_w": zero + [one - other for one, other in zip(loads, gave, strict=True)], "soc_pct": level,
    }  # fmt: skip
    (row,) = unmet_days(readings(course), build.sites(SITE)).to_dicts()
    return row[told]


def test_a_battery_that_follows_its_house_leaves_nothing():
    assert _evening(LOAD_W) == pytest.approx(0.0)


def test_one_that_gives_and_rests_in_turn_leaves_half():
    assert _evening([LOAD_W, 0.0] * 20) == pytest.approx(0.5)


def test_what_goes_beyond_its_power_tells_nothing():
    """A car takes 7 kW for three hours: the battery gives its 3 kW, the grid the rest."""
    load = [7000.0] * 12 + [LOAD_W] * 28
    given = [3000.0] * 12 + [LOAD_W] * 28
    assert _evening(given, load) == pytest.approx(0.0)


def test_an_empty_battery_and_an_unread_one_tell_nothing():
    assert _evening(0.0, soc=[20.0] * 48) is None
    rows = readings({"load_w": [500.0] * 96, "battery_w": [500.0] * 96, "grid_w": [0.0] * 96, "pv_w": [0.0] * 96})
    told = unmet_days(rows.with_columns(soc_pct=pl.lit(None, pl.Float64)), build.sites(SITE))
    assert told["unmet_ratio"].to_list() == [None]


def test_pauses_are_rests_between_two_times_of_giving():
    assert _evening(LOAD_W, told="pauses") == 0
    assert _evening([LOAD_W, 0.0] * 20, told="pauses") == 19  # after the last rest it gives no more
    assert _evening([LOAD_W] * 16 + [0.0] * 8 + [LOAD_W] * 16, told="pauses") == 1  # a schedule by the clock


def test_a_load_that_falls_below_what_a_control_starts_at_is_no_pause():
    """A refrigerator over a small house: the battery leaves 250 W to the grid and meets 400 W."""
    assert _evening([400.0, 0.0] * 20, [400.0, 250.0] * 20, told="pauses") == 0


def test_a_battery_at_its_floor_that_recovers_and_gives_once_more_makes_no_pause():
    level = [60.0] * 8 + [60.0 - 2.0 * n for n in range(20)] + [20.0, 21.0] * 10
    assert _evening([LOAD_W] * 20 + [LOAD_W, 0.0] * 10, soc=level, told="pauses") == 0


def test_one_that_was_charged_in_between_made_no_pause():
    level = [60.0] * 8 + [60.0 + 5.0 * n for n in range(4) for _ in range(10)]
    given = ([LOAD_W] * 6 + [0.0, -2000.0, -2000.0, 0.0]) * 4
    assert _evening(given, soc=level, told="pauses") == 0
    assert _evening(given, soc=[60.0] * 48, told="pauses") == 3


def test_an_hour_of_need_tells_nothing_of_pauses():
    assert _evening([LOAD_W] * 4 + [0.0] * 36, [LOAD_W] * 4 + [100.0] * 36, told="pauses") is None
