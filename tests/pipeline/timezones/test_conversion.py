"""Wall clock to UTC and back, against Python's zoneinfo on the same pinned IANA database."""

import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.timezones.clock_changes import AMBIGUOUS, FOLD_0, FOLD_1, NONEXISTENT, OK, STANDARD
from pipeline.timezones.conversion import to_local, to_utc, to_utc_standard, transitions
from pipeline.timezones.zones import file_of, fixed_offset_s, is_zone, tzinfo_of, zone_names
from tests.support.places import OPEN_DATA

US = 1_000_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
# Half and three-quarter hours, a 30-minute daylight saving, a negative one, a day and a midnight that never were, both
# hemispheres, zones that changed their offset for good, and one without changes.
ZONES = [
    ("Europe/Zurich", 2025),
    ("Europe/Lisbon", 1993),
    ("Europe/Lisbon", 1996),
    ("Europe/Dublin", 2024),
    ("America/New_York", 2025),
    ("America/St_Johns", 2008),
    ("America/Sao_Paulo", 2018),
    ("America/Santiago", 2025),
    ("Africa/Casablanca", 2025),
    ("Africa/Cairo", 2024),
    ("Atlantic/Azores", 2025),
    ("Asia/Kathmandu", 1985),
    ("Asia/Tehran", 2021),
    ("Australia/Adelaide", 2025),
    ("Australia/Sydney", 2025),
    ("Australia/Lord_Howe", 2025),
    ("Pacific/Chatham", 2025),
    ("Pacific/Apia", 2011),
    ("Antarctica/Troll", 2025),
    ("Europe/Zurich", 2099),
]


def wall_us(instant_us: int, zone: str) -> int:
    """The wall clock that zoneinfo shows at an instant."""
    shown = (EPOCH + timedelta(microseconds=instant_us)).astimezone(tzinfo_of(zone)).replace(tzinfo=UTC)
    return (shown - EPOCH) // timedelta(microseconds=1)


@lru_cache
def changes(zone: str, year: int) -> list[int]:
    """The instants (s) at which zoneinfo's offset changes in a year, found minute by minute."""
    tz = tzinfo_of(zone)
    found = []
    hours = [datetime(year, 1, 1, tzinfo=UTC) + timedelta(hours=h) for h in range(366 * 24)]
    for before, after in pairwise(hours):
        if before.astimezone(tz).utcoffset() != after.astimezone(tz).utcoffset():
            minutes = (before + timedelta(minutes=m) for m in range(61))
            was = before.astimezone(tz).utcoffset()
            found.append(next(int(m.timestamp()) for m in minutes if m.astimezone(tz).utcoffset() != was))
    return found


def around(zone: str, year: int, minutes: int) -> list[np.ndarray]:
    """For each change of the year the instants (us) of every interval from 30 h before it to 30 h after."""
    step = minutes * 60 * US
    return [at * US + np.arange(-30 * 60 // minutes, 30 * 60 // minutes + 1) * step for at in changes(zone, year)]


@pytest.mark.parametrize(("zone", "year"), ZONES)
@pytest.mark.parametrize("backwards", [False, True], ids=["ascending", "descending"])
@pytest.mark.parametrize("marks", ["start", "end", "end by the clock"])
def test_every_interval_of_a_change_day_finds_its_instant(zone: str, year: int, backwards: bool, marks: str) -> None:
    """Labels at the start as the clock shows them; at the end as it shows just before, or as it shows by then."""
    days = around(zone, year, 5)
    assert days or zone == "America/Phoenix"
    for instants in days:
        eps = 1 if marks == "end" else 0
        local = np.array([wall_us(int(i) - eps, zone) + eps for i in instants])
        if backwards:
            instants, local = instants[::-1], local[::-1].copy()
        utc, status = to_utc(local, zone, has_end_labels=marks != "start")
        assert (utc == instants).all()
        assert set(np.unique(status)) <= {OK, FOLD_0, FOLD_1}


@pytest.mark.parametrize("minutes", [15, 30, 60])
@pytest.mark.parametrize("marks", ["start", "end", "end by the clock"])
def test_coarse_intervals_repeat_whole_stamps(minutes: int, marks: str) -> None:
    for instants in around("Europe/Zurich", 2025, minutes):
        eps = 1 if marks == "end" else 0
        local = np.array([wall_us(int(i) - eps, "Europe/Zurich") + eps for i in instants])
        assert (to_utc(local, "Europe/Zurich", has_end_labels=marks != "start").utc_us == instants).all()


def test_a_zone_without_changes_has_none() -> None:
    assert changes("America/Phoenix", 2025) == []
    local = np.arange(0, 86_400 * US, 300 * US) + int(datetime(2025, 3, 9, tzinfo=UTC).timestamp()) * US
    assert (to_utc(local, "America/Phoenix").utc_us - local == 7 * 3600 * US).all()


@pytest.mark.parametrize(("zone", "year"), ZONES)
def test_a_stamp_in_the_missing_hour_is_told(zone: str, year: int) -> None:
    """zoneinfo's own sign of a wall clock that never was: to UTC and back, it shows another time."""
    tz = tzinfo_of(zone)
    for instants in around(zone, year, 5):
        local = np.array([wall_us(int(i), zone) for i in instants])
        middle = len(instants) // 2
        gap_us = local[middle] - local[middle - 1] - 300 * US
        if gap_us <= 0:
            continue
        stray = local[middle] - gap_us // 2
        naive = datetime(1970, 1, 1) + timedelta(microseconds=int(stray))  # noqa: DTZ001
        there_and_back = naive.replace(tzinfo=tz).astimezone(UTC).astimezone(tz).replace(tzinfo=None)
        assert there_and_back != naive
        utc, status = to_utc(np.insert(local, middle, stray), zone)
        assert status[middle] == NONEXISTENT
        assert (np.delete(utc, middle) == instants).all()
        assert (np.delete(status, middle) != NONEXISTENT).all()


def stays(*_: object) -> bool:
    return True


def day_of_walls(text: str, minutes: int = 5, days: int = 1) -> np.ndarray:
    """Every wall-clock stamp of a day, as if it had 24 hours."""
    start = int(datetime.fromisoformat(f"{text}T00:00+00:00").timestamp()) * US
    return start + np.arange(0, days * 1440, minutes) * 60 * US


def test_a_file_that_runs_through_the_missing_hour_is_on_standard_time() -> None:
    local = day_of_walls("2025-03-30")
    utc, status = to_utc(local, "Europe/Zurich", is_standard=stays)
    assert (local - utc == 3600 * US).all()
    assert (status == STANDARD).all()
    hourly_ends = day_of_walls("2025-03-30", 60)
    utc, _ = to_utc(hourly_ends, "Europe/Zurich", has_end_labels=True, is_standard=stays)
    assert (utc == hourly_ends - 3600 * US).all()


def test_a_filled_hour_costs_its_own_stamps_alone() -> None:
    """IANA: Zurich's clocks went from 02:00 to 03:00 on 30 March 2025."""
    local = day_of_walls("2025-03-30", 15)
    for has_end_labels, lost in (
        (False, ["02:00", "02:15", "02:30", "02:45"]),
        (True, ["02:15", "02:30", "02:45", "03:00"]),
    ):
        utc, status = to_utc(local, "Europe/Zurich", has_end_labels=has_end_labels)
        midnight = int(local[0])
        assert [f"{(us - midnight) // US // 3600:02d}:{(us - midnight) // US % 3600 // 60:02d}"
                for us in local[status == NONEXISTENT]] == lost  # fmt: skip
        kept = status != NONEXISTENT
        assert set(np.diff(utc[kept])) == {900 * US}  # no gap, no instant twice: the day has 23 hours
        assert kept.sum() == 92


def test_each_file_with_a_filled_hour_is_asked_for() -> None:
    even = day_of_walls("2025-03-30", 15)
    local, file = np.tile(even, 2), np.repeat([4, 7], len(even))
    asked = []

    def choose(number: int, rows: np.ndarray, low: np.ndarray, high: np.ndarray) -> bool:
        asked.append((number, len(rows), int(low[0] - even[0]) // US // 60, int(high[0] - low[0]) // US // 60))
        return number == 7

    status = to_utc(local, "Europe/Zurich", file, file, is_standard=choose).status
    assert asked == [(4, 96, 120, 60), (7, 96, 120, 60)]
    assert (status[96:] == STANDARD).all() and (status[:96] == NONEXISTENT).sum() == 4


@pytest.mark.parametrize(
    ("zone", "summer", "offset_h"),
    [
        ("Europe/Zurich", "2025-07-01", 1), ("America/New_York", "2025-07-01", -5),
        ("Australia/Sydney", "2025-01-15", 10),
        ("Europe/Dublin", "2025-07-01", 0), ("Asia/Tokyo", "2025-07-01", 9), ("Africa/Casablanca", "2025-07-01", 1),
    ],
)  # fmt: skip
def test_standard_time_all_year(zone: str, summer: str, offset_h: float) -> None:
    """Standard offsets of the IANA database (Dublin's GMT by the common reading, Casablanca's +01 since 2018)."""
    local = day_of_walls(summer)
    assert (local - to_utc_standard(local, zone) == offset_h * 3600 * US).all()


def test_standard_time_is_even_over_a_year() -> None:
    local = day_of_walls("2025-01-01", 60, 365)
    assert set(np.diff(to_utc_standard(local, "Europe/Zurich"))) == {3600 * US}


def test_standard_time_needs_every_site_of_the_file_that_has_stamps_there() -> None:
    even = day_of_walls("2025-03-30", 15)
    jumps = even[(even < even[8]) | (even >= even[12])]  # no 02:00 to 02:45, as the clock shows it
    stray = np.insert(jumps, 8, even[10])
    for other, expected in ((jumps, STANDARD), (stray, NONEXISTENT)):
        local = np.concatenate([even, other])
        series = np.repeat([0, 1], [len(even), len(other)])
        one_file = np.zeros(len(local), np.int64)
        status = to_utc(local, "Europe/Zurich", series, one_file, is_standard=stays).status
        assert status[8] == expected


def test_a_day_that_never_was_is_no_standard_time() -> None:
    """Samoa went from 29 to 31 December 2011 (IANA): all 288 stamps of the 30th are missing."""
    utc, status = to_utc(day_of_walls("2011-12-29", days=3), "Pacific/Apia")
    assert (status[288:576] == NONEXISTENT).all()
    assert (status[:288] == OK).all() and (status[576:] == OK).all()
    assert utc[576] - utc[287] == 300 * US


def test_one_value_a_stamp_is_the_first_pass_and_says_so() -> None:
    local = day_of_walls("2025-10-26")
    utc, status = to_utc(local, "Europe/Zurich")
    assert (status == AMBIGUOUS).sum() == 12
    assert (local[status == AMBIGUOUS] - utc[status == AMBIGUOUS] == 2 * 3600 * US).all()  # CEST
    assert local[36] - utc[36] == 3600 * US  # 03:00 CET


def test_marks_at_the_edges_of_the_repeated_hour_that_come_once() -> None:
    """Interval ends: 02:00 ends the last interval before the hour, and 03:00 alone is the plain clock reading (CET)."""
    local = day_of_walls("2025-10-26", 15)
    utc, status = to_utc(local, "Europe/Zurich", has_end_labels=True)
    assert [n for n in range(96) if status[n] == AMBIGUOUS] == [9, 10, 11, 12]  # 02:15, 02:30, 02:45, 03:00
    assert local[8] - utc[8] == 2 * 3600 * US
    alone = to_utc(local[12:], "Europe/Zurich", has_end_labels=True)
    assert alone.utc_us[0] == local[12] - 3600 * US
    assert AMBIGUOUS not in alone.status


def test_each_site_of_an_interleaved_file_has_its_own_order() -> None:
    instants = around("Europe/Zurich", 2025, 15)[1]
    local = np.array([wall_us(int(i), "Europe/Zurich") for i in instants])
    series = np.concatenate([[0], np.tile([1, 0], len(local) - 1), [1]])
    mixed = np.empty(len(series), np.int64)
    mixed[series == 0], mixed[series == 1] = local, local[::-1]
    utc = to_utc(mixed, "Europe/Zurich", series).utc_us
    assert (utc[series == 0] == instants).all()
    assert (utc[series == 1] == instants[::-1]).all()


def test_a_file_sorted_by_its_wall_clock_holds_both_passes_side_by_side() -> None:
    instants = around("Europe/Zurich", 2025, 5)[1]
    local = np.sort([wall_us(int(i), "Europe/Zurich") for i in instants])
    utc, status = to_utc(local, "Europe/Zurich")
    assert (np.sort(utc) == instants).all()
    assert (status == FOLD_1).sum() == 12


def test_a_file_that_writes_every_row_twice_has_one_pass() -> None:
    status = to_utc(np.repeat(day_of_walls("2025-10-26"), 2), "Europe/Zurich").status
    assert (status == AMBIGUOUS).sum() == 24 and (status == FOLD_1).sum() == 0


def test_a_file_joined_of_two_copies_has_both_passes_twice() -> None:
    instants = around("Europe/Zurich", 2025, 5)[1]
    local = np.array([wall_us(int(i), "Europe/Zurich") for i in instants])
    utc = to_utc(np.tile(local, 2), "Europe/Zurich").utc_us
    assert (utc == np.tile(instants, 2)).all()


def test_holes_in_both_passes_do_not_mix_them() -> None:
    """Only 02:10-02:20 of the first pass and 02:15-02:50 of the second: after the step back all is the second."""
    start = day_of_walls("2025-10-26")[0]
    minutes = np.array([110, 115, 130, 135, 140, 135, 140, 145, 150, 170, 180])
    utc, status = to_utc(start + minutes * 60 * US, "Europe/Zurich")
    assert status.tolist() == [OK, OK, FOLD_0, FOLD_0, FOLD_0, FOLD_1, FOLD_1, FOLD_1, FOLD_1, FOLD_1, OK]
    assert (np.diff(utc) > 0).all()


@pytest.mark.parametrize(
    "zone", ["Europe/Zurich", "Africa/Casablanca", "Asia/Gaza", "Australia/Lord_Howe", "Asia/Kolkata"]
)
def test_offsets_are_zoneinfos_at_any_instant(zone: str) -> None:
    seconds = np.random.default_rng(1).integers(0, int(datetime(2100, 12, 31, tzinfo=UTC).timestamp()), 2_000)
    expected = [wall_us(int(s) * US, zone) for s in seconds]
    assert to_local(seconds * US, zone).tolist() == expected
    assert to_local(pl.Series(seconds * US).cast(pl.Datetime("us", "UTC")), zone).tolist() == expected


def test_only_the_pinned_database_counts(tmp_path: Path) -> None:
    """A system whose files call Tokyo's clock Zurich's changes nothing, and this program changes nothing of it."""
    (tmp_path / "Europe").mkdir()
    (tmp_path / "Europe" / "Zurich").write_bytes(file_of("Asia/Tokyo").read_bytes())
    noon = "datetime(2026, 1, 5, 12, tzinfo=UTC)"
    code = f"""
import zoneinfo
from datetime import UTC, datetime
from pipeline.timezones.conversion import transitions
from pipeline.timezones.zones import tzinfo_of
print(zoneinfo.TZPATH == ({str(tmp_path)!r},), {noon}.astimezone(zoneinfo.ZoneInfo("Europe/Zurich")).hour)
print({noon}.astimezone(tzinfo_of("Europe/Zurich")).hour, transitions("Europe/Zurich").offset_s[-1])
"""
    environment = {**os.environ, "PYTHONTZPATH": str(tmp_path)}
    said = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=True)
    assert said.stdout.split() == ["True", "21", "13", "3600"]


def test_zones_are_those_of_the_database_to_the_letter() -> None:
    assert is_zone("Europe/Zurich") and not is_zone("europe/zurich") and not is_zone("Mars/Olympus")
    assert len(zone_names()) > 400


def test_fixed_offsets_are_zones_too() -> None:
    assert [fixed_offset_s(z) for z in ("utc", "+05:30", "-03:00", "Europe/Zurich", "+25:00")] == [
        0, 19_800, -10_800, None, None,
    ]  # fmt: skip
    assert to_utc(np.array([0]), "+05:45").utc_us.tolist() == [-20_700 * US]
    with pytest.raises(KeyError):
        transitions("Mars/Olympus")


@pytest.mark.skipif(not (OPEN_DATA / "aew_ch_2019").is_dir(), reason="no open data; set NOONMARK_OPEN_DATA")
@pytest.mark.parametrize("backwards", [False, True], ids=["ascending", "descending"])
def test_a_measured_year_of_interval_ends_is_evenly_spaced(backwards: bool) -> None:
    """AEW Energie AG, 2019, Europe/Zurich: labels 02:15 to 03:00 twice in autumn, 02:00 then 03:15 in spring."""
    flows = pl.read_parquet(OPEN_DATA / "aew_ch_2019" / "flows_15min.parquet").sort("site", "row", descending=backwards)
    for _, site in flows.group_by("site"):
        local = site["ts_local"].cast(pl.Datetime("us")).to_physical().to_numpy()
        utc, _ = to_utc(local, "Europe/Zurich", has_end_labels=True)
        assert len(utc) == 35_040
        assert set(np.diff(utc)) == {(-900 if backwards else 900) * US}
