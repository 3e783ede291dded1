"""Energies, coverage and levels of a local day, by arithmetic shown here and by numpy's trapezoid."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.frames import CHANNELS, SITES
from pipeline.energy.site_days import to_site_days
from pipeline.store.readings import COUNTED_COLUMNS
from pipeline.timezones.local_time import add_local

ZURICH = "Europe/Zurich"


def site(**given: object) -> pl.DataFrame:
    known = {
        "site_id": "S-1",
        "name": "Roof",
        "latitude": 47.0,
        "longitude": 8.0,
        "timezone": ZURICH,
        "export_timezone": ZURICH,
        "installed_kwp": 10.0,
        "phases": 1,
        "feed_in_buffer_w": 20.0,
        "battery_kwh": 10.0,
        "battery_reserve_pct": 35.0,
        "battery_resume_pct": 50.0,
        "battery_backup_floor_pct": 10.0,
        "grid_charging": False,
        "nominal_voltage_v": 230.0,
        "nominal_frequency_hz": 50.0,
        "import_price": 0.3,
        "feed_in_price": 0.08,
        "currency": "CHF",
        "external_id": "S-1",
        "watched": True,
    }
    return pl.DataFrame([dict.fromkeys(SITES) | known | given], schema=SITES, orient="row")


def rows(
    start: datetime, minutes: float, *, is_instant: bool = False, zone: str = ZURICH, **channels: list[float | None]
) -> pl.DataFrame:
    """Readings in a row from `start` on."""
    count = len(next(iter(channels.values())))
    given = {name: channels.get(name, [None] * count) for name in (*CHANNELS, *COUNTED_COLUMNS)}
    frame = pl.DataFrame(given, schema=dict.fromkeys(given, pl.Float64)).with_columns(
        site_id=pl.lit("S-1"),
        timezone=pl.lit(zone),
        ts_utc=pl.Series(
            [start + n * timedelta(minutes=minutes) for n in range(count)], dtype=pl.Datetime("us", "UTC")
        ),
        interval_s=pl.lit(int(minutes * 60), pl.Int32),
        is_instant=pl.lit(is_instant),
        counted_s=pl.lit(None, pl.Int32),
    )
    return add_local(frame).drop("timezone")


def one(frame: pl.DataFrame, day: date | None = None) -> dict[str, object]:
    found = frame if day is None else frame.filter(day=day)
    assert found.height == 1
    return found.row(0, named=True)


def test_means_are_summed_over_their_intervals() -> None:
    # 24 hours of 15 min: 1 kW generated, 0.4 kW consumed, 0.6 kW fed in: 24, 9.6 and 14.4 kWh
    start = datetime(2026, 1, 9, 23, tzinfo=UTC)
    day = one(to_site_days(rows(start, 15, pv_w=[1000.0] * 96, load_w=[400.0] * 96, grid_w=[-600.0] * 96), site()))
    assert day["day"] == date(2026, 1, 10)
    assert day["pv_kwh"] == pytest.approx(24.0)
    assert day["load_kwh"] == pytest.approx(9.6)
    assert (day["import_kwh"], day["feed_in_kwh"]) == (0.0, pytest.approx(14.4))
    assert day["specific_yield_kwh_per_kwp"] == pytest.approx(2.4)
    assert day["coverage_pct"] == pytest.approx(100)
    assert day["charge_kwh"] is None  # nothing was reported of the battery: not known is not zero


def test_instants_follow_the_trapezoid_rule() -> None:
    # numpy's trapezoid over the day's own instants, and the last one holding until midnight
    start = datetime(2026, 1, 9, 23, tzinfo=UTC)
    power = np.concatenate([np.zeros(30), 3000 * np.sin(np.linspace(0, np.pi, 36)), np.full(30, 250.0)])
    day = one(to_site_days(rows(start, 15, is_instant=True, pv_w=power.tolist()), site()))
    expected = (np.trapezoid(power, dx=0.25) + 0.25 * power[-1]) / 1000
    assert day["pv_kwh"] == pytest.approx(expected)
    assert day["coverage_pct"] == pytest.approx(100)


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 6, 1), 24)])
def test_days_are_as_long_as_the_clocks_make_them(day: date, hours: int) -> None:
    # Europe/Zurich, IANA: 2026-03-29 has 23 hours, 2026-10-25 has 25
    start = datetime(day.year, day.month, day.day, tzinfo=UTC) - timedelta(hours=3)
    days = to_site_days(rows(start, 30, load_w=[500.0] * 2 * 30), site())
    found = one(days, day)
    assert found["readings"] == hours * 2
    assert found["load_kwh"] == pytest.approx(hours * 0.5)
    assert found["coverage_pct"] == pytest.approx(100)


def test_gaps_count_neither_as_energy_nor_as_coverage() -> None:
    start = datetime(2026, 1, 9, 23, tzinfo=UTC)
    whole = rows(start, 60, pv_w=[100.0] * 24)
    gappy = whole.filter(~pl.int_range(pl.len()).is_between(6, 11))
    day = one(to_site_days(gappy, site()))
    assert day["pv_kwh"] == pytest.approx(1.8)
    assert day["coverage_pct"] == pytest.approx(75)
    lacking = whole.with_columns(pv_w=pl.when(pl.int_range(pl.len()) >= 12).then("pv_w"), load_w=pl.lit(1.0))
    day = one(to_site_days(lacking, site()))
    # The sun stands highest at 12:35 and for 8.5 h in all: half its light, and (pi / 2) x 35 min / 8.5 h of it before
    assert (day["coverage_pct"], day["pv_coverage_pct"]) == (pytest.approx(100), pytest.approx(60.8, abs=1.0))


def test_an_interval_ends_where_the_next_reading_begins() -> None:
    # ten minutes claimed, five minutes apart: 288 x 5 min x 1.2 kW = 28.8 kWh, not twice that
    start = datetime(2026, 1, 9, 23, tzinfo=UTC)
    frame = rows(start, 5, pv_w=[1200.0] * 288).with_columns(interval_s=pl.lit(600, pl.Int32))
    day = one(to_site_days(frame, site()))
    assert day["pv_kwh"] == pytest.approx(28.8, rel=0.005)


def test_flows_of_different_intervals_each_count_their_own() -> None:
    # an inverter every 5 min at 1.2 kW and a meter every 15 min at 0.6 kW of import: 28.8 and 14.4 kWh
    start = datetime(2026, 1, 9, 23, tzinfo=UTC)
    metered = [600.0 if n % 3 == 0 else None for n in range(288)]
    frame = rows(start, 5, pv_w=[1200.0] * 288, grid_w=metered).with_columns(
        interval_s=pl.when(pl.col("grid_w").is_not_null()).then(900).otherwise(300).cast(pl.Int32)
    )
    day = one(to_site_days(frame, site()))
    assert day["pv_kwh"] == pytest.approx(28.8)
    assert day["import_kwh"] == pytest.approx(14.4)


def test_counted_energy_is_taken_once() -> None:
    # hour 0-11 from a counter (0.5 kWh each, shown as 500 W too), hour 12-23 as power: 6 + 12 kWh
    start = datetime(2026, 1, 9, 23, tzinfo=UTC)
    frame = rows(start, 60, pv_w=[500.0] * 12 + [1000.0] * 12, pv_counted_kwh=[0.5] * 12 + [None] * 12)
    assert one(to_site_days(frame, site()))["pv_kwh"] == pytest.approx(18.0)


def test_the_yields_of_iec_61724_1() -> None:
    # The made example of IEC 61724-1's terms, a day of it: 5 kW, 150 kWh/m2 and 600 kWh in 25 days give
    # Yr = 6 h, Yf = 4.8 h and PR = 0.80 a day: 1000 W/m2 for six hours, and 4 kW meanwhile
    start = datetime(2026, 1, 9, 23, tzinfo=UTC)
    sun, power = [0.0] * 9 + [1000.0] * 6 + [-2.0] * 9, [0.0] * 9 + [4000.0] * 6 + [0.0] * 9
    day = one(to_site_days(rows(start, 60, irradiance_w_m2=sun, pv_w=power), site(installed_kwp=5.0)))
    assert day["reference_yield_h"] == pytest.approx(6.0)
    assert day["specific_yield_kwh_per_kwp"] == pytest.approx(4.8)
    assert day["performance_ratio"] == pytest.approx(0.80)
    # An hour without generation reported takes its irradiance out of the ratio, not out of the reference yield.
    gappy = rows(start, 60, irradiance_w_m2=sun, pv_w=[*power[:9], None, *power[10:]])
    day = one(to_site_days(gappy, site(installed_kwp=5.0)))
    assert (day["reference_yield_h"], day["performance_ratio"]) == (pytest.approx(6.0), pytest.approx(0.80))
    assert one(to_site_days(rows(start, 60, pv_w=power), site()))["performance_ratio"] is None


def test_the_lowest_and_the_highest_level() -> None:
    start = datetime(2026, 1, 9, 23, tzinfo=UTC)
    day = one(to_site_days(rows(start, 60, soc_pct=[80.0] * 18 + [36.0] * 6), site()))
    assert (day["soc_min_pct"], day["soc_max_pct"]) == (36.0, 80.0)
