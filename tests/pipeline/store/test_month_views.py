"""What analysts see of a month: a battery's capacity, losses and cycles, and how much of the sun stays in the house.

The battery here is arithmetic: energy in x efficiency raises its charge, energy out / efficiency lowers it. So energy
out over energy in between equal states of charge is the product of both efficiencies (IEC 62933-2-1, from memory).
"""

from datetime import date, timedelta
from functools import cache
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.frames import DAYS
from pipeline.energy.site_days import to_site_days
from pipeline.store.readings import COUNTED_COLUMNS
from tests.support import build

SQL = Path(__file__).resolve().parents[3] / "sql"
CAPACITY_KWH, IN, OUT = 10.0, 0.97, 0.96
FIRST = date(2025, 3, 1)


def _series(rng: np.random.Generator, day_count: int, step_min: int, *, capacity_kwh: float = CAPACITY_KWH):
    """(battery_w, soc before, soc after) per step: charge by day, discharge in the evening, of changing size."""
    per_day = 1440 // step_min
    hour = np.tile(np.arange(per_day) * step_min / 60, day_count)
    size = np.repeat(rng.uniform(0.4, 1.0, day_count), per_day)
    wanted = np.where((hour >= 9) & (hour < 14), -1500 * size, np.where(hour >= 17, 900 * size, 0.0))
    power, before, after = np.zeros((3, len(wanted)))
    level = 0.5 * capacity_kwh
    for n, w in enumerate(wanted):
        h = step_min / 60 / 1000
        w = max(w, -(capacity_kwh - level) / IN / h) if w < 0 else min(w, level * OUT / h)
        before[n] = level
        level -= w * h / OUT if w > 0 else w * h * IN
        power[n], after[n] = w, level
    return power, before / capacity_kwh * 100, after / capacity_kwh * 100


def _days(power, soc, *, step_min: int, site_id: str = "roof-1", first: date = FIRST) -> pl.DataFrame:
    rows = build.readings({"battery_w": power, "soc_pct": soc}, site_id=site_id, day=first, timezone="Asia/Kolkata",
                          interval_s=step_min * 60)  # fmt: skip
    counted = [pl.lit(None, pl.Float64).alias(name) for name in COUNTED_COLUMNS]
    return to_site_days(rows.with_columns(counted), _sites(site_id))


def _sites(*site_ids: str, battery_kwh: float | None = CAPACITY_KWH) -> pl.DataFrame:
    return build.sites(*({"site_id": one, "timezone": "Asia/Kolkata", "battery_kwh": battery_kwh} for one in site_ids))


def _ask(days: pl.DataFrame, sites: pl.DataFrame, sql: str) -> list[tuple]:
    con = _connection()
    con.register("given_days", days.to_arrow())
    con.register("given_sites", sites.to_arrow())
    con.execute("BEGIN")
    try:
        con.execute("CREATE TABLE site_day AS FROM given_days; CREATE TABLE site AS FROM given_sites")
        for name in ("123_site_month", "122_battery_month"):
            con.execute((SQL / f"{name}.sql").read_text(encoding="utf-8"))
        return con.execute(sql).fetchall()
    finally:
        con.execute("ROLLBACK")


@cache
def _connection() -> duckdb.DuckDBPyConnection:
    """One for all questions: a new one costs more than most of them."""
    return duckdb.connect()


MONTH = "SELECT usable_capacity_kwh, round_trip_efficiency_pct, full_cycles FROM battery_month ORDER BY month"


@pytest.mark.parametrize("step_min", [5, 15, 60])
@pytest.mark.parametrize("shown", ["before", "mean", "after"])
def test_capacity_and_efficiency_whatever_instant_the_charge_is_shown_for(step_min, shown):
    power, before, after = _series(np.random.default_rng(7), 31, step_min)
    soc = {"before": before, "mean": (before + after) / 2, "after": after}[shown]
    ((capacity, efficiency, cycles),) = _ask(_days(power, soc, step_min=step_min), _sites("roof-1"), MONTH)
    assert capacity == pytest.approx(CAPACITY_KWH * OUT, rel=0.01)
    assert efficiency == pytest.approx(100 * IN * OUT, abs=0.4)
    assert cycles == pytest.approx(power.clip(0).sum() * step_min / 60 / 1000 / CAPACITY_KWH)


@pytest.mark.parametrize("shown", ["before", "mean", "after"])
def test_a_load_that_falls_through_the_evening_does_not_pull_the_capacity(shown):
    """From 2 kW down to 300 W: the first interval of a discharge takes seven times what the last one takes."""
    power = np.tile([*[0.0] * 36, *[-1150.0] * 24, *[0.0] * 12, *np.linspace(2000, 300, 18), *[0.0] * 6], 20)
    energy = power / 4000
    after = 20 - np.cumsum(np.where(energy > 0, energy / OUT, energy * IN)) / CAPACITY_KWH * 100
    after += 50 - after.mean()
    before = np.concatenate([[after[0]], after[:-1]])
    soc = {"before": before, "mean": (before + after) / 2, "after": after}[shown]
    ((capacity, _, _),) = _ask(_days(power, soc, step_min=15), _sites("roof-1"), MONTH)
    assert capacity == pytest.approx(CAPACITY_KWH * OUT, rel=0.005)


def test_whole_per_cents_are_as_good():
    power, before, _ = _series(np.random.default_rng(8), 31, 5)
    ((capacity, efficiency, _),) = _ask(_days(power, before.round(), step_min=5), _sites("roof-1"), MONTH)
    assert capacity == pytest.approx(CAPACITY_KWH * OUT, rel=0.01)
    assert efficiency == pytest.approx(100 * IN * OUT, abs=0.4)


def test_the_efficiency_is_that_of_the_longest_span_between_equal_states_of_charge():
    """A second method: pandas' own sums between the two instants furthest apart at one state of charge."""
    power, before, _ = _series(np.random.default_rng(9), 31, 15)
    course = pd.DataFrame({"kwh": power / 4000, "soc": before})
    level = course.soc.iloc[40]
    last = course.index[(course.soc - level).abs() < 0.2].max()
    span = course.iloc[40:last]
    by_hand = 100 * span.kwh.clip(lower=0).sum() / -span.kwh.clip(upper=0).sum()
    ((_, efficiency, _),) = _ask(_days(power, before, step_min=15), _sites("roof-1"), MONTH)
    assert efficiency == pytest.approx(by_hand, abs=0.5)


def test_missing_days_cost_nothing_but_themselves():
    power, before, _ = _series(np.random.default_rng(10), 31, 15)
    days = _days(power, before, step_min=15).filter(~pl.col("day").dt.day().is_in([5, 6, 14, 23]))
    ((_, efficiency, _),) = _ask(days, _sites("roof-1"), MONTH)
    assert efficiency == pytest.approx(100 * IN * OUT, abs=0.4)


def test_half_seen_days_are_left_out_of_the_efficiency():
    power, before, _ = _series(np.random.default_rng(11), 31, 15)
    days = _days(power, before, step_min=15).with_columns(
        charge_kwh=pl.when(pl.col("day").dt.day() == 12).then(0.0).otherwise("charge_kwh"),
        coverage_pct=pl.when(pl.col("day").dt.day() == 12).then(60.0).otherwise("coverage_pct"),
    )
    ((_, efficiency, _),) = _ask(days, _sites("roof-1"), MONTH)
    assert efficiency == pytest.approx(100 * IN * OUT, abs=0.4)


def test_too_little_moved_to_tell():
    power, before, _ = _series(np.random.default_rng(12), 2, 15)
    ((capacity, efficiency, cycles),) = _ask(_days(power, before, step_min=15), _sites("roof-1"), MONTH)
    assert (capacity, efficiency) == (None, None)
    assert cycles > 0


def test_a_battery_that_ages_shows_in_the_trend_by_numpys_line():
    capacities = [10.0, 9.8, 9.6, 9.4]
    starts = [date(2025, month, 1) for month in (3, 4, 5, 6)]
    days = pl.concat([
        _days(*_series(np.random.default_rng(n), 30, 15, capacity_kwh=kwh)[:2], step_min=15, first=start)
        for n, (kwh, start) in enumerate(zip(capacities, starts, strict=True))
    ])  # fmt: skip
    rows = _ask(days, _sites("roof-1"), "SELECT usable_capacity_kwh, usable_capacity_trend_kwh_per_year "
                "FROM battery_month ORDER BY month")  # fmt: skip
    assert [trend for _, trend in rows[:2]] == [None, None]
    slope = np.polyfit(np.arange(4) / 12, [kwh for kwh, _ in rows], 1)[0]
    assert rows[3][1] == pytest.approx(slope)
    assert slope == pytest.approx(-0.2 * 12 * OUT, rel=0.15)


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), eff_in=st.floats(0.85, 1.0), eff_out=st.floats(0.85, 1.0))
def test_no_battery_gives_back_more_than_it_took(seed, eff_in, eff_out):
    """The law of conservation: out over in is the product of the efficiencies, whatever the course."""
    rng = np.random.default_rng(seed)
    wanted = np.repeat(rng.choice([-1200.0, 0.0, 900.0], 20 * 8), 12)  # 20 days in blocks of 3 h
    power, soc, level = np.zeros(len(wanted)), np.zeros(len(wanted)), 6.0
    for n, w in enumerate(wanted):
        soc[n] = level * 10
        power[n] = 0.0 if (w < 0 and level > 9.6) or (w > 0 and level < 0.4) else w
        level -= power[n] / 4000 / eff_out if power[n] > 0 else power[n] / 4000 * eff_in
    rows = _ask(_days(power, soc, step_min=15), _sites("roof-1"), MONTH)
    if rows and rows[0][1] is not None:
        assert rows[0][1] == pytest.approx(100 * eff_in * eff_out, abs=0.5)


def test_sites_without_a_battery_have_no_row():
    days = build.days({"charge_kwh": None, "pv_kwh": 3.0})
    assert _ask(days, _sites("roof-1", battery_kwh=None), MONTH) == []


def test_self_consumption_and_self_sufficiency_by_hand():
    """30 generated, 12 fed in: 60 % used. 20 consumed, 5 bought: 75 % own. A day without a meter counts for neither."""
    day = {"pv_kwh": 10.0, "feed_in_kwh": 4.0, "load_kwh": 10.0, "import_kwh": 2.5}
    days = build.days(
        day,
        day,
        {**day, "load_kwh": None},
        {"pv_kwh": 99.0, "load_kwh": 99.0},
        {"feed_in_kwh": 50.0, "import_kwh": 50.0},
        last_day=date(2025, 5, 20),
    )
    sql = "SELECT month, days, pv_kwh, self_consumption_pct, self_sufficiency_pct FROM site_month"
    ((month, count, pv, used, own),) = _ask(days, _sites("roof-1"), sql)
    assert (month, count, pv) == (date(2025, 5, 1), 5, 129.0)
    assert used == pytest.approx(60.0)
    assert own == pytest.approx(75.0)


def test_months_without_sun_or_load_have_no_ratio_and_charging_from_the_grid_no_negative_one():
    sql = "SELECT self_consumption_pct, self_sufficiency_pct FROM site_month ORDER BY month"
    days = build.days(
        {"pv_kwh": 0.0, "feed_in_kwh": 0.0, "load_kwh": 5.0, "import_kwh": 8.0}, last_day=date(2025, 1, 9)
    )
    assert _ask(days, _sites("roof-1"), sql) == [(None, 0.0)]
    assert _ask(build.days({"pv_kwh": 9.0, "load_kwh": 9.0}), _sites("roof-1"), sql) == [(None, None)]


def test_every_month_counts_its_own_days():
    days = build.days(*[{"pv_kwh": 1.0}] * 40, last_day=date(2025, 4, 9))
    assert _ask(days, _sites("roof-1"), "SELECT month, days, pv_kwh FROM site_month ORDER BY month") == [
        (date(2025, 3, 1), 31, 31.0),
        (date(2025, 4, 1), 9, 9.0),
    ]


def test_a_gap_amid_a_discharge_is_no_step():
    power, before, _ = _series(np.random.default_rng(13), 3, 15)
    whole = _days(power, before, step_min=15)
    keep = np.ones(len(power), dtype=bool)
    keep[74:80] = False
    rows = build.readings({"battery_w": power, "soc_pct": before}, day=FIRST, timezone="Asia/Kolkata", interval_s=900)
    rows = rows.filter(pl.Series(keep)).with_columns([pl.lit(None, pl.Float64).alias(n) for n in COUNTED_COLUMNS])
    gappy = to_site_days(rows, _sites("roof-1"))
    ratio = [days["discharge_drop_kwh"][0] / days["discharge_drop_pct"][0] for days in (whole, gappy)]
    assert ratio == pytest.approx([CAPACITY_KWH * OUT / 100] * 2, rel=1e-6)
    assert gappy["discharge_drop_kwh"][0] < whole["discharge_drop_kwh"][0]
    assert gappy["day"][1] - gappy["day"][0] == timedelta(days=1)
    assert gappy.schema == DAYS
