"""A size that never fitted the register, and sizes that changed, which are another matter."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.finding import Finding, NotJudged
from detectors.yields.capacity_mismatch import detect
from tests.support import build, simulate_hours
from tests.support.looked import looked

FIRST = date(2025, 4, 10)
LAST = FIRST + timedelta(days=44)


def _fleet(factor, start=0, **knobs):
    factors, from_place = np.ones(9), np.zeros(9, dtype=np.intp)
    factors[4], from_place[4] = factor, start
    return simulate_hours.fleet(
        6501, latitude=45, first_day=FIRST, count=9, day_count=45, factors=factors, from_place=from_place,
        **{"known_share": 1.0, **knobs},
    )  # fmt: skip


def _say(fleet, day=LAST, earlier=None):
    told = build.earlier() if earlier is None else earlier
    seen = looked(fleet.days, fleet.sites, kept=fleet.kept, earlier=told, day=day)
    return {v.site_id: v for v in detect(seen, told, day)}


@pytest.mark.parametrize(("factor", "severity"), [(0.5, "soon"), (0.7, "soon"), (1.5, "watch")])
@pytest.mark.parametrize("known", [1.0, 0.0])
def test_the_size_that_would_fit_is_named(factor, severity, known):
    fleet = _fleet(factor, known_share=known)
    findings = {site: v for site, v in _say(fleet).items() if isinstance(v, Finding)}
    mine = fleet.sites["site_id"][4]
    assert list(findings) == [mine]
    found = findings[mine]
    assert (found.unit, found.severity, found.loss_kwh) == ("kWp", severity, 0.0)
    assert found.value == pytest.approx(fleet.truth["kwp"][4] * factor, rel=0.12)
    assert found.evidence["installed_kwp"] == pytest.approx(fleet.sites["installed_kwp"][4])


def test_a_size_that_fits_within_a_tenth_and_one_that_changed_are_not_told():
    assert not any(isinstance(v, Finding) for v in _say(_fleet(0.9)).values())
    assert not any(isinstance(v, Finding) for v in _say(_fleet(0.6, start=22)).values())
    assert not any(isinstance(v, Finding) for v in _say(_fleet(0.6, start=22), day=LAST - timedelta(days=15)).values())


def test_a_lost_string_or_a_wrong_clock_comes_first():
    fleet = _fleet(0.5)
    mine = fleet.sites["site_id"][4]
    assert mine not in _say(fleet, earlier=build.earlier((mine, "string-loss")))
    assert _say(fleet, earlier=build.earlier((mine, "clock-drift")))[mine].reason == "clock is known to be wrong"


def test_too_few_clear_days_are_said():
    fleet = _fleet(0.5)
    grey = fleet._replace(kept=fleet.kept.with_columns(wander_ratio=pl.lit(2.0)))
    said = _say(grey)
    assert {type(v) for v in said.values()} == {NotJudged}
    assert "0 clear days" in said[fleet.sites["site_id"][4]].reason


def test_a_register_that_turns_the_roof_is_mentioned():
    fleet = _fleet(0.5)
    mine = fleet.sites["site_id"][4]
    other = (fleet.truth["azimuth_deg"][4] + 120) % 360
    turned = fleet.sites.with_columns(
        azimuth_deg=pl.when(pl.col("site_id") == mine).then(other).otherwise("azimuth_deg"),
        tilt_deg=pl.when(pl.col("site_id") == mine).then(30.0).otherwise("tilt_deg"),
    )
    said = _say(fleet._replace(sites=turned))
    if isinstance(said.get(mine), Finding):
        assert said[mine].evidence["orientation_text"].startswith("register says")
