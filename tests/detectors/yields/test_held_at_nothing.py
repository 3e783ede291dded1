"""A site without a limit whose roof is held down to its house, on rows whose books are written by hand."""

import numpy as np
import pytest
from numpy.typing import NDArray

from detectors.yields.free_intervals import to_quarters
from detectors.yields.quarter_hours import table
from tests.support import build
from tests.support.bright_day import STREET, night_of, powers
from tests.support.noon_rows import noon_rows

SITE = {"feed_in_limit_kw": None, "battery_kwh": 10.0, "installed_kwp": 10.0, "inverter_kw": 8.0}
MINUTES = 120
ISLAND_W = np.where(np.arange(24) % 5 < 2, 122.0, 71.0)  # a refrigerator in an empty house, every 5 min

Array = NDArray[np.float64]


def _quiet(minutes: int, count: int = 0) -> Array:
    """A quiet house's load, W: 130 to 290, far below 3 % of the capacity."""
    return np.random.default_rng(7).uniform(130.0, 290.0, count or MINUTES // minutes).round()


def _held_pct(minutes: int, load: Array, pv: Array, battery: Array | float = 0.0, **more: object) -> Array:
    """held_pct of the quarter hours from 12:00 UTC on; 0 where no interval of the day was held.

    `more`: `grid` where it is not what closes the books, `load_read` where another load is read, `at` the rows kept.
    """
    battery = np.broadcast_to(battery, len(load))
    grid = np.broadcast_to(np.asarray(more.get("grid", load - pv - battery), dtype=float), len(load))
    read = np.asarray(more.get("load_read", load), dtype=float)
    rows = [
        {"pv_w": pv[n], "grid_w": grid[n], "battery_w": battery[n], "load_w": None if np.isnan(read[n]) else read[n]}
        for n in range(len(load))
    ]
    quarters = to_quarters(noon_rows(minutes, *rows, at=more.get("at")), build.sites(SITE))  # type: ignore[arg-type]
    return np.nan_to_num(table(quarters, "held_pct"))[0, 48 : 48 + len(load) * minutes // 15]


def _regulated(load: Array, kept: float = 60.0, lag: float = 0.25) -> Array:
    """What a roof makes that keeps up an import, a quarter of each step of the load late."""
    return load - kept + lag * np.diff(load, prepend=load[0])


@pytest.mark.parametrize("minutes", [1, 5])
@pytest.mark.parametrize("is_load_read", [True, False])
def test_a_quiet_house_whose_steps_its_roof_makes_holds_it(minutes, is_load_read):
    load = _quiet(minutes)
    read = load if is_load_read else np.full(len(load), np.nan)
    assert (_held_pct(minutes, load, _regulated(load), load_read=read) == 100).all()


@pytest.mark.parametrize("minutes", [1, 5])
def test_the_same_house_beside_a_roof_that_makes_what_the_sky_gives_does_not(minutes):
    """The grid stands within 80 W of nothing all the time: the roof makes what the house draws on the average."""
    load = _quiet(minutes)
    assert not _held_pct(minutes, load, np.full(len(load), 210.0)).any()
    clouds = 210.0 + np.random.default_rng(8).uniform(-60.0, 60.0, len(load)).round()
    assert not _held_pct(minutes, load, clouds).any()


def test_an_island_holds_its_roof_at_what_the_house_and_the_inverter_take():
    noise = np.random.default_rng(5).normal(0.0, 4.0, len(ISLAND_W)).round()
    assert (_held_pct(5, ISLAND_W, ISLAND_W / 0.97 + 30.0, grid=noise) == 100).all()


def test_a_battery_that_makes_the_steps_of_a_quiet_house_holds_no_roof():
    """Half of the strings are gone, 50 W are made, and the battery gives 21 to 72 W: below its 80 W it rests."""
    pv = np.full(len(ISLAND_W), 50.0)
    assert not _held_pct(5, ISLAND_W, pv, ISLAND_W - pv).any()


def test_nor_does_one_at_work_whatever_the_roof_follows():
    assert not _held_pct(5, ISLAND_W, ISLAND_W + 731.0, -700.0).any()


def test_a_house_that_imports_holds_nothing():
    """Regulators keep up some 60 W: beside 250 W and more of import nobody asks the roof for less."""
    load = _quiet(5)
    assert not _held_pct(5, load + 250.0, _regulated(load)).any()


def test_a_few_steps_that_a_cloud_may_have_made_prove_nothing():
    load = np.full(24, 180.0)
    load[10:13] = 230.0
    assert not _held_pct(5, load, load - 2.0 * (np.arange(24) % 2)).any()
    load[[2, 3, 5, 7, 8, 17, 18]] += 50.0
    assert (_held_pct(5, load, load - 2.0 * (np.arange(24) % 2)) == 100).all()


def test_a_step_that_the_regulator_needs_a_while_for_does_not_end_the_hours_around_it():
    """Four minutes of 1,500 W, and one in which the roof, a minute late, makes nothing: 10 of 15 stay."""
    load = _quiet(1)
    load[30:34] += 1500.0
    told = _held_pct(1, load, np.clip(_regulated(load), 0.0, 400.0))
    assert told.tolist() == [100, 100, 67, 100, 100, 100, 100, 100]


def test_a_meter_that_stands_still_beside_a_load_worked_out_from_the_generation_proves_nothing():
    """The load "follows" each cloud, for it is the generation."""
    pv = 200.0 + np.random.default_rng(8).uniform(-60.0, 60.0, 24).round(2)
    for grid in (0.0, 3.1):
        for read in (pv + grid, np.full(24, np.nan)):
            assert not _held_pct(5, pv + grid, pv, grid=grid, load_read=read).any()


def test_steps_across_gaps_do_not_count():
    """With every other interval missing nothing is seen to follow; with two, one of three is left of a quarter hour."""
    assert not _held_pct(5, ISLAND_W, ISLAND_W + 31.0, grid=3.0, at=range(0, 24, 2)).any()
    told = _held_pct(5, ISLAND_W, ISLAND_W + 31.0 + np.arange(24) % 2, grid=3.0, at=[*range(18), *range(20, 24)])
    assert told.tolist() == [100, 100, 100, 100, 100, 100, 33, 100]


def test_hours_without_feed_in_over_a_quiet_house_take_nothing_from_a_roofs_level():
    """From 10 to 14 UTC the roof makes what a quiet house draws, as where feed-in costs money; else its all."""
    is_noon = (np.arange(96) >= 40) & (np.arange(96) < 56)
    load_w = np.where(is_noon, _quiet(15, 96), 300.0)
    made_w = load_w - 20.0 + np.random.default_rng(9).uniform(-10.0, 10.0, 96)
    held = np.where(is_noon, made_w / np.maximum(powers()[STREET], 1.0), 1.0)
    told = night_of(held, load_w=load_w)
    assert abs(told.x[STREET]) < 0.05 and told.fleet.is_held[STREET].sum() == 16
    weak = night_of(np.where(is_noon, held, 0.7), load_w=load_w)
    assert weak.x[STREET] == pytest.approx(np.log(0.7), abs=0.06)
    fallen = night_of(0.02, load_w=300.0)  # it makes less than the house draws, which imports the rest
    assert not fallen.fleet.is_held[STREET].any() and fallen.x[STREET] < np.log(0.1)
