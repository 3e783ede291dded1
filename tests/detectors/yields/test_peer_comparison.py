"""Expected energies from the neighbours: equal roofs, unequal planes, gaps, and a sky of another model."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from detectors.yields.peer_comparison import compare

from tests.support import build, simulate
from tests.support.looked import expected

PLANE = {"tilt_deg": 30.0, "azimuth_deg": 180.0}


def _town(*yields, day_count=12, **site):
    """Roofs a kilometre apart, each with the same yield per kWp on every day."""
    sites = build.sites(
        *(
            {"site_id": f"roof-{n}", "latitude": 48 + n / 111, "installed_kwp": 5.0 + n, **PLANE, **site}
            for n in range(len(yields))
        )
    )
    days = pl.concat(
        build.days(*[{"site_id": f"roof-{n}", "pv_kwh": y * (5.0 + n)}] * day_count) for n, y in enumerate(yields)
    )
    return days, sites


def test_equal_roofs_reach_what_is_expected_whatever_their_size():
    days, sites = _town(4.0, 4.0, 4.0, 4.0)
    told = expected(days, sites, build.planes())
    assert told.columns == ["site_id", "day", "expected_kwh", "performance_pct"]
    assert told.height == days.height
    # a kilometre of latitude changes a clear day in June by some 0.02 %
    assert told["performance_pct"].to_numpy() == pytest.approx(100.0, abs=0.2)
    joined = told.join(days, on=["site_id", "day"])
    assert joined["expected_kwh"].to_numpy() == pytest.approx(joined["pv_kwh"].to_numpy(), rel=0.002)


def test_performance_is_the_ratio_to_the_median_of_the_others():
    days, sites = _town(3.0, 4.0, 4.2, 4.4, 4.6)
    told = expected(days, sites, build.planes()).filter(pl.col("day") == build.DAY)
    # roof-0 stands against 4.0, 4.2, 4.4, 4.6: median 4.3. It lags itself, so roof-1 hears 4.2, 4.4 and 4.6 alone.
    assert told["performance_pct"][0] == pytest.approx(100 * 3.0 / 4.3, rel=0.005)
    assert told["performance_pct"][1] == pytest.approx(100 * 4.0 / 4.4, rel=0.005)


def test_too_few_neighbours_gaps_and_held_back_days_are_null():
    days, sites = _town(4.0, 4.0, 4.0)
    assert expected(days, sites, build.planes())["expected_kwh"].null_count() == days.height
    days, sites = _town(4.0, 4.0, 4.0, 4.0, 4.0)
    first, held = pl.col("site_id") == "roof-0", pl.col("day") == build.DAY
    days = days.with_columns(
        pv_coverage_pct=pl.when(first & ~held).then(80.0).otherwise("pv_coverage_pct"),
        held_back_h=pl.when(first & held).then(2.0).otherwise("held_back_h"),
    )
    told = expected(days, sites, build.planes())
    assert told.filter(pl.col("site_id") == "roof-0")["performance_pct"].null_count() == 12
    assert told.filter(pl.col("site_id") != "roof-0")["performance_pct"].null_count() == 0
    off = build.earlier(("roof-1", "clock-drift"), ("roof-2", "clock-drift"))
    assert expected(days, sites, build.planes(), off)["expected_kwh"].count() == 0


def test_days_before_commissioning_count_for_nobody():
    days, sites = _town(4.0, 4.0, 4.0, 4.0, commissioned_on=build.DAY - timedelta(days=2))
    told = expected(days, sites, build.planes())
    assert told.drop_nulls()["day"].unique().len() == 3


def test_a_dark_day_and_a_day_of_disagreement_are_null():
    days, sites = _town(4.0, 4.0, 4.0, 4.0, 4.0)
    dark = days.with_columns(pv_kwh=pl.when(pl.col("day") == build.DAY).then(0.05).otherwise("pv_kwh"))
    assert expected(dark, sites, build.planes()).filter(pl.col("day") == build.DAY)["expected_kwh"].count() == 0
    odd = pl.col("site_id").is_in(["roof-1", "roof-3"])
    patchy = days.with_columns(
        pv_kwh=pl.when((pl.col("day") == build.DAY) & odd).then(pl.col("pv_kwh") / 4).otherwise("pv_kwh")
    )
    told = expected(patchy, sites, build.planes()).filter(pl.col("day") == build.DAY)
    assert told.filter(pl.col("site_id") == "roof-0")["expected_kwh"].count() == 0


@pytest.mark.parametrize(("latitude", "first_day"), [(50.0, date(2025, 5, 20)), (-33.0, date(2025, 8, 20))])
def test_every_known_roof_reaches_its_expectation_under_another_model_of_the_sky(latitude, first_day):
    fleet = simulate.cluster(
        4101, latitude=latitude, first_day=first_day, day_count=40, faulty_share=0, known_share=1.0, count=12
    )
    told = expected(fleet.days, fleet.sites, fleet.planes).drop_nulls()
    level = told.group_by("site_id").agg(pl.col("performance_pct").median())["performance_pct"].to_numpy()
    assert len(level) == 12
    # The roofs' own quality scatters by 5 %; without the planes' geometry the steep east roofs lie 25 % low.
    assert np.abs(level - 100).max() < 16
    assert np.median(np.abs(level - 100)) < 6


def test_several_planes_count_by_their_share():
    fleet = simulate.cluster(
        4102, latitude=50, first_day=date(2025, 10, 1), day_count=30, faulty_share=0, known_share=1.0, count=9
    )
    ids = fleet.sites["site_id"]
    rows = fleet.sites.select("site_id", pl.col("installed_kwp").alias("kwp"), "tilt_deg", "azimuth_deg")
    halves = pl.concat([rows, rows]).with_columns(kwp=pl.col("kwp") / 2)
    bare = fleet.sites.with_columns(tilt_deg=pl.lit(None, pl.Float64), azimuth_deg=pl.lit(None, pl.Float64))
    by_register = compare(fleet.days, fleet.sites, fleet.planes, last_day=date(2025, 10, 30))
    by_arrays = compare(fleet.days, bare, halves, last_day=date(2025, 10, 30))
    assert by_arrays.has_planes.tolist() == [True] * len(ids)
    assert by_arrays.expected_kwh == pytest.approx(by_register.expected_kwh, nan_ok=True)


@pytest.mark.parametrize("factor", [1.0, 0.6])
def test_the_answer_to_clear_and_grey_days_tells_an_unknown_roof(factor):
    """A fault takes the same share of either kind of day, so it hides nothing."""
    fleet = simulate.cluster(
        4103, latitude=49, first_day=date(2025, 9, 15), day_count=45, faulty_share=0, known_share=1.0, count=12
    )
    south, steep_south, east, half_turned = 1, 2, 3, 5
    told = 0
    for row, (site_id, turn) in enumerate(fleet.truth.select("site_id", "turn_deg").iter_rows()):
        is_it = pl.col("site_id") == site_id
        bare = fleet.sites.with_columns(pl.when(~is_it).then(pl.col("tilt_deg", "azimuth_deg")))
        days = fleet.days.with_columns(pv_kwh=pl.col("pv_kwh") * pl.when(is_it).then(factor).otherwise(1.0))
        fits = compare(days, bare, fleet.planes, last_day=date(2025, 10, 29)).fits[row]
        if abs(turn) <= 25:
            told += 1
            assert (fits[south], fits[half_turned]) == (True, False)
        elif abs(turn) >= 75:
            told += 1
            assert (fits[east], fits[steep_south]) == (True, False)
    assert told >= 6
    few = days.filter(pl.col("day") > date(2025, 10, 17))
    assert compare(few, bare, fleet.planes, last_day=date(2025, 10, 29)).fits.all()


def test_a_small_inverter_is_not_blamed_for_what_it_cuts_off():
    doy = date(2025, 6, 10)
    _, sites = _town(*[5.0] * 5)
    sites = sites.with_columns(inverter_kw=pl.when(pl.col("site_id") == "roof-0").then(2.5).otherwise(99.0))
    days, _ = _town(*[5.9] * 5)
    seen = compare(days, sites, build.planes(), last_day=doy)
    whole, cut = seen.expected_kwh[1, 0, -1] / 6.0, seen.expected_kwh[0, 0, -1] / 5.0
    assert 0.6 < cut / whole < 0.95  # 0.5 kW per kWp under a clear sky in June


def test_nothing_in_nothing_out():
    days, sites = _town(4.0)
    assert expected(days.clear(), sites, build.planes()).is_empty()
    assert expected(days, sites.clear(), build.planes()).is_empty()
