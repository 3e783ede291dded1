"""What a town's roofs have in common is the sky's, and what one of them lacks beside it is its own."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from detectors.features import load
from detectors.yields import common_level
from detectors.yields.testing import ODDS
from tests.support import build, yield_fleet

DAY = date(2026, 3, 20)
KM_DEG = 1 / 111.2


def _around(levels, *, fallen=(), apart_km=1.0):
    """What is common around each of so many registered roofs in a row."""
    names = [f"S{n:02d}" for n in range(len(levels))]
    sites = build.sites(
        *({"site_id": one, "latitude": 47 + n * apart_km * KM_DEG, "feed_in_limit_kw": None} for n, one in
          enumerate(names))
    )  # fmt: skip
    schema = load()["roof_model"].schema
    models = build.frame(
        schema, [{"site_id": one, "day": DAY, "level": level} for one, level in zip(names, levels, strict=True)]
    )
    odds = build.frame(pl.Schema(ODDS), [{"site_id": names[n], "day": DAY, "log_odds_fall": 9.0} for n in fallen] or [])
    return common_level.around(sites, models, odds)


def test_what_all_levels_of_a_town_have_in_common_is_found_beside_some_that_are_wrong():
    levels = [0.25] * 9 + [-0.3, -0.15, 0.6]
    assert _around(levels) == pytest.approx(np.full(12, 0.25), abs=0.03)


def test_roofs_that_are_believed_to_have_fallen_do_not_count():
    levels = [0.2, 0.2, 0.2, 0.2, -0.5, -0.5, -0.5, -0.5, -0.5]
    assert (_around(levels)[:4] < -0.2).all()
    assert _around(levels, fallen=range(4, 9))[:4] == pytest.approx(np.full(4, 0.2), abs=0.06)


@pytest.mark.parametrize("levels", [[0.3], [0.3, 0.3], [0.3, -0.3, 0.3]])
def test_of_few_roofs_nobody_can_say_which_is_wrong(levels):
    assert (_around(levels) == 0).all()


def test_roofs_of_another_town_have_nothing_in_common_with_it():
    assert (_around([0.3] * 8, apart_km=80.0) == 0).all()


def test_a_roof_that_only_looks_like_its_register_under_a_sky_clearer_than_the_models_is_told():
    """All light is a fourth more than of the simulator's sky; one of nine roofs has two thirds of its modules."""
    names = ["LESS", *(f"N{n}" for n in range(8))]
    fleet = yield_fleet.make(5, {one: {} for one in names}, {}, first=date(2026, 4, 10), days=16, climate="alpine")
    brighter = pl.col("pv_w") * pl.when(pl.col("site_id") == "LESS").then(0.84).otherwise(1.25)
    fleet.readings = {day: rows.with_columns(pv_w=brighter) for day, rows in fleet.readings.items()}
    fleet.sites = fleet.sites.with_columns(inverter_kw=pl.lit(None, pl.Float64))
    opened = yield_fleet.live_nights(fleet).opened()
    assert set(opened) == {"LESS"}
    assert opened["LESS"]["kind"] == "capacity-mismatch"
    assert np.exp(opened["LESS"]["after"]) == pytest.approx(0.67, abs=0.08)
