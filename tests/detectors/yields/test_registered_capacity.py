"""Roofs that are registered with a multiple of their modules, lived through by the engine under the simulator's sky."""

import math
from datetime import date

import polars as pl
import pytest

from tests.support import yield_fleet
from tests.support.yield_fleet import live_nights


@pytest.mark.parametrize("beside", [0, 4])
def test_ten_times_the_modules_are_told_as_such_where_the_inverters_rating_fits_the_true_roof(beside):
    """A misplaced decimal point: cut at the rating, ten times the roof would not look like much more than it."""
    names = ["TEN", *(f"N{n}" for n in range(beside))]
    fleet = yield_fleet.make(7, {name: {"planes_known": 0.0} for name in names}, {}, first=date(2026, 8, 3), days=15)
    fleet.sites = fleet.sites.with_columns(
        inverter_kw=pl.col("installed_kwp"),
        installed_kwp=pl.col("installed_kwp") * pl.when(pl.col("site_id") == "TEN").then(10.0).otherwise(1.0),
    )
    opened = yield_fleet.live_nights(fleet).opened()
    assert set(opened) == {"TEN"}
    assert opened["TEN"]["kind"] == "capacity-mismatch"
    assert math.exp(opened["TEN"]["after"]) == pytest.approx(0.1, abs=0.03)


def test_a_roof_that_is_extended_with_its_register_neither_falls_nor_rises():
    """Half as many modules again from the 17th day on, with the rest of the roof as it was."""
    fleet = yield_fleet.make(
        11, {name: {"planes_known": 1.0} for name in ("MORE", "N1", "N2", "N3")}, {}, first=date(2026, 5, 1), days=32
    )
    grown, is_more = fleet.sites, pl.col("site_id") == "MORE"
    fewer = pl.when(is_more).then(2 / 3).otherwise(1.0)
    fleet.readings = {
        day: rows.with_columns(pv_w=pl.col("pv_w") * fewer) if day < fleet.day(16) else rows
        for day, rows in fleet.readings.items()
    }
    fleet.sites = grown.with_columns(installed_kwp=pl.col("installed_kwp") * fewer)
    lived = live_nights(fleet, days=range(16))
    fleet.sites = grown
    lived = live_nights(fleet, days=range(16, 32), before=lived)
    assert lived.opened() == {}
    ratio = lived.rows["yield_residual"].filter(is_more).select(pl.col("actual_kwh") / pl.col("expected_kwh"))
    assert ratio[-10:].to_series().median() == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize(("ratio", "kinds"), [(1.6, ["capacity-mismatch"]), (1.0, [])])
def test_a_lone_roof_behind_a_limit_is_held_against_its_register_by_its_clear_days(ratio, kinds):
    """Its limit leaves most of its days free, and half of them are clear: no roof may have any capacity then."""
    fleet = yield_fleet.make(
        4, {"ALONE": {"planes_known": 1.0, "limit": "limited"}}, {}, first=date(2026, 6, 1), days=26,
        climate="mediterranean",
    )  # fmt: skip
    more = pl.col("installed_kwp") * ratio
    fleet.sites = fleet.sites.with_columns(installed_kwp=more, inverter_kw=pl.lit(None, pl.Float64))
    opened = yield_fleet.live_nights(fleet).opened()
    assert [row["kind"] for row in opened.values()] == kinds
