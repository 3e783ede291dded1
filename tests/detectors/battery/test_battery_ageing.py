"""Capacity and efficiency against the same months a year before; seasons and slow fading beside what is too fast."""

from collections.abc import Callable
from datetime import date, timedelta
from math import cos, tau

import polars as pl
import pytest

from detectors.battery.battery_ageing import detect
from detectors.battery.month_sums import MONTHS, at_month_end
from detectors.finding import Finding, NotJudged, Verdict
from detectors.frames import DAYS
from tests.support import build
from tests.support.battery_day import SITE

FIRST = date(2023, 1, 1)
LAST = date(2025, 6, 10)
Course = Callable[[float], float]  # of years since FIRST


def _seasons(year: float) -> float:
    return 1 - 0.06 * cos(tau * year)  # a cellar that is cold in January


def _months(capacity: Course, efficiency: Course, first: date = FIRST) -> pl.DataFrame:
    """MONTHS of a battery that gives 80 % of what it holds each night, and is charged for it by day."""
    rows, day = [], first
    while day <= LAST:
        years = (day - FIRST).days / 365.25
        given = 0.8 * capacity(years)
        rows.append(
            {
                "site_id": "roof-1", "day": day, "readings": 96, "coverage_pct": 100.0, "soc_first_pct": 60.0,
                "discharge_drop_pct": 80.0, "discharge_drop_kwh": given, "discharge_kwh": given,
                "charge_kwh": given / efficiency(years),
            }
        )  # fmt: skip
        day += timedelta(days=1)
    days = pl.DataFrame(rows, schema=DAYS)
    sites = build.sites(SITE)
    ends = [at_month_end(days, sites, one) for one in days["day"] if (one + timedelta(days=1)).day == 1]
    return pl.concat(ends) if ends else MONTHS.to_frame()


def _judge(months: pl.DataFrame, day: date = LAST) -> list[Verdict]:
    return detect(months, build.sites(SITE), day)


def test_a_month_gives_back_the_capacity_and_the_efficiency_that_were_put_in():
    months = _months(lambda _: 9.3, lambda _: 0.87)
    assert months["capacity_kwh"].to_list() == pytest.approx([9.3] * months.height)
    assert months["efficiency_pct"].to_list() == pytest.approx([87.0] * months.height)
    assert months["day"].to_list()[:2] == [date(2023, 1, 31), date(2023, 2, 28)]


def test_a_charge_that_is_left_in_the_battery_at_the_months_end_is_not_lost():
    days = pl.DataFrame(
        [
            {
                "site_id": "roof-1", "day": date(2024, 4, n), "coverage_pct": 100.0,
                "soc_first_pct": 20.0 + 2 * n, "discharge_drop_pct": 80.0, "discharge_drop_kwh": 8.0,
                "discharge_kwh": 8.0, "charge_kwh": 8.2 / 0.9,
            }
            for n in range(1, 31)
        ],
        schema=DAYS,
    )  # fmt: skip
    (month,) = at_month_end(days, build.sites(SITE), date(2024, 4, 30)).to_dicts()
    assert month["efficiency_pct"] == pytest.approx(90.0)
    assert at_month_end(days, build.sites(SITE), date(2024, 4, 29)).is_empty()


def test_a_fading_of_ten_per_cent_a_year_is_told_in_any_season():
    months = _months(lambda year: 10 * _seasons(year) * 0.9**year, lambda _: 0.9)
    for day in (date(2024, 9, 3), date(2025, 1, 31), LAST):
        (found,) = _judge(months, day)
        assert isinstance(found, Finding) and found.severity == "watch"
        assert found.value == pytest.approx(10.0, abs=0.2)


@pytest.mark.parametrize("day", [date(2024, 6, 30), date(2024, 12, 31), LAST])
def test_seasons_and_a_usual_fading_are_no_fault(day: date):
    assert _judge(_months(lambda year: 10 * _seasons(year) * 0.975**year, lambda year: 0.9 * _seasons(year)), day) == []


def test_an_efficiency_that_fell_is_told_in_points():
    months = _months(lambda _: 10.0, lambda year: 0.9 if year < 1.9 else 0.8)
    (found,) = _judge(months)
    assert isinstance(found, Finding) and found.value == pytest.approx(10.0)
    assert "80 % of what is charged" in found.summary
    assert _judge(months, date(2024, 12, 20)) == []  # one month and a part of the next are not three


def test_it_is_told_since_the_first_of_the_months_that_tell_it():
    """May told nothing: February, March and April do."""
    months = _months(lambda year: 10 * 0.9**year, lambda _: 0.9)
    silent = pl.when(pl.col("day") != date(2025, 5, 31)).then("capacity_kwh").alias("capacity_kwh")
    for told, since in ((months, date(2025, 3, 1)), (months.with_columns(silent), date(2025, 2, 1))):
        (found,) = _judge(told)
        assert isinstance(found, Finding) and found.since == since


def test_less_than_two_years_and_months_without_use_are_not_judged():
    (young,) = _judge(_months(lambda _: 10.0, lambda _: 0.9, first=date(2024, 6, 1)))
    assert isinstance(young, NotJudged) and young.reason.code == "history-too-short"
    idle = pl.col("day") > date(2025, 2, 1)
    months = _months(lambda _: 10.0, lambda _: 0.9).with_columns(
        pl.when(~idle).then(pl.col(name)).alias(name) for name in ("capacity_kwh", "efficiency_pct")
    )
    (resting,) = _judge(months)
    assert isinstance(resting, NotJudged) and resting.reason.code == "little-moved"
    unread = months.with_columns(is_level_read=pl.lit(False))
    (silent,) = _judge(unread)
    assert isinstance(silent, NotJudged) and silent.reason.code == "not-measured"
