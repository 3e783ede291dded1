"""What a battery leaves to the grid while it has charge, and what is not its to give."""

import polars as pl
import pytest

from detectors.battery.unmet import unmet_days
from tests.support import build
from tests.support.battery_day import SITE, readings

LOAD_W = 1000.0


def _evening(given, load=LOAD_W, soc=None):
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
    return row["unmet_ratio"]


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
