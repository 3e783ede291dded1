"""Capacities told from the shape of days, under the simulator's sky and transposition, which are not the engine's."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from detectors.yields import half_hours, shape_capacity
from tests.support import yield_fleet

DAYS = 30
# Of unknown planes, one of them split over two roofs that look opposite ways.
UNKNOWN = {f"U{n}": {"planes_known": 0.0} for n in range(6)} | {
    "SPLIT": {"planes_known": 0.0, "planes": 2, "opposite": True}
}


@pytest.fixture(scope="module")
def lived():
    needs = {**{f"R{n}": {"planes_known": 1.0} for n in range(5)}, **UNKNOWN}
    roofs = yield_fleet.make(31, needs, {}, first=date(2026, 3, 20), days=DAYS)
    return roofs, yield_fleet.live_nights(roofs)


def _of(lived, site_id, ratio, **more):
    """The shape of the site's days held against a register with `ratio` times its modules."""
    roofs, nights = lived
    site = roofs.sites.filter(site_id=site_id)
    days = half_hours.lay(nights.rows["yield_half_hours"].filter(site_id=site_id), site)
    is_out = more.get("is_out", np.zeros(len(days.day), dtype=bool))
    model = nights.rows["roof_model"].filter(site_id=site_id).sort("day").row(-1, named=True)
    return shape_capacity.of_days(days, ratio * site["installed_kwp"][0], model["peak_w"], -model["tie"], is_out)


@pytest.mark.parametrize("site_id", UNKNOWN)
def test_a_right_register_is_not_contradicted(lived, site_id):
    assert _of(lived, site_id, 1.0).log_ratio < 3


def test_most_registers_that_are_off_by_half_are_contradicted_and_the_capacity_is_found(lived):
    for ratio in (1.8, 0.55):
        found = [_of(lived, site_id, ratio) for site_id in UNKNOWN]
        assert sum(one.log_ratio > 6.1 for one in found) >= 4
        assert np.median([one.level for one in found]) == pytest.approx(-np.log(ratio), abs=0.15)


def test_a_few_days_have_no_shape(lived):
    out = np.arange(DAYS) >= shape_capacity.MIN_DAYS - 1
    roofs, nights = lived
    rows = nights.rows["yield_half_hours"].filter(pl.col("day") < roofs.day(shape_capacity.MIN_DAYS - 1))
    short = roofs, yield_fleet.Lived({**nights.rows, "yield_half_hours": rows})
    assert out.any() and _of(short, "U0", 1.8) is None


def test_days_of_a_fall_do_not_count_beside_days_enough_before_it(lived):
    """A string that went halfway through the span is no capacity that never was."""
    roofs, nights = lived
    since = roofs.day(DAYS // 2)
    halved = pl.when(pl.col("day") >= since).then(pl.col("power_w").list.eval(pl.element() // 2)).otherwise("power_w")
    rows = nights.rows["yield_half_hours"].with_columns(power_w=halved)
    fallen = roofs, yield_fleet.Lived({**nights.rows, "yield_half_hours": rows})
    is_out = rows.filter(site_id="U0").sort("day")["day"].to_numpy() >= np.datetime64(since)
    assert (~is_out).sum() >= shape_capacity.MIN_DAYS
    healthy, all_days = (_of(fallen, "U0", 1.0, is_out=one).level for one in (is_out, np.zeros(len(is_out), bool)))
    assert healthy == pytest.approx(_of(lived, "U0", 1.0, is_out=is_out).level)
    assert all_days < healthy - 0.1


def test_the_engine_tells_it_to_watch_though_roofs_that_face_away_make_as_little():
    """Three eighths of the registered modules are missing; beside it a roof of unknown planes has all of its own."""
    needs = {**{f"R{n}": {"planes_known": 1.0} for n in range(5)}, "LESS": {"planes_known": 0.0}}
    roofs = yield_fleet.make(37, {**needs, "WELL": {"planes_known": 0.0}}, {}, first=date(2026, 4, 10), days=20)
    more = pl.when(pl.col("site_id") == "LESS").then(1.6).otherwise(1.0)
    roofs.sites = roofs.sites.with_columns(installed_kwp=pl.col("installed_kwp") * more)
    opened = yield_fleet.live_nights(roofs).opened()
    assert set(opened) == {"LESS"}
    assert (opened["LESS"]["kind"], opened["LESS"]["is_sure"]) == ("capacity-mismatch", False)
    assert np.exp(opened["LESS"]["after"]) == pytest.approx(1 / 1.6, abs=0.12)
