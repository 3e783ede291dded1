"""Counters into energy: the arithmetic stands beside each case. Rated power of the invented inverter: 10 kW."""

from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
import pytest

from pipeline.energy.counters import difference
from tests.support.fleet import PROFILES, Fleet, differences, stamps, table

pytestmark = pytest.mark.usefixtures("few_detectors")

BERLIN = ZoneInfo("Europe/Berlin")
MARCH_10 = datetime(2026, 3, 10, 12, tzinfo=BERLIN)


def energies(
    *readings: tuple[datetime | int, float | None],
    kind: str = "lifetime",
    marks: str = "start",
    minutes: int = 15,
    limit_kw: float | None = 10.0,
    column: str = "pv_kwh_total",
) -> list[float | None]:
    """Energy from each row's start to its end, rounded to Wh; an instant may be given as minutes after noon."""
    instants = [MARCH_10 + timedelta(minutes=at) if isinstance(at, int) else at for at, _ in readings]
    rows = pl.DataFrame(
        {
            "site_id": "S1", "device_id": "", "ts_utc": [at.astimezone(ZoneInfo("UTC")) for at in instants],
            "interval_s": pl.Series([minutes * 60] * len(instants), dtype=pl.Int32), "marks": marks,
            "timezone": "Europe/Berlin", "limit_kw": pl.Series([limit_kw] * len(instants), dtype=pl.Float64),
            column: pl.Series([value for _, value in readings], dtype=pl.Float64),
        }
    ).with_columns(pl.col("ts_utc").dt.cast_time_unit("us"))  # fmt: skip
    found = difference(rows.sample(fraction=1, shuffle=True, seed=7), {column: kind}).sort("ts_utc")
    return [None if value is None else round(value, 3) for value in found[column.replace("_kwh_total", "_counted_kwh")]]


# Whose energy it is -------------------------------------------------------------------------------------------------


def test_a_stamp_that_marks_the_start_gives_its_row_the_rise_to_the_next() -> None:
    """Counter at 12:00, 12:15, 12:30: 100.0, 100.5, 101.5. Rows 12:00 and 12:15 gained 0.5 and 1.0 kWh."""
    for marks in ("start", "instant"):
        assert energies((0, 100.0), (15, 100.5), (30, 101.5), marks=marks) == [0.5, 1.0, None]


def test_a_stamp_that_marks_the_end_gives_its_row_the_rise_since_the_one_before() -> None:
    """ts_utc is the START: the row 12:00 was stamped 12:15 and shows the counter then."""
    assert energies((0, 100.0), (15, 100.5), (30, 101.5), marks="end") == [None, 0.5, 1.0]


def test_a_row_that_does_not_show_the_counter_gives_its_energy_to_the_gap() -> None:
    """100.0 at 12:00, nothing at 12:15, 101.0 at 12:30: 1.0 kWh in 30 min of one day, told once."""
    assert energies((0, 100.0), (15, None), (30, 101.0)) == [1.0, None, None]


# Resets and rollovers of lifetime counters ---------------------------------------------------------------------------


def test_a_reset_counts_what_the_counter_shows_afterwards() -> None:
    """5000.2, then a new counter at 0.3: at least 0.3 kWh were generated; then 0.4 more."""
    assert energies((0, 5000.0), (15, 5000.2), (30, 0.3), (45, 0.7)) == [0.2, 0.3, 0.4, None]


def test_a_rollover_counts_through_the_last_digit() -> None:
    """99999.6 of five digits, then 0.2: (100000 - 99999.6) + 0.2 = 0.6 kWh."""
    assert energies((0, 99999.1), (15, 99999.6), (30, 0.2)) == [0.5, 0.6, None]


def test_a_fall_from_the_middle_of_the_digits_is_a_reset_not_a_rollover() -> None:
    """50000 to 0.1 as a rollover would be 50,000.1 kWh in 15 min."""
    assert energies((0, 50000.0), (15, 0.1)) == [0.1, None]


def test_a_jump_that_the_inverter_cannot_make_is_unknown() -> None:
    """10 kW x 1.3 for 15 min is 3.25 kWh: 3.2 is believed, 3.3 is not, and a fall to 400 neither."""
    assert energies((0, 100.0), (15, 103.2)) == [3.2, None]
    assert energies((0, 100.0), (15, 103.3)) == [None, None]
    assert energies((0, 500.0), (15, 400.0)) == [None, None]


def test_whole_kilowatt_hours_may_step_by_one() -> None:
    """10 kW x 1.3 for 5 min is 1.083 kWh, less than the step of a 0.5 kW roof's counter: a step of 1 is believed."""
    assert energies((0, 100.0), (5, 101.0), minutes=5, limit_kw=0.5) == [1.0, None]


def test_a_counter_that_goes_back_and_forth_gains_no_more_than_it_shows() -> None:
    """A glitch to 0 and back: 0 is a reset of 0 kWh, and the way back to 5000 is no energy."""
    assert energies((0, 5000.0), (15, 0.0), (30, 5000.2), (45, 5000.4)) == [0.0, None, 0.2, None]


def test_a_counter_that_dips_by_its_last_digit_does_not_tell_all_that_it_ever_counted() -> None:
    """850.0, 849.9, 850.1: it was read wrongly once; a service of 1 MW could have made 850 kWh in an hour."""
    stood = [(0, 849.8), (60, 850.0), (120, 849.9), (180, 850.1)]
    of_house = energies(*stood, minutes=60, column="import_kwh_total")
    assert of_house == [pytest.approx(0.2), None, pytest.approx(0.2), None]
    assert energies((0, 6.0), (5, 5.9), (10, 6.1), minutes=5, limit_kw=1000.0) == [None, pytest.approx(0.2), None]


# Gaps ---------------------------------------------------------------------------------------------------------------


def test_a_gap_within_a_day_keeps_its_energy_and_one_over_midnight_does_not() -> None:
    """12:00 to 16:00: 12 kWh in 4 h belong to the day. 23:00 to 02:00: no day can claim the 1 kWh."""
    assert energies((0, 100.0), (240, 112.0)) == [12.0, None]
    night = datetime(2026, 3, 10, 23, tzinfo=BERLIN)
    assert energies((night, 100.0), (night + timedelta(hours=3), 101.0)) == [None, None]


def test_the_short_way_over_midnight_is_no_gap() -> None:
    late = datetime(2026, 3, 10, 23, 45, tzinfo=BERLIN)
    assert energies((late, 100.0), (late + timedelta(minutes=15), 100.2)) == [0.2, None]


# Daily counters ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 10), 24), (date(2026, 3, 29), 23), (date(2026, 10, 25), 25)])
@pytest.mark.parametrize("marks", ["start", "end"])
def test_a_daily_counter_gives_each_local_day_its_own_energy(day: date, hours: int, marks: str) -> None:
    """0.1 kWh an hour from local midnight to midnight, whose counter returns to 0 there: 2.4, 2.3 and 2.5 kWh.

    Days of Europe/Berlin: an ordinary one and the two of 2026 whose clocks change (IANA). The counter is read on the
    hour; the reading at midnight itself still shows the day that ends.
    """
    midnight = datetime(day.year, day.month, day.day, tzinfo=BERLIN).astimezone(ZoneInfo("UTC"))
    shown = [(-2, 9.8), (-1, 9.9), (0, 10.0), *((n, 0.1 * n) for n in range(1, hours + 1)), (hours + 1, 0.1)]
    early = timedelta(hours=1) if marks == "end" else timedelta()
    rows = [(midnight + timedelta(hours=n) - early, value) for n, value in shown]
    found = energies(*rows, kind="daily", marks=marks, minutes=60)
    of_day = [
        energy
        for (at, _), energy in zip(rows, found, strict=True)
        if at.astimezone(BERLIN).date() == day and energy is not None
    ]
    assert len(of_day) == hours and sum(of_day) == pytest.approx(0.1 * hours)


def test_a_daily_counter_tells_its_day_even_after_a_night_without_readings() -> None:
    """Last seen at 20:00; at 09:00 it shows 2.0 kWh, all of them of this day; the evening's rest is unknown."""
    evening = datetime(2026, 3, 10, 20, tzinfo=BERLIN)
    morning = datetime(2026, 3, 11, 9, tzinfo=BERLIN)
    assert energies((evening, 30.0), (morning, 2.0), kind="daily", marks="end") == [None, 2.0]


@pytest.mark.parametrize("marks", ["start", "end"])
def test_a_daily_counter_that_returns_to_zero_late_does_not_make_its_day_twice(marks: str) -> None:
    """9.3 at 23:30 and 9.4 at 00:30, before it returned to zero: the hour made 0.1 kWh, and the next ones 0 and 0.2."""
    at = datetime(2026, 3, 10, 23, 30, tzinfo=BERLIN) - (timedelta(hours=1) if marks == "end" else timedelta())
    rows = [(at + timedelta(hours=n), value) for n, value in enumerate((9.3, 9.4, 0.0, 0.2))]
    told = energies(*rows, kind="daily", marks=marks, minutes=60)
    assert told == ([0.1, 0.0, 0.2, None] if marks == "start" else [None, 0.1, 0.0, 0.2])


def test_a_night_that_passes_the_day_before_is_its_own_days() -> None:
    """An idle day's 0.4 kWh stand at 23:30; a car takes 6 kWh from midnight on, and the counter falls no more."""
    at = datetime(2026, 3, 10, 22, 30, tzinfo=BERLIN)
    rows = [(at + timedelta(hours=n), value) for n, value in enumerate((0.4, 6.0, 17.0, 17.5))]
    told = energies(*rows, kind="daily", marks="end", minutes=60, column="import_kwh_total")
    assert told == [None, 6.0, 11.0, 0.5]


def test_a_daily_counter_seen_once_after_midnight_above_its_day_is_unknown_until_more_is_seen() -> None:
    """Whether 9.4 at 00:30 goes on from 9.3 or was made within half an hour, the next value tells."""
    at = datetime(2026, 3, 10, 22, 30, tzinfo=BERLIN)
    rows = [(at, 9.3), (at + timedelta(hours=1), 9.4)]
    assert energies(*rows, kind="daily", marks="end", minutes=60) == [None, None]
    assert energies(*rows, (at + timedelta(hours=2), 0.0), kind="daily", marks="end", minutes=60) == [None, 0.1, 0.0]


def test_a_counter_read_once_a_day_tells_each_days_energy() -> None:
    """Read at the end of each day: 5.0, 7.0 and 6.0 kWh are the days' own."""
    at = datetime(2026, 3, 10, tzinfo=BERLIN)
    rows = [(at + timedelta(days=n), value) for n, value in enumerate((5.0, 7.0, 6.0))]
    assert energies(*rows, kind="daily", marks="end", minutes=1440)[1:] == [7.0, 6.0]


def test_a_daily_counter_that_restarts_at_noon_goes_on() -> None:
    """8.0, then 0.2 after a restart, then 0.5: 0.2 and 0.3 kWh."""
    assert energies((0, 7.9), (15, 8.0), (30, 0.2), (45, 0.5), kind="daily") == [0.1, 0.2, 0.3, None]


def test_counters_read_at_different_paces_make_no_power_too_high() -> None:
    """Generation every 15 min, import hourly: the figure of seconds is the longer one."""
    rows = pl.DataFrame(
        {
            "site_id": "S1", "device_id": "", "ts_utc": [MARCH_10 + timedelta(minutes=15 * n) for n in range(5)],
            "interval_s": pl.Series([900] * 5, dtype=pl.Int32), "marks": "start", "timezone": "Europe/Berlin",
            "limit_kw": 10.0, "pv_kwh_total": [1.0, 1.1, 1.2, 1.3, 1.4],
            "import_kwh_total": [5.0, None, None, None, 6.0],
        }
    ).with_columns(pl.col("ts_utc").dt.convert_time_zone("UTC").dt.cast_time_unit("us"))  # fmt: skip
    found = difference(rows, {"pv_kwh_total": "lifetime", "import_kwh_total": "lifetime"})
    assert found["counted_s"].to_list() == [3600, 900, 900, 900, None]
    assert found["import_counted_kwh"].to_list() == [1.0, None, None, None, None]


# Through the history --------------------------------------------------------------------------------------------------


def counts(first: int, last: int) -> str:
    """Quarter hours `first` to `last` of a counter that gains 0.25 kWh in each, now more, now less."""
    return table("t,total", [(stamp, 1000 + 0.25 * n + 0.05 * (n % 2)) for n, stamp in enumerate(stamps(last))][first:])


ORDERS = {"S1": "abc", "S2": "cba", "S3": "bca", "S4": "acb"}
SPANS = {"a": (0, 40), "b": (40, 41), "c": (41, 97)}


@pytest.fixture(scope="module")
def in_parts(tmp_path_factory: pytest.TempPathFactory) -> Fleet:
    """Sites whose files came in another order each, and S5, of which all came in one file."""
    fleet = Fleet(tmp_path_factory.mktemp("parts"), 5)
    for turn in range(3):
        for site, order in ORDERS.items():
            fleet.drop(f"{site}_count_{order[turn]}.csv", counts(*SPANS[order[turn]]))
        fleet.take_in()
    fleet.drop("S5_count_all.csv", counts(0, 97))
    fleet.take_in()
    return fleet


def history_of(fleet: Fleet, site: str) -> dict[str, list[tuple[Any, ...]]]:
    """What the history holds of one site, without its name."""
    rows = fleet.history(is_numbered=False)
    return {
        name: [tuple("" if cell == site else cell for cell in row) for row in found if site in row]
        for name, found in rows.items()
    }


@pytest.mark.parametrize("site", ORDERS, ids=ORDERS.values())
def test_the_order_of_files_does_not_matter(in_parts: Fleet, site: str) -> None:
    """96 quarter hours from 00:00 UTC of 10 March: the Berlin day of the 10th holds 23 h of them, 23 kWh."""
    whole = history_of(in_parts, "S5")
    assert len(whole["reading_raw"]) == 97 and len(whole["site_day"]) == 2
    assert differences(whole, history_of(in_parts, site)) == {}
    kwh = dict(in_parts.ask("SELECT day, pv_kwh FROM site_day WHERE site_id = ?", [site]))
    assert kwh == {date(2026, 3, 10): pytest.approx(23.0), date(2026, 3, 11): pytest.approx(1.0)}


def test_counters_of_daily_files_join_over_midnight(tmp_path: Path) -> None:
    """A counter read once a day at 00:00 UTC: each file's row is the end of the day before; 20 kWh a day."""
    profile = PROFILES["count"].replace("interval_min = 15", "interval_min = 1440\nmarks = 'interval end'")
    fleet = Fleet(tmp_path, [{"site_id": "S1", "timezone": "UTC"}], profiles={"count": profile})
    for n in (3, 1, 2, 4):
        fleet.drop(f"S1_count_{n}.csv", table("t,total", [(f"2026-03-{10 + n} 00:00", 100 + 20 * n)]))
        fleet.take_in()
    assert fleet.ask("SELECT day, pv_kwh FROM site_day ORDER BY day") == [
        (date(2026, 3, 10), None), *((date(2026, 3, 10 + n), pytest.approx(20.0)) for n in (1, 2, 3)),
    ]  # fmt: skip


def test_a_counter_beside_a_power_is_held_against_it_and_counts_in_no_energy(tmp_path: Path) -> None:
    """1 kW in the mean, and a counter that gains twice as much: 24 kWh by power, 48 by the counter."""
    profile = PROFILES["count"] + '[channels.pv_w]\ncolumn = "pv"\n'
    fleet = Fleet(tmp_path, profiles={"count": profile})
    rows = [(stamp, 5000 + n / 2, 900 + 200 * (n % 2)) for n, stamp in enumerate(stamps(2 * 96, day=date(2026, 3, 10)))]
    fleet.drop("S1_count_a.csv", table("t,total,pv", rows))
    fleet.take_in()
    about = "day = DATE '2026-03-11'"  # Europe/Berlin: 23:00 UTC the day before to 22:45
    assert fleet.value(f"SELECT pv_kwh FROM site_day WHERE {about}") == pytest.approx(24)
    told = f"SELECT flow, counted_kwh, power_kwh, intervals FROM feature_counter_day WHERE {about}"
    assert fleet.ask(told) == [("generation", pytest.approx(48), pytest.approx(24), 96)]
