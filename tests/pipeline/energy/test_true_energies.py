"""Energies of real days into which spikes, placeholders, gaps and frozen spans were put, against the days as they were.

Series: pv_inverter_5min of the open data (see its provenance page). The reference is a sum by DuckDB's SQL and one by
pandas over the series as measured, without the faults. Where coverage is above 95 %, days differ by 0.5 % at most, but
for those under broken clouds: there a lost interval is not known better than its neighbours tell, and the day says so
itself (pv_uncertainty_pct). Where a counter stands beside the power, it knows: all days differ by 0.5 % at most.
"""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.frames import NOT_GOOD
from pipeline.energy.site_days import to_site_days
from pipeline.store.readings import COUNTED_COLUMNS
from tests.support import build
from tests.support.spoiled_days import SITE, errors, reported, summed, whole_days

MAX_ERROR = 0.005
MIN_COVERAGE_PCT = 95.0
SURE_PCT = 0.25  # two sigma within 0.5 %


@pytest.fixture(scope="module")
def table() -> pl.DataFrame:
    return whole_days(50)


def test_energies_are_true_where_coverage_says_so(table: pl.DataFrame) -> None:
    rows = reported(table)
    days, flags = summed(rows)
    assert (days["pv_kwh"] <= 7.0 * 24).all()
    covered = errors(table, days).filter(pl.col("coverage_pct") > MIN_COVERAGE_PCT)
    assert covered.height >= 20
    sure = covered.filter(pl.col("pv_uncertainty_pct") <= SURE_PCT)
    assert sure.height >= 0.7 * covered.height
    assert sure["error"].max() <= MAX_ERROR
    # Errors are as large as the days say: beyond two sigma one in twenty would be, and sigmas differ within a day.
    told = covered.select((100 * pl.col("error") / pl.col("pv_uncertainty_pct")).alias("sigmas"))["sigmas"]
    assert np.quantile(told, 0.9) <= 2.0
    assert set(flags.filter(pl.col("flag").is_in(NOT_GOOD))["flag"]) >= {"implausible", "placeholder", "frozen"}
    spoiled = to_site_days(rows, build.sites(SITE))
    assert (spoiled["pv_kwh"] > 1.5 * days["pv_kwh"]).all()  # what the flags are for


def test_a_counter_beside_the_power_knows_what_was_lost(table: pl.DataFrame) -> None:
    """Lost rows, spikes, hours without rows and hours frozen: all days count, whatever their coverage."""
    days, _ = summed(reported(table, with_counter=True))
    told = errors(table, days)
    assert told["coverage_pct"].min() < 80
    assert told["error"].max() <= MAX_ERROR


def test_a_counter_that_disagrees_or_is_coarse_is_not_asked(table: pl.DataFrame) -> None:
    """With 1.1 x the energy, or in whole kWh, it changes nothing."""
    few = table.head(288 * 5)
    rows = reported(few, with_counter=True)
    plain, _ = summed(reported(few))
    for beside in (1.1 * pl.col("pv_beside_kwh"), pl.col("pv_beside_kwh").cum_sum().floor().diff()):
        days, _ = summed(rows.with_columns(pv_beside_kwh=beside))
        assert days["pv_kwh"].to_list() == pytest.approx(plain["pv_kwh"].to_list())


RATING_W = 5000.0
WATTS = st.one_of(st.none(), st.floats(0.0, RATING_W), st.sampled_from([0.0, RATING_W]))


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(WATTS, st.sampled_from([900, 900, 900, 1800, 2700])), min_size=1, max_size=96), st.booleans())
def test_no_energy_is_more_than_the_rating_over_the_day(
    drawn: list[tuple[float | None, int]], is_instant: bool
) -> None:
    """Gaps, bridged intervals, instants and lost values in any order: between nothing and rating x 24 h."""
    start, at, stamps = datetime(2026, 1, 9, 23, tzinfo=UTC), 0, []
    for _, step_s in drawn:
        stamps.append(start + timedelta(seconds=at))
        at += step_s
    watts = [value for value, _ in drawn]
    rows = build.readings({"pv_w": watts, "grid_w": [None if w is None else -w for w in watts]}, interval_s=900)
    rows = rows.with_columns(
        *(pl.lit(None, pl.Float64).alias(name) for name in COUNTED_COLUMNS), counted_s=pl.lit(None, pl.Int32),
        ts_utc=pl.Series(stamps).cast(pl.Datetime("us", "UTC")), is_instant=pl.lit(is_instant),
    )  # fmt: skip
    local = pl.col("ts_utc").dt.convert_time_zone("Europe/Berlin").dt.replace_time_zone(None)
    rows = rows.with_columns(ts_local=local)
    days = to_site_days(rows, build.sites())
    for name in ("pv_kwh", "feed_in_kwh"):
        assert (days[name].drop_nulls() <= RATING_W / 1000 * 24 + 1e-9).all()
        assert (days[name].drop_nulls() >= 0).all()
    assert days["pv_kwh"].to_list() == pytest.approx(days["feed_in_kwh"].to_list())


def test_one_lost_interval_is_bridged_and_two_are_not() -> None:
    """1.2 kW all day, every five minutes: 28.8 kWh; two lost intervals in a row lack 0.2 kWh."""
    day = date(2026, 1, 10)
    rows = build.readings({"pv_w": [1200.0] * 288}, day=day, timezone="Etc/UTC").with_columns(
        *(pl.lit(None, pl.Float64).alias(name) for name in COUNTED_COLUMNS), counted_s=pl.lit(None, pl.Int32)
    )
    site = build.sites(SITE)
    at = pl.int_range(pl.len())
    one = rows.with_columns(pl.when(at != 150).then("pv_w").alias("pv_w"))
    assert to_site_days(one, site)["pv_kwh"].item() == pytest.approx(28.8)
    assert to_site_days(rows.filter(at != 150), site)["pv_kwh"].item() == pytest.approx(28.8)
    two = rows.filter(~at.is_in([150, 151]))
    assert to_site_days(two, site)["pv_kwh"].item() == pytest.approx(28.6)
    assert to_site_days(two, site)["day"].item() + timedelta(days=0) == day


def test_coverage_of_generation_needs_no_nights() -> None:
    """Equinox at the equator, light from 6 to 18 h: without night rows all of it is covered, without noon it is not.

    The sine of the sun's height over 10 to 14 h is sin(30 deg) = half of its sum over the day.
    """
    day = date(2026, 3, 20)
    rows = build.readings({"pv_w": [1200.0] * 288}, day=day, timezone="Etc/UTC").with_columns(
        *(pl.lit(None, pl.Float64).alias(name) for name in COUNTED_COLUMNS), counted_s=pl.lit(None, pl.Int32)
    )
    hour = pl.col("ts_local").dt.hour()
    lit = rows.filter(hour.is_between(5, 18))
    told = to_site_days(lit, build.sites(SITE))
    assert told["pv_coverage_pct"].item() == pytest.approx(100.0, abs=0.5)
    assert told["coverage_pct"].item() == pytest.approx(100 * 14 / 24)
    without_noon = to_site_days(lit.filter(~hour.is_between(10, 13)), build.sites(SITE))
    assert without_noon["pv_coverage_pct"].item() == pytest.approx(50.0, abs=2.0)
