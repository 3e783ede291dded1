"""A lost input: named where inputs are measured, told by its size where they are not, and what only looks like one."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.finding import Finding
from detectors.yields import hourly
from detectors.yields.site_model import MODEL
from detectors.yields.string_loss import detect
from tests.support import build, simulate_hours
from tests.support.looked import looked

FIRST = date(2025, 5, 1)
LAST = FIRST + timedelta(days=39)
BROKE = LAST - timedelta(days=7)
SHARE = (0.6, 0.4)


@pytest.fixture(scope="module")
def fleet():
    return simulate_hours.fleet(
        6401, latitude=46, first_day=FIRST, count=8, day_count=40, known_share=1.0, level_spread=0.03
    )


def _with(fleet, row, left, *, inputs=True, parts=None):
    """The fleet with what is `left` of a roof's second input (or of all it makes) from BROKE on."""
    mine = pl.col("site_id") == fleet.sites["site_id"][row]
    hit = mine & (pl.col("day") >= BROKE)
    energy = pl.col("pv_w").list.sum() / 1000
    rest = SHARE[0] + SHARE[1] * left if inputs else left
    hours_left = [rest if parts is None else parts[n] for n in range(24)]
    scaled = pl.concat_list([(pl.col("pv_w").list.get(n) * hours_left[n]).cast(pl.Int32) for n in range(24)])
    kept = fleet.kept
    if inputs:
        kept = kept.with_columns(
            pv1_kwh=pl.when(mine).then(energy * SHARE[0]),
            pv2_kwh=pl.when(mine).then(energy * SHARE[1] * pl.when(pl.col("day") >= BROKE).then(left).otherwise(1.0)),
        )
    kept = kept.with_columns(pv_w=pl.when(hit).then(scaled).otherwise("pv_w")).select(hourly.KEPT.names())
    made = kept.select("site_id", "day", made=pl.col("pv_w").list.sum() / 1000)
    days = fleet.days.join(made, on=["site_id", "day"]).with_columns(pv_kwh="made").select(fleet.days.columns)
    return fleet._replace(kept=kept, days=days)


def _say(fleet, day=LAST, **changes):
    seen = looked(fleet.days, fleet.sites, kept=fleet.kept, day=day, **changes)
    return {v.site_id: v for v in detect(seen, fleet.days, day) if isinstance(v, Finding)}


def test_a_dead_input_is_named_with_its_share_and_its_day(fleet):
    broken = _with(fleet, 2, 0.0)
    mine = fleet.sites["site_id"][2]
    said = _say(broken)
    assert list(said) == [mine]
    found = said[mine]
    assert found.evidence["input_name"] == "pv2"
    assert found.value == pytest.approx(40, abs=1)
    assert found.since == BROKE
    made = broken.days.filter((pl.col("site_id") == mine) & (pl.col("day") == LAST))["pv_kwh"].item()
    assert found.loss_kwh == pytest.approx(made / 0.6 * 0.4, rel=0.03)
    assert mine in _say(broken, day=BROKE + timedelta(days=1))  # two days are enough
    assert _say(broken, day=BROKE) == {}


def test_half_an_input_is_found_and_a_tenth_is_not(fleet):
    assert _say(_with(fleet, 2, 0.5))[fleet.sites["site_id"][2]].value == pytest.approx(20, abs=2)
    assert _say(_with(fleet, 2, 0.9)) == {}
    assert _say(_with(fleet, 2, 1.0)) == {}


def test_an_input_that_never_gave_anything_is_not_connected(fleet):
    whole = _with(fleet, 2, 1.0)
    idle = whole._replace(kept=whole.kept.with_columns(pv3_kwh=pl.when(pl.col("pv1_kwh").is_not_null()).then(0.0)))
    assert _say(idle) == {}


def test_a_remembered_share_still_shows_a_loss_that_fills_the_window(fleet):
    dead = _with(fleet, 2, 0.0)
    kept = dead.kept.filter(pl.col("day") >= BROKE - timedelta(days=1))
    row = {
        "site_id": fleet.sites["site_id"][2],
        "day": FIRST,
        "clear_days": 12,
        "input1_share_pct": 60.0,
        "input2_share_pct": 40.0,
    }
    models = build.frame(MODEL, [row])
    seen = looked(dead.days, dead.sites, kept=kept, models=models, day=LAST)
    assert any(isinstance(v, Finding) for v in detect(seen, dead.days, LAST))


def test_a_third_gone_at_all_hours_is_one_input_of_three(fleet):
    mine = fleet.sites["site_id"][2]
    said = _say(_with(fleet, 2, 1 - 1 / 3, inputs=False))
    assert said[mine].evidence["parts_count"] == 3
    assert said[mine].value == pytest.approx(33, abs=3)
    assert abs((said[mine].since - BROKE).days) <= 1


def test_shade_that_takes_as_much_in_the_afternoon_alone_is_no_string(fleet):
    # Everything after 12:30 solar time is gone, which is somewhat under half of a day.
    noon = [1.0 if n < 12 else 0.12 for n in range(24)]
    assert _say(_with(fleet, 2, 1.0, inputs=False, parts=noon)) == {}


def test_what_is_no_part_of_the_whole_is_left_to_underperformance(fleet):
    assert _say(_with(fleet, 2, 0.58, inputs=False)) == {}
    assert _say(fleet) == {}


def test_doubts_and_missing_days_are_said(fleet):
    mine = fleet.sites["site_id"][2]
    told = build.earlier((mine, "clock-step"), value=-300.0)
    broken = _with(fleet, 2, 0.0)
    seen = looked(broken.days, broken.sites, kept=broken.kept, earlier=told, day=LAST)
    (said,) = [v for v in detect(seen, broken.days, LAST) if v.site_id == mine]
    assert said.reason == "clock is known to be wrong"
    gone = broken.kept.filter((pl.col("site_id") != mine) | (pl.col("day") < LAST))
    seen = looked(broken.days, broken.sites, kept=gone, day=LAST)
    (said,) = [v for v in detect(seen, broken.days, LAST) if v.site_id == mine]
    assert "dark" in said.reason
    assert np.isfinite(seen.ratio).any()
