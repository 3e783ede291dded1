"""The net: quiet on sound fleets, and it names what is strange where nobody else has a say."""

from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl
import pytest

from detectors.finding import Finding, NotJudged
from detectors.yields.records import RESIDUAL
from detectors.yields.unexplained import detect
from tests.support import build, simulate_hours

FIRST = date(2025, 4, 10)
LAST = FIRST + timedelta(days=49)


@pytest.fixture(scope="module")
def fleet():
    sound = simulate_hours.fleet(6601, latitude=45, first_day=FIRST, count=10, day_count=50, known_share=1.0)
    rng = np.random.default_rng(6601)
    load = rng.lognormal(2.2, 0.25, sound.days.height)
    days = sound.days.with_columns(
        load_kwh=pl.Series(load), import_kwh=pl.Series(load * rng.uniform(0.3, 0.5, len(load)))
    )
    return sound._replace(days=days)


class _Fleet(NamedTuple):
    sites: pl.DataFrame


class _Night(NamedTuple):
    """What the net asks of the night: the sites, doubts and snow."""

    fleet: _Fleet
    doubts: dict
    spell_days: np.ndarray
    is_cold: np.ndarray


def _say(fleet, day=LAST, earlier=None, snow=0):
    told = build.earlier() if earlier is None else earlier
    sites = fleet.sites.sort("site_id")
    rng = np.random.default_rng(1)
    days = fleet.days.filter(pl.col("day") <= day)
    levels = days.select("site_id", "day").with_columns(x=pl.Series(rng.normal(0, 0.05, days.height)))
    missing = [pl.lit(None, kind).alias(name) for name, kind in RESIDUAL.items() if name not in levels.columns]
    night = _Night(_Fleet(sites), {}, np.full(sites.height, snow), np.zeros(sites.height, dtype=bool))
    residuals = levels.with_columns(missing).select(RESIDUAL.names())
    return detect(night, residuals, fleet.kept.filter(pl.col("day") <= day), days, told, day)


def _strange(fleet, day_count=5):
    """All of a sudden the house takes three times as much, all of it from the grid."""
    mine = fleet.sites["site_id"][2]
    hit = (pl.col("site_id") == mine) & (pl.col("day") > LAST - timedelta(days=day_count))
    days = fleet.days.with_columns(load_kwh=pl.when(hit).then(pl.col("load_kwh") * 6).otherwise("load_kwh"))
    return fleet._replace(
        days=days.with_columns(import_kwh=pl.when(hit).then(pl.col("load_kwh") * 1.4).otherwise("import_kwh"))
    )


def test_a_sound_fleet_is_left_in_peace(fleet):
    for back in range(0, 24, 3):
        assert [v for v in _say(fleet, LAST - timedelta(days=back)) if isinstance(v, Finding)] == []


def test_what_is_strange_for_days_is_watched_with_what_set_it_off(fleet):
    findings = [v for v in _say(_strange(fleet)) if isinstance(v, Finding)]
    assert [v.site_id for v in findings] == [fleet.sites["site_id"][2]]
    (found,) = findings
    assert (found.severity, found.kind) == ("watch", "unexplained")
    assert 0.5 < found.value <= 1
    assert "load" in found.evidence["features_text"]
    assert "consumption" in found.summary


def test_a_weekend_is_not_enough_and_what_others_explain_is_theirs(fleet):
    assert not [v for v in _say(_strange(fleet, 2)) if isinstance(v, Finding)]
    told = build.earlier((fleet.sites["site_id"][2], "battery-at-floor"))
    assert not [v for v in _say(_strange(fleet), earlier=told) if isinstance(v, Finding)]


def test_snow_around_is_said(fleet):
    said = _say(_strange(fleet), snow=2)
    assert not [v for v in said if isinstance(v, Finding)]
    assert "snow" in {v.reason.code for v in said}


def test_a_short_past_is_said(fleet):
    said = _say(fleet, FIRST + timedelta(days=12))
    assert {type(v) for v in said} == {NotJudged}
    assert "days of past" in said[0].reason
