"""The net: quiet on healthy fleets, and it names what is strange where nobody else has a say."""

from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl
import pytest

from detectors.battery.unmet import UNMET_DAYS
from detectors.finding import Finding, NotJudged
from detectors.yields.records import RESIDUAL
from detectors.yields.unexplained import detect
from tests.support import build, simulate_hours

FIRST = date(2025, 4, 10)
LAST = FIRST + timedelta(days=49)


@pytest.fixture(scope="module")
def fleet():
    healthy = simulate_hours.fleet(6601, latitude=45, first_day=FIRST, count=10, day_count=50, known_share=1.0)
    rng = np.random.default_rng(6601)
    load = rng.lognormal(2.2, 0.25, healthy.days.height)
    days = healthy.days.with_columns(
        load_kwh=pl.Series(load), import_kwh=pl.Series(load * rng.uniform(0.3, 0.5, len(load)))
    )
    return healthy._replace(days=days)


def _unmet(fleet, hit=None, pauses=0) -> pl.DataFrame:
    """Batteries that leave a tenth to the grid; where `hit` holds, most of it. `pauses`: an expression of theirs."""
    rng = np.random.default_rng(6602)
    ratio = pl.Series(rng.uniform(0.0, 0.2, fleet.days.height))
    rows = fleet.days.select("site_id", "day", unmet_ratio=ratio).with_columns(pauses=pauses)
    if hit is not None:
        rows = rows.with_columns(unmet_ratio=pl.when(hit).then(0.6).otherwise("unmet_ratio"))
    return rows.cast(UNMET_DAYS)


class _Fleet(NamedTuple):
    sites: pl.DataFrame


class _Night(NamedTuple):
    """What the net asks of the night: the sites, doubts and snow."""

    fleet: _Fleet
    doubts: dict
    spell_days: np.ndarray
    is_cold: np.ndarray


def _say(fleet, day=LAST, earlier=None, snow=0, unmet=None):
    told = build.earlier() if earlier is None else earlier
    sites = fleet.sites.sort("site_id")
    rng = np.random.default_rng(1)
    days = fleet.days.filter(pl.col("day") <= day)
    levels = days.select("site_id", "day").with_columns(x=pl.Series(rng.normal(0, 0.05, days.height)))
    missing = [pl.lit(None, kind).alias(name) for name, kind in RESIDUAL.items() if name not in levels.columns]
    night = _Night(_Fleet(sites), {}, np.full(sites.height, snow), np.zeros(sites.height, dtype=bool))
    residuals = levels.with_columns(missing).select(RESIDUAL.names())
    battery = (_unmet(fleet) if unmet is None else unmet).filter(pl.col("day") <= day)
    return detect(night, residuals, fleet.kept.filter(pl.col("day") <= day), days, battery, told, day)


def _lately(fleet, day_count=5):
    return (pl.col("site_id") == fleet.sites["site_id"][2]) & (pl.col("day") > LAST - timedelta(days=day_count))


def _found(said):
    return [v for v in said if isinstance(v, Finding)]


def test_a_healthy_fleet_is_left_in_peace(fleet):
    for back in range(0, 24, 3):
        assert _found(_say(fleet, LAST - timedelta(days=back))) == []


def test_a_battery_that_gives_and_rests_in_turn_is_watched_with_what_set_it_off(fleet):
    (found,) = _found(_say(fleet, unmet=_unmet(fleet, _lately(fleet))))
    assert found.site_id == fleet.sites["site_id"][2]
    assert (found.severity, found.kind) == ("watch", "unexplained")
    assert 0.999 <= found.value <= 1
    assert "unmet" in found.evidence["features_text"]
    assert "import while the battery had charge" in found.summary


def test_days_that_tell_nothing_lie_between(fleet):
    gap = _lately(fleet) & (pl.col("day").dt.day() % 2 == LAST.day % 2 - 1)
    unmet = _unmet(fleet, _lately(fleet, 8)).with_columns(unmet_ratio=pl.when(~gap).then("unmet_ratio"))
    assert [v.site_id for v in _found(_say(fleet, unmet=unmet))] == [fleet.sites["site_id"][2]]


def test_what_people_do_raises_nothing(fleet):
    """All of a sudden the house takes six times as much, all of it from the grid: a guest, a car, a holiday's end."""
    hit = _lately(fleet)
    days = fleet.days.with_columns(load_kwh=pl.when(hit).then(pl.col("load_kwh") * 6).otherwise("load_kwh"))
    days = days.with_columns(import_kwh=pl.when(hit).then(pl.col("load_kwh")).otherwise("import_kwh"))
    assert _found(_say(fleet._replace(days=days))) == []
    (found,) = _found(_say(fleet._replace(days=days), unmet=_unmet(fleet, hit)))
    assert "consumption" in found.summary  # it stands beside what the equipment shows


def test_a_weekend_is_not_enough_and_what_others_explain_is_theirs(fleet):
    assert not _found(_say(fleet, unmet=_unmet(fleet, _lately(fleet, 2))))
    told = build.earlier((fleet.sites["site_id"][2], "battery-at-floor"))
    assert not _found(_say(fleet, earlier=told, unmet=_unmet(fleet, _lately(fleet))))


def test_where_the_fleets_past_is_as_far_out_it_is_not_strange(fleet):
    """Batteries that rest for some days each, now here, now there, make spans of this kind usual."""
    turn = pl.col("day").dt.ordinal_day() + 5 * pl.col("site_id").str.tail(1).cast(pl.Int32)
    others = (pl.col("site_id") != fleet.sites["site_id"][2]) & (turn % 47 < 5)
    rows = _unmet(fleet, _lately(fleet))
    unmet = rows.with_columns(unmet_ratio=pl.when(others).then(0.9).otherwise("unmet_ratio"))
    assert _found(_say(fleet, unmet=unmet)) == []


def test_snow_around_is_said(fleet):
    said = _say(fleet, snow=2, unmet=_unmet(fleet, _lately(fleet)))
    assert not _found(said)
    assert "snow" in {v.reason.code for v in said}


def test_a_short_past_is_said(fleet):
    said = _say(fleet, FIRST + timedelta(days=12))
    assert {type(v) for v in said} == {NotJudged}
    assert "days of past" in said[0].reason


def _at(fleet, *numbers):
    return pl.col("site_id").is_in([fleet.sites["site_id"][n] for n in numbers])


def test_a_battery_that_pauses_is_told_without_a_past_of_its_own(fleet):
    """It has done so since its first day: what no other battery does."""
    pauses = pl.when(_at(fleet, 2)).then(2).otherwise(0)
    (found,) = _found(_say(fleet, FIRST + timedelta(days=4), unmet=_unmet(fleet, pauses=pauses)))
    assert (found.site_id, found.severity, found.value) == (fleet.sites["site_id"][2], "watch", 1.0)
    assert found.evidence["pauses_count"] == 10
    assert "stopped and went on 10 times" in found.summary
    assert not _found(_say(fleet, FIRST + timedelta(days=1), unmet=_unmet(fleet, pauses=pauses)))


def test_a_battery_that_pauses_takes_no_other_sites_place(fleet):
    """One in a hundred sites is told as strange, night after night: what pauses for months is not one of them."""
    pauses = pl.when(_at(fleet, 1)).then(2).otherwise(0)
    found = _found(_say(fleet, unmet=_unmet(fleet, _lately(fleet), pauses=pauses)))
    assert {one.site_id for one in found} == {fleet.sites["site_id"][n] for n in (1, 2)}


def test_where_the_fleets_batteries_pause_it_is_their_way(fleet):
    pauses = pl.when(_at(fleet, 2, 3)).then(2).otherwise(0)
    assert not _found(_say(fleet, unmet=_unmet(fleet, pauses=pauses)))


def test_of_two_sites_that_know_a_figure_the_one_is_not_strange_for_the_other(fleet):
    """The middle of two moves by half of what one of them does."""
    strange, healthy = (fleet.sites["site_id"][n] for n in (0, 1))
    hit = (pl.col("site_id") == strange) & (pl.col("day") > LAST - timedelta(days=5))
    unmet = _unmet(fleet, hit).filter(pl.col("site_id").is_in([strange, healthy]))
    unmet = unmet.with_columns(unmet_ratio=pl.when(hit).then(1.0).otherwise("unmet_ratio"))
    assert [one.site_id for one in _found(_say(fleet, unmet=unmet))] == [strange]
    explained = build.earlier((strange, "battery-at-floor"))
    assert _found(_say(fleet, unmet=unmet, earlier=explained)) == []


def test_a_rest_now_and_then_is_left_in_peace(fleet):
    pauses = pl.when(_at(fleet, 2) & ((LAST - pl.col("day")).dt.total_days() % 2 == 0)).then(1).otherwise(0)
    assert not _found(_say(fleet, unmet=_unmet(fleet, pauses=pauses)))


def test_a_day_on_which_it_was_hardly_asked_for_does_not_clear_it(fleet):
    known = pl.when(_at(fleet, 2)).then(2).otherwise(0)
    pauses = pl.when(_at(fleet, 2) & (pl.col("day") == LAST)).then(None).otherwise(known)
    said = _say(fleet, unmet=_unmet(fleet, pauses=pauses))
    assert not _found(said)
    assert {v.site_id: v.reason.code for v in said} == {fleet.sites["site_id"][2]: "hardly-asked-for"}
    repaired = pl.when(pl.col("day") > LAST - timedelta(days=1)).then(0).otherwise(known)
    assert not _say(fleet, unmet=_unmet(fleet, pauses=repaired))
