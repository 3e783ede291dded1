"""Slides told from steps, seasons and scatter, on levels with a known course."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from detectors.frames import DAYS
from detectors.yields import records, soiling
from tests.support import build
from tests.support.bright_day import AZIMUTHS, night_of
from tests.support.bright_day import DAY as ON

DAY = np.arange(soiling.DAYS)
DUE = np.full(soiling.DAYS, 20.0)


def _noise(seed, sigma=0.02):
    return np.random.default_rng(seed).normal(0, sigma, soiling.DAYS)


@pytest.mark.parametrize("per_month", [0.05, 0.10])
def test_a_slide_is_told_with_its_rate(per_month):
    found = soiling.find(np.log(1 - per_month) * DAY / 30 + _noise(1), DUE)
    assert found is not None
    assert found.per_month_pct == pytest.approx(per_month * 100, abs=1.5)
    assert found.usual_kwh == 20.0
    assert found.lost_kwh == pytest.approx(20 * (1 - (1 - per_month) ** (39 / 30)), rel=0.2)
    cloudy = np.append(DUE[:-1], 5.0)
    again = soiling.find(np.log(1 - per_month) * DAY / 30 + _noise(1), cloudy)
    assert again is not None and again.lost_kwh == pytest.approx(found.lost_kwh / 4)  # of what that day could give


def test_a_roof_that_was_washed_slides_no_more():
    slide = np.log(0.88) * DAY / 30 + _noise(3, 0.01)
    assert soiling.find(slide, DUE) is not None
    washed = slide.copy()
    washed[-4:] = _noise(4, 0.01)[:4]
    assert soiling.find(washed, DUE) is None


@pytest.mark.parametrize(
    "course",
    [
        np.zeros(40),
        np.log(0.99) * DAY / 30,  # common soiling
        np.where(DAY < 25, 0.0, -0.2),  # a step
        np.where(DAY < 27, -0.1 * DAY / 27, 0.0),  # rain
        np.where(DAY < 20, -0.08 * DAY / 20, -0.08),  # a slide that stopped
        0.1 * DAY / 30,
    ],
)
def test_what_is_no_slide_is_left_alone(course):
    assert soiling.find(course + _noise(2), DUE) is None


def test_scatter_and_gaps_hide_a_slide_rather_than_make_one():
    assert all(soiling.find(_noise(seed, 0.15), DUE) is None for seed in range(30))
    known = np.where(DAY % 2 == 0, -0.1 * DAY / 30, np.nan)
    assert soiling.find(known, DUE) is None


def test_an_inverter_of_unknown_rating_may_clip_a_roof_that_never_showed_its_capacity():
    """A higher sun then costs more from week to week, which is no dirt."""
    known, *others = ({"site_id": name, "installed_kwp": 5.0, "inverter_kw": kw} for name, kw in
                      (("a", 3.0), ("b", None), ("c", None), ("d", None)))  # fmt: skip
    told = soiling.may_clip(build.sites(known, *others), np.array([3000.0, 3000.0, 4000.0, np.nan]))
    assert told.tolist() == [False, True, False, True]


def test_what_registered_neighbours_lose_together_is_no_soiling_of_one():
    slide, shared = np.log(0.93) * DAY / 30, np.log(0.95) * DAY / 30
    x = np.stack([slide + shared, shared, shared, shared, 5 * shared]) + np.stack([_noise(n) for n in range(5)])
    near = np.array([[1, 2, 3, 4], [0, 2, 3, 4], [0, 1, -1, -1], [0, 1, 2, 4], [0, 1, 2, 3]])
    is_known = np.array([True, True, True, True, False])  # nobody knows the last one's planes
    told, alike = soiling.beside_neighbours(x, near, is_known)
    found = soiling.find(told[0], DUE, float(alike[0]))
    assert found is not None and found.per_month_pct == pytest.approx(7.0, abs=1.5)
    assert soiling.find(x[1], DUE) is not None and soiling.find(told[1], DUE) is None
    assert np.isnan(told[2]).all()  # two neighbours are too few


def test_a_slide_within_the_scatter_of_the_neighbours_slides_is_chance():
    rates = np.array([-0.05, -0.03, 0.03, -0.01, 0.01])[:, None]
    near = np.array([[m for m in range(5) if m != n] for n in range(5)])
    quiet = np.stack([_noise(n, 0.01) for n in range(5)])
    found = []
    for scale in (1.0, 0.1):  # the others' rates alone
        x = rates * np.where(np.arange(5)[:, None] > 0, scale, 1.0) * DAY / 30 + quiet
        told, alike = soiling.beside_neighbours(x, near, np.ones(5, dtype=bool))
        found.append(soiling.find(told[0], DUE, float(alike[0])))
    assert found[0] is None and found[1] is not None


def test_young_neighbours_are_held_against_their_own_days():
    """Of 27 days known the first third are nine, not what lies in the first third of forty."""
    x = np.stack([0.1 + _noise(n, 0.01) for n in range(5)])
    x[:, :13] = np.nan
    x[:, 13] = np.array([0.1, 0.4, 0.4, 0.4, 0.4])  # their first day is a freak one
    near = np.array([[m for m in range(5) if m != n] for n in range(5)])
    told, alike = soiling.beside_neighbours(x, near, np.ones(5, dtype=bool))
    assert soiling.find(told[0], DUE, float(alike[0])) is None
    assert np.nanmax(np.abs(told[0] - x[0])) < 0.03
    x[0] += np.log(0.88) * DAY / 30
    told, alike = soiling.beside_neighbours(x, near, np.ones(5, dtype=bool))
    assert soiling.find(told[0], DUE, float(alike[0])) is not None


@pytest.mark.parametrize(("cold_days", "spell_days", "is_told"), [(0, 0, True), (20, 0, False), (0, 20, False)])
def test_snow_that_stays_longer_on_one_roof_is_no_soiling(cold_days, spell_days, is_told):
    """A slide beside four roofs that hold, on whose first days it may have been snow, or for sure was."""
    night = night_of()
    course = {name: (np.log(0.85) * DAY / 30 if name == "street" else 0 * DAY) + _noise(len(name), 0.01)
              for name in AZIMUTHS}  # fmt: skip
    rows = build.frame(records.RESIDUAL, [
        {"site_id": name, "day": ON - timedelta(days=int(soiling.DAYS - 1 - n)), "x": float(x[n]), "expected_kwh": 20.0,
         "is_cold": bool(n < cold_days), "spell_days": int(n < spell_days)}
        for name, x in course.items() for n in DAY
    ])  # fmt: skip
    none_open = pl.DataFrame({"site_id": [], "day": []}, schema={"site_id": pl.String, "day": pl.Date})
    found = list(soiling.findings(rows, none_open, night, DAYS.to_frame(), ON))
    assert [one.site_id for one in found] == (["street"] if is_told else [])
    for one in found:
        lost = 20.0 * (1 - 0.85 ** ((soiling.DAYS - 1) / 30))
        assert one.loss_kwh == pytest.approx(lost, rel=0.15)
        assert one.cost == pytest.approx(0.08 * one.loss_kwh)  # nobody knows what it feeds in: the lower price
        assert one.summary.endswith(" EUR.")


def test_what_the_season_takes_from_a_flat_roof_beside_others_is_known():
    """Five neighbours: what is due of the first falls by a tenth beside the others, the last is limited."""
    days = np.arange(soiling.DAYS)
    weather = np.random.default_rng(4).uniform(0.3, 1.0, soiling.DAYS)
    due = np.stack([20 * weather * np.exp(-0.15 * days / days[-1]), *(np.full((3, 1), 15.0) * weather), 2 * weather])
    near = np.array([[n for n in range(5) if n != own] for own in range(5)])
    is_free = np.array([True] * 4 + [False])
    apart = soiling.season_apart(due, near, is_free, np.arange(5))
    assert apart[0] == pytest.approx(0.1, abs=0.02)
    assert soiling.season_apart(due, near[[0]], is_free, np.array([0])) == apart[0]
    assert apart[1:4] == pytest.approx(0.0, abs=0.02) and np.isnan(apart[4])
