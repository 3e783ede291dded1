"""A roof that lags behind its neighbours, and the roofs that only seem to."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from detectors.yields.peer_comparison import compare

from detectors.finding import Finding, NotJudged
from detectors.yields.underperformance import detect
from tests.support import build, simulate
from tests.support.looked import expected, looked

DAYS = 30
SOUTH = {"tilt_deg": 30.0, "azimuth_deg": 180.0}


def _town(first=None, *, factor=1.0, planes=SOUTH, others=6, day_count=DAYS):
    """Equal roofs on changing days, the first one times `factor` (a number or one per day)."""
    rng = np.random.default_rng(31)
    weather = rng.uniform(1.5, 6.0, day_count)
    factors = np.broadcast_to(np.asarray(factor, dtype=float), day_count)
    sites = build.sites(
        {"site_id": "mine", "installed_kwp": 10.0, "feed_in_price": 0.1, **planes, **(first or {})},
        *({"site_id": f"near-{n}", "latitude": 48 + n / 100, "installed_kwp": 6.0, **SOUTH} for n in range(others)),
    )
    scatter = rng.normal(1.0, 0.02, (others + 1, day_count))
    days = pl.concat(
        build.days(*({"site_id": name, "pv_kwh": kwh, "feed_in_kwh": 0.25 * kwh} for kwh in energies))
        for name, energies in zip(
            sites["site_id"],
            [weather * factors * 10 * scatter[0], *(weather * 6 * row for row in scatter[1:])],
            strict=True,
        )
    )
    return days, sites


def _mine(days, sites, *, earlier=(), minutes=1.0, day=build.DAY):
    told = build.earlier(*earlier, value=minutes)
    verdicts = detect(looked(days, sites, earlier=told, day=day), days, told, day)
    return [verdict for verdict in verdicts if verdict.site_id == "mine"]


def test_a_third_less_than_the_neighbours_is_found_with_its_loss():
    days, sites = _town(factor=0.65)
    (found,) = _mine(days, sites)
    assert (found.kind, found.severity, found.unit, found.threshold) == (
        "underperformance", "soon", "%", pytest.approx(20.0),
    )  # fmt: skip
    assert found.value == pytest.approx(35, abs=2.5)
    actual = days.filter((pl.col("site_id") == "mine") & (pl.col("day") == build.DAY))["pv_kwh"].item()
    assert found.loss_kwh == pytest.approx(actual * 0.35 / 0.65, rel=0.1)
    # a quarter was fed in: 0.75 x 0.30 + 0.25 x 0.10
    assert found.cost == pytest.approx(found.loss_kwh * 0.25)
    assert found.evidence["neighbours_count"] == 6
    assert found.since == build.DAY - timedelta(days=DAYS - 1)
    assert {(one.name, one.role) for one in found.series} >= {("actual", "measured"), ("expected", "expected")}


def test_its_neighbours_are_left_in_peace_and_a_tenth_less_is_no_fault():
    days, sites = _town(factor=0.65)
    verdicts = detect(looked(days, sites), days, build.earlier(), build.DAY)
    assert [verdict.site_id for verdict in verdicts] == ["mine"]
    assert _mine(*_town(factor=0.88)) == []


def test_a_drop_against_its_own_past_is_found_above_the_level_of_a_fault():
    # From 10 % better than its neighbours to 15 % worse: a fifth and more of its own is gone.
    factor = [1.10] * (DAYS - 8) + [0.84] * 8
    (found,) = _mine(*_town(factor=factor))
    assert found.threshold == pytest.approx(7.0)
    assert found.since == build.DAY - timedelta(days=7)
    assert _mine(*_town(factor=0.84)) == []


def test_a_few_bad_days_with_recovery_are_no_fault():
    assert _mine(*_town(factor=[1.0] * (DAYS - 9) + [0.3] * 6 + [1.0] * 3)) == []
    assert _mine(*_town(factor=[1.0] * (DAYS - 4) + [0.3] * 4)) == []
    assert len(_mine(*_town(factor=[1.0] * (DAYS - 6) + [0.3] * 6))) == 1


def test_an_east_roof_that_makes_what_an_east_roof_makes_is_sound():
    first = date(2025, 9, 20)
    fleet = simulate.cluster(
        4201, latitude=51, first_day=first, day_count=45, faulty_share=0, known_share=1.0, count=14
    )
    is_turned = fleet.truth["turn_deg"].abs() > 70
    assert is_turned.sum() > 1
    for n in range(20, 45, 4):
        seen = looked(fleet.days, fleet.sites, planes=fleet.planes, day=first + timedelta(days=n))
        verdicts = detect(seen, fleet.days, build.earlier(), first + timedelta(days=n))
        assert [v for v in verdicts if isinstance(v, Finding)] == []
    # The planes are what clears it: claimed to face south, the steepest would miss a third and more of each clear day.
    row = int(
        fleet.sites.with_columns(turned=is_turned).select(pl.col("tilt_deg") * pl.col("turned")).to_series().arg_max()
    )
    claimed = fleet.sites.with_columns(
        azimuth_deg=pl.when(pl.int_range(pl.len()) == row).then(180.0).otherwise("azimuth_deg")
    )
    for sites, low, high in ((fleet.sites, 0.85, 1.15), (claimed, 0.3, 0.67)):
        seen = compare(fleet.days, sites, fleet.planes, last_day=first + timedelta(days=44))
        is_clear = seen.sky_ratio[row] > 0.9
        assert is_clear.sum() >= 5
        assert low < np.nanmedian(seen.ratio[row, 0, is_clear]) < high


def test_an_unknown_roof_is_given_the_benefit_of_the_doubt_until_no_roof_explains_it():
    unknown = {"tilt_deg": None, "azimuth_deg": None}
    assert _mine(*_town(factor=0.75, planes=unknown)) == []
    (found,) = _mine(*_town(factor=0.45, planes=unknown))
    assert found.evidence["orientation_text"].startswith("unknown")
    # 55 % below a south roof; in June a half-turned shallow roof makes the least of the plausible ones.
    assert 25 < found.value < 50
    (found,) = _mine(*_town(factor=[1.0] * (DAYS - 8) + [0.6] * 8, planes=unknown))
    assert found.since == build.DAY - timedelta(days=7)


def test_a_dead_roof_is_missing_everything():
    (found,) = _mine(*_town(factor=[1.0] * (DAYS - 6) + [0.0] * 6))
    assert next(one for one in found.series if one.name == "site").values[-1] == 0.0
    assert found.cost == pytest.approx(found.loss_kwh * 0.1)  # its own share is unknown: the lower price


def test_what_keeps_a_site_from_being_judged_is_said():
    days, sites = _town(factor=0.6)
    last = (pl.col("site_id") == "mine") & (pl.col("day") == build.DAY)

    def reason(days, sites=sites, **knobs):
        (verdict,) = _mine(days, sites, **knobs)
        assert isinstance(verdict, NotJudged)
        return verdict.reason

    assert reason(days, earlier=[("mine", "clock-drift")]) == "clock is known to be wrong"
    assert reason(days.filter(~last)) == "no readings of generation"
    assert "70 %" in reason(days.with_columns(pv_coverage_pct=pl.when(last).then(70.0).otherwise("pv_coverage_pct")))
    assert "2.0 h" in reason(days.with_columns(held_back_h=pl.when(last).then(2.0).otherwise("held_back_h")))
    assert "only 3 of" in reason(days.filter(pl.col("day") > build.DAY - timedelta(days=3)))
    assert "fewer than 3 neighbours" in reason(*_town(factor=0.6, others=2))
    far = sites.with_columns(latitude=pl.when(pl.col("site_id") == "mine").then(49.0).otherwise("latitude"))
    assert "fewer than 3 neighbours" in reason(days, far)
    snow = days.with_columns(pv_kwh=pl.when(pl.col("day") == build.DAY).then(0.2).otherwise("pv_kwh"))
    assert "snow" in reason(snow)


def test_neighbours_with_a_wrong_clock_held_back_or_faulty_have_no_say():
    days, sites = _town(factor=0.65, others=7)
    near = pl.col("site_id").is_in([f"near-{n}" for n in range(2)])
    halved = days.with_columns(pv_kwh=pl.when(near).then(pl.col("pv_kwh") * 0.5).otherwise("pv_kwh"))
    (found,) = _mine(halved, sites)
    assert found.value == pytest.approx(35, abs=3)
    assert found.evidence["neighbours_count"] == 5
    held = days.with_columns(held_back_h=pl.when(near).then(3.0).otherwise("held_back_h"))
    assert _mine(held, sites)[0].evidence["neighbours_count"] == 5
    wrong = [(f"near-{n}", "clock-step") for n in range(5)]
    assert isinstance(_mine(days, sites, earlier=wrong, minutes=-300.0)[0], NotJudged)
    # An hour's error leaves the day's energy as it is: such a site is not judged, but may be asked.
    assert isinstance(_mine(days, sites, earlier=wrong, minutes=60.0)[0], Finding)
    drifting = [(site_id, "clock-drift") for site_id, _ in wrong]
    assert isinstance(_mine(days, sites, earlier=drifting, minutes=60.0)[0], NotJudged)


def test_a_lagging_neighbour_is_heard_where_the_sound_ones_are_too_few():
    def with_odd_neighbour(factor):
        days, sites = _town(others=3)
        is_odd = pl.col("site_id") == "near-0"
        return days.with_columns(pv_kwh=pl.when(is_odd).then(pl.col("pv_kwh") * factor).otherwise("pv_kwh")), sites

    assert _mine(*with_odd_neighbour(0.6)) == []
    # One that makes far too much, as with a peak capacity registered too low, would blame its neighbours.
    assert isinstance(_mine(*with_odd_neighbour(1.6))[0], NotJudged)


def test_the_site_days_expectation_follows_the_same_doubts():
    days, sites = _town(factor=0.65)
    told = expected(
        days, sites, build.planes(), build.earlier(("near-0", "clock-step"), ("near-1", "unexpected-export"))
    )
    today = {row["site_id"]: row for row in told.filter(pl.col("day") == build.DAY).iter_rows(named=True)}
    assert today["mine"]["performance_pct"] == pytest.approx(65, abs=5)
    assert today["near-0"]["expected_kwh"] is None
    assert today["near-1"]["expected_kwh"] > 0
    assert expected(days, sites, build.planes())["expected_kwh"].null_count() == 0


def test_an_unwatched_site_is_a_neighbour_but_raises_nothing():
    days, sites = _town(factor=0.6)
    sites = sites.with_columns(watched=pl.col("site_id") != "mine")
    assert _mine(days, sites) == []


def test_later_days_change_nothing():
    days, sites = _town(factor=[0.65] * (DAYS - 5) + [1.0] * 5)
    day = build.DAY - timedelta(days=5)
    assert _mine(days, sites, day=day) == _mine(days.filter(pl.col("day") <= day), sites, day=day)


@pytest.mark.parametrize("kind", ["no-generation", "string-loss", "capacity-mismatch"])
def test_what_tells_the_same_and_its_cause_speaks_alone(kind):
    days, sites = _town(factor=0.65)
    assert _mine(days, sites, earlier=[("mine", kind)]) == []
    assert [verdict.site_id for verdict in _mine(days, sites, earlier=[("near-0", kind)])] == ["mine"]
