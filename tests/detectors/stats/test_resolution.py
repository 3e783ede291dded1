"""A meter's resolution as its values show it, and the grid power that a regulator keeps: series made here."""

import polars as pl
import pytest

from detectors.stats.curtailment import is_at_limit, target_w
from detectors.stats.resolution import resolutions


def _resolution(values, **knobs):
    rows = pl.DataFrame({"site_id": ["a"] * len(values), "grid_w": values})
    return resolutions(rows, ["site_id"], "grid_w", **knobs)["resolution"].to_list()


@pytest.mark.parametrize(
    ("values", "resolution"),
    [
        ([0.0, 10.0, 30.0, 70.0, 60.0], 10.0),
        ([-1200.0, 0.0, 1200.0, 3600.0, 2400.0], 1200.0),  # a counter of 0.1 kWh at 5 min
        ([0.0, 33.333, 66.667, 100.0], 33.333),  # rounded by the export
        ([1.0, 2.7, 5.2, 9.1, 14.3], 0.0),  # no common step
        ([10.0, 30.0, 60.0, 80.0, 110.0, 130.0, 160.0, 200.0], 10.0),  # the smallest difference is two steps
        ([10.0, 12.7, 15.2, 19.1, 24.3, 31.0, 38.9, 44.4, 51.2], 0.0),
        ([5.0, 5.0, 9.0], None),  # two values show none
    ],
)
def test_the_smallest_difference_that_the_others_are_multiples_of(values, resolution):
    assert _resolution(values) == [pytest.approx(resolution, abs=0.01)]


def test_missing_values_and_other_sites_do_not_count():
    rows = pl.DataFrame({"site_id": ["a"] * 4 + ["b"] * 4, "grid_w": [0.0, 5.0, None, 15.0, 1.0, 101.0, 201.0, 2.0]})
    told = resolutions(rows, ["site_id"], "grid_w").sort("site_id")
    assert told["resolution"].to_list() == [5.0, 1.0]
    assert _resolution([0.0, 10.0, 20.0, 30.0], min_values=5) == [None]


SITE = {"feed_in_limit_kw": 0.0, "feed_in_buffer_w": None, "inverter_kw": 5.0, "installed_kwp": 5.0}


def _rows(grid_w, pv_w=2000.0, **site):
    told = {**SITE, **site}
    schema = {**dict.fromkeys(told, pl.Float64), "grid_w": pl.Float64, "pv_w": pl.Float64}
    return pl.DataFrame([{"grid_w": watts, "pv_w": pv_w, **told} for watts in grid_w], schema=schema).with_columns(
        site_id=pl.lit("a")
    )


@pytest.mark.parametrize(
    ("site", "grid_w", "kept_w"),
    [
        ({}, [120.0] * 30 + [900.0] * 10, 120.0),  # the lowest import of the lit day
        ({}, [-300.0] * 40, 20.0),  # what feeds in keeps nothing up
        ({"feed_in_buffer_w": 80.0}, [120.0] * 40, 80.0),  # the register knows
        ({"feed_in_limit_kw": 3.0}, [120.0] * 40, -3000.0),
        ({"feed_in_limit_kw": None}, [120.0] * 40, None),
    ],
)
def test_what_the_grid_is_kept_at(site, grid_w, kept_w):
    assert _rows(grid_w, **site).select(target_w(["site_id"])).to_series().unique().to_list() == [kept_w]


def test_generation_is_at_its_limit_where_the_grid_stands_at_what_is_kept():
    grid_w = [120.0] * 30 + [165.0, 175.0, 900.0]  # 1 % of 5 kW either side
    assert _rows(grid_w).select(is_at_limit(["site_id"])).to_series().to_list() == [True] * 31 + [False] * 2
    assert not _rows([120.0] * 30, pv_w=0.0).select(is_at_limit(["site_id"])).to_series().any()
