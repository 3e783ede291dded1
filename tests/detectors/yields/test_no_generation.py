"""A dark roof among lit ones, and all that looks like one."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.finding import Finding, NotJudged
from detectors.yields.no_generation import detect
from tests.support import build, simulate_hours
from tests.support.looked import looked

FIRST = date(2025, 5, 1)
LAST = FIRST + timedelta(days=29)


@pytest.fixture(scope="module")
def fleet():
    return simulate_hours.fleet(6301, latitude=47, first_day=FIRST, count=8, day_count=30, known_share=1.0)


def _dark(fleet, rows, days_dark=1, left=0.0):
    ids = [fleet.sites["site_id"][n] for n in rows]
    is_it = pl.col("site_id").is_in(ids) & (pl.col("day") > LAST - timedelta(days=days_dark))
    return fleet.days.with_columns(pv_kwh=pl.when(is_it).then(pl.col("pv_kwh") * left).otherwise("pv_kwh"))


def _say(fleet, days, *, earlier=None, sites=None, kept=None):
    told = build.earlier() if earlier is None else earlier
    seen = looked(days, fleet.sites if sites is None else sites, kept=kept, earlier=told, day=LAST)
    return {v.site_id: v for v in detect(seen, days, LAST)}


def test_a_dark_roof_under_a_lit_sky_is_found_on_the_first_day(fleet):
    mine = fleet.sites["site_id"][3]
    said = _say(fleet, _dark(fleet, [3]))
    assert list(said) == [mine]
    found = said[mine]
    true = fleet.days.filter((pl.col("site_id") == mine) & (pl.col("day") == LAST))["pv_kwh"].item()
    assert (found.kind, found.unit, found.severity, found.since) == ("no-generation", "kWh", "urgent", LAST)
    assert found.value == pytest.approx(true, rel=0.25)
    assert found.loss_kwh == pytest.approx(found.value)
    assert found.cost == pytest.approx(found.loss_kwh * 0.08)  # nothing is known of the house's share: the lower price
    week = _say(fleet, _dark(fleet, [3], days_dark=7))[mine]
    assert week.since == LAST - timedelta(days=6)


def test_a_weak_roof_is_not_dark(fleet):
    assert _say(fleet, _dark(fleet, [3], left=0.05)) == {}
    assert _say(fleet, fleet.days) == {}


def test_a_street_without_grid_or_under_snow_is_not_judged(fleet):
    said = _say(fleet, _dark(fleet, [1, 2, 3, 4]))
    assert {type(v) for v in said.values()} == {NotJudged}
    assert "street" in said[fleet.sites["site_id"][3]].reason


def test_alone_it_takes_two_black_days_after_lit_ones(fleet):
    mine = pl.col("site_id") == fleet.sites["site_id"][3]
    one = fleet._replace(days=fleet.days.filter(mine), sites=fleet.sites.filter(mine))
    assert [type(v) for v in _say(one, _dark(one, [0], 1)).values()] == [NotJudged]
    (found,) = _say(one, _dark(one, [0], 2)).values()
    assert isinstance(found, Finding)
    assert found.severity == "soon"
    assert found.value > 0
    # A roof that never yet ran is being built.
    never = one.days.with_columns(pv_kwh=pl.lit(0.0))
    assert not any(isinstance(v, Finding) for v in _say(one, never).values())
    # The darkest day of the invented weather is far from black.
    assert not any(isinstance(v, Finding) for v in _say(one, _dark(one, [0], 2, left=0.1)).values())


def test_gaps_doubts_and_dark_days_are_said(fleet):
    mine = fleet.sites["site_id"][3]
    dark = _dark(fleet, [3])
    last = (pl.col("site_id") == mine) & (pl.col("day") == LAST)
    part = dark.with_columns(pv_coverage_pct=pl.when(last).then(70.0).otherwise("pv_coverage_pct"))
    assert "70 %" in _say(fleet, part)[mine].reason
    assert "no readings" in _say(fleet, dark.filter(~last))[mine].reason
    assert "clock" in _say(fleet, dark, earlier=build.earlier((mine, "clock-drift")))[mine].reason
    gloom = dark.with_columns(
        pv_kwh=pl.when(pl.col("day") == LAST).then(pl.col("pv_kwh") * 0 + 0.12).otherwise("pv_kwh")
    )
    gloom = gloom.with_columns(pv_kwh=pl.when(last).then(0.0).otherwise("pv_kwh"))
    assert not isinstance(_say(fleet, gloom)[mine], Finding)
    unwatched = fleet.sites.with_columns(watched=pl.col("site_id") != mine)
    assert _say(fleet, dark, sites=unwatched) == {}


def test_snow_after_a_day_that_was_dark_for_all_is_waited_for():
    first = date(2025, 12, 1)
    last = first + timedelta(days=29)
    fleet = simulate_hours.fleet(6302, latitude=50, first_day=first, count=8, day_count=30, known_share=1.0)
    mine = fleet.sites["site_id"][3]
    fell = pl.col("day") == last - timedelta(days=2)
    lies = (pl.col("site_id") == mine) & (pl.col("day") > last - timedelta(days=2))
    days = fleet.days.with_columns(pv_kwh=pl.when(fell | lies).then(0.0).otherwise("pv_kwh"))
    told = {v.site_id: v for v in detect(looked(days, fleet.sites, day=last), days, last)}
    assert "snow" in told[mine].reason
    # The same in a warm spell by its own thermometer is a fault.
    warm = fleet.kept.with_columns(ambient_temp_c=pl.lit(14.0))
    told = {v.site_id: v for v in detect(looked(days, fleet.sites, kept=warm, day=last), days, last)}
    assert isinstance(told[mine], Finding) or "dark" in told[mine].reason
    assert np.isfinite(fleet.days["pv_kwh"].to_numpy()).all()


def test_the_first_uneven_day_after_snow_is_waited_for_too():
    """Some roofs have slid free, some half: the day compares nobody, and a roof still covered is not yet a dead one."""
    first = date(2025, 12, 1)
    last = first + timedelta(days=29)
    fleet = simulate_hours.fleet(6302, latitude=50, first_day=first, count=9, day_count=30, known_share=1.0)
    names = fleet.sites["site_id"].to_list()
    left = {names[3]: 0.0, **dict.fromkeys(names[5:9], 0.3)}
    factor = pl.col("site_id").replace_strict(left, default=1.0, return_dtype=pl.Float64)
    days = fleet.days.with_columns(
        pv_kwh=pl.when(pl.col("day") == last)
        .then(pl.col("pv_kwh") * factor)
        .when(pl.col("day") == last - timedelta(days=1))
        .then(0.01)
        .otherwise("pv_kwh")
    )
    seen = looked(days, fleet.sites, day=last)
    assert np.isnan(seen.ratio[3, -1])
    told = {v.site_id: v for v in detect(seen, days, last)}
    assert "snow" in told[names[3]].reason
    # Without a fall the same dark roof is found on its first day.
    lit = days.with_columns(
        pv_kwh=pl.when(pl.col("day") == last - timedelta(days=1)).then(fleet.days["pv_kwh"]).otherwise("pv_kwh")
    )
    even = lit.with_columns(
        pv_kwh=pl.when(pl.col("site_id").is_in(names[5:9])).then(fleet.days["pv_kwh"]).otherwise("pv_kwh")
    )
    told = {v.site_id: v for v in detect(looked(even, fleet.sites, day=last), even, last)}
    assert isinstance(told[names[3]], Finding)
