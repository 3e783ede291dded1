"""Wall clocks and lengths of days against Python's zoneinfo on the pinned tzdata."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from pipeline.timezones.local_time import add_local, day_hours, day_start, local_day_span
from pipeline.timezones.zones import tzinfo_of

ZONES = [
    "Europe/Lisbon",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "Pacific/Apia",
    "Africa/Casablanca",
    "Atlantic/Azores",
    "America/Phoenix",
    "America/St_Johns",
    "Pacific/Chatham",
    "Asia/Kolkata",
    "Australia/Adelaide",
]


@pytest.mark.parametrize("year", [2011, 2025])
def test_wall_clocks_are_those_of_zoneinfo(year: int) -> None:
    instants = [datetime(year, 1, 1, tzinfo=UTC) + timedelta(minutes=30 * n) for n in range(17_600)]
    frame = pl.DataFrame({"ts_utc": instants * len(ZONES), "timezone": [zone for zone in ZONES for _ in instants]})
    local = add_local(frame)["ts_local"].to_list()
    expected = [at.astimezone(tzinfo_of(zone)).replace(tzinfo=None) for zone in ZONES for at in instants]
    assert local == expected


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/Zurich", date(2026, 3, 29), 23),
        ("Europe/Zurich", date(2026, 10, 25), 25),
        ("Australia/Lord_Howe", date(2025, 4, 6), 24.5),  # thirty minutes of daylight saving
        ("Atlantic/Azores", date(2025, 3, 30), 23),  # its midnight is the hour that is missing
        ("America/Phoenix", date(2025, 3, 9), 24),
        ("Pacific/Apia", date(2011, 12, 29), 24),
        ("Pacific/Apia", date(2011, 12, 31), 24),
    ],
)
def test_lengths_of_days(zone: str, day: date, hours: float) -> None:
    assert day_hours(pl.DataFrame({"timezone": [zone], "day": [day]})).to_list() == [hours]


def test_a_day_begins_with_the_first_instant_of_its_date() -> None:
    # Apia went from 29 to 31 December 2011: 30 December has no instant, and 31 December begins where it would have
    assert day_start("Pacific/Apia", date(2011, 12, 31)) == datetime(2011, 12, 30, 10, tzinfo=UTC)
    # Azores, 30 March 2025: the clock goes from 23:59 to 01:00
    assert day_start("Atlantic/Azores", date(2025, 3, 30)) == datetime(2025, 3, 30, 1, tzinfo=UTC)


@pytest.mark.parametrize("zone", [*ZONES, "Pacific/Kiritimati", "Etc/GMT+12"])
def test_the_span_of_a_local_day_encloses_it_in_every_zone(zone: str) -> None:
    lo, hi = local_day_span(date(2025, 6, 1), date(2025, 6, 2))
    assert lo <= day_start(zone, date(2025, 6, 1))
    assert day_start(zone, date(2025, 6, 3)) <= hi


@pytest.mark.parametrize("zone", ZONES)
def test_the_span_of_a_zone_is_its_day_to_the_minute(zone: str) -> None:
    start = datetime(2025, 1, 1, tzinfo=UTC)
    instants = pl.datetime_range(start, start + timedelta(days=367), "15m", eager=True, time_zone="UTC")
    frame = add_local(pl.DataFrame({"ts_utc": instants}).with_columns(timezone=pl.lit(zone)))
    days = frame.group_by(day=pl.col("ts_local").dt.date()).agg(
        pl.col("ts_utc").min().alias("lo"), pl.col("ts_utc").max().alias("hi")
    )
    for day, lo, hi in days.filter(pl.col("day").dt.year() == 2025, pl.col("day") > date(2025, 1, 1)).iter_rows():
        span = local_day_span(day, day, zone)
        assert span == (lo, hi + timedelta(minutes=15))


def test_an_hour_after_midnight_that_comes_again_belongs_to_the_span() -> None:
    # St John's, 7 November 2010: at 00:01 the clock went back to 23:01 of the 6th
    _, hi = local_day_span(date(2010, 11, 6), date(2010, 11, 6), "America/St_Johns")
    assert day_start("America/St_Johns", date(2010, 11, 7)) == datetime(2010, 11, 7, 2, 30, tzinfo=UTC)
    assert hi >= datetime(2010, 11, 7, 3, 30, tzinfo=UTC)
