"""Roofs that are registered with a multiple of their modules, lived through by the engine under the simulator's sky."""

import math
from datetime import date

import polars as pl
import pytest

from tests.support import yield_fleet


@pytest.mark.parametrize("beside", [0, 4])
def test_ten_times_the_modules_are_told_as_such_where_the_inverters_rating_fits_the_true_roof(beside):
    """A slip of the decimal point: cut at the rating, ten times the roof would not look like much more than it."""
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
