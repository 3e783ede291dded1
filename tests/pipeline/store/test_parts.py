"""The parts of the analyst's relations: written where days change, joined by month, superseded, written anew."""

import shutil
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.runs import clock_corrections, session
from pipeline.store import parts, reader_database
from pipeline.workspace import resources
from pipeline.workspace.files import move_file
from tests.support.fleet import DAY, Fleet, roof, stamps, sunny
from tests.support.published import ask

pytestmark = pytest.mark.usefixtures("no_detectors")


def test_parts_that_were_written_with_a_zone_are_written_anew(fleet: Fleet) -> None:
    """As a history has it that an earlier release published."""
    (part,) = (fleet.space.reader / "reading").glob("2026-03-10-*.parquet")
    with fleet.run() as run:
        con = run.store.con
        con.execute(f"CREATE TEMP TABLE old AS SELECT * REPLACE (CAST(ts_utc AS TIMESTAMPTZ) AS ts_utc) FROM '{part}'")
        con.execute(f"COPY old TO '{part}' (FORMAT parquet)")
        con.execute("DELETE FROM schema_log WHERE name = '048_plain_instants'")
    fleet.take_in(is_published=True)
    kinds = "SELECT data_type FROM duckdb_columns() WHERE table_name = 'reading' AND column_name = 'ts_utc'"
    assert ask(fleet, kinds) == [("TIMESTAMP",)]


def test_superseded_parts_go_when_no_session_can_need_them(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    first = set(fleet.files("reader/reading"))
    fleet.drop("S1_roof_b.csv", roof(sunny(peak_w=7000)))
    fleet.take_in(is_published=True)
    assert first < set(fleet.files("reader/reading"))
    (fleet.space.reader / "reading" / "2026-03-10-0.lost.parquet").write_text("left by a killed run")
    (fleet.space.reader / "reading" / "2026-03-10-0.lost.unfinished").write_text("left by a killed run")

    class Later(datetime):
        @classmethod
        def now(cls, tz=None):
            return datetime.now(tz) + timedelta(hours=49)  # keep_h is 48 by default

    monkeypatch.setattr(parts, "datetime", Later)
    fleet.take_in(is_published=True)
    kept = set(fleet.files("reader/reading"))
    assert not kept & first and not any("lost" in name for name in kept)
    assert ask(fleet, "SELECT count(*), max(pv_w) FROM reading") == [(96, 7000.0)]


def test_nothing_lies_in_the_readers_folder_that_goes_away_while_it_is_copied(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A copy lists the names first: one that is gone when its turn comes ends the copy with an error."""
    lying: list[str] = []

    def looked(unfinished: Path, path: Path) -> None:
        lying.extend(one.name for one in fleet.space.reader.rglob("*") if one.is_file())
        move_file(unfinished, path)

    for module in (parts, reader_database):
        monkeypatch.setattr(module, "move_file", looked)
    fleet.drop("S1_roof_b.csv", roof(sunny(peak_w=7000)))
    fleet.take_in(is_published=True)
    left = {one.name for one in fleet.space.reader.rglob("*") if one.is_file()}
    assert lying and set(lying) <= left


def days_of(fleet: Fleet, first: date, count: int, sites: str = "12") -> None:
    for site in sites:
        for n in range(count):
            day = first + timedelta(days=n)
            at_noon = stamps(4, start=datetime(day.year, day.month, day.day, 12, tzinfo=UTC))
            fleet.drop(f"S{site}_roof_{day}.csv", roof([(t, 100 + n, 1) for t in at_noon]))


@pytest.mark.slow
def test_old_months_become_one_part_and_take_late_rows(tmp_path: Path) -> None:
    fleet = Fleet(tmp_path, devices=[("S3", "A"), ("S3", "B")])
    days_of(fleet, date(2025, 11, 1), 3)
    for device in "AB":
        fleet.drop(f"S3{device}_roof_x.csv", roof([(t, 5, 1) for t in stamps(4, day=date(2025, 11, 2))]))
    days_of(fleet, date(2025, 12, 30), 2)
    days_of(fleet, date(2026, 1, 5), 1)
    fleet.take_in(is_published=True)
    in_force = (
        "SELECT relation, period FROM reader_part WHERE superseded_at IS NULL AND relation LIKE '%reading' ORDER BY ALL"
    )
    assert fleet.ask(in_force) == [
        ("device_reading", "2025-11-02"),  # its own newest day is not 35 days past that month
        *(("reading", period) for period in ("2025-11", "2025-12-30", "2025-12-31", "2026-01-05")),
    ]
    before = ask(fleet, "SELECT count(*) FROM reading")
    fleet.drop("S1_roof_late.csv", roof([(t, 9, 1) for t in stamps(3, day=date(2025, 11, 20))]))
    fleet.drop("S3A_roof_late.csv", roof([(t, 6, 1) for t in stamps(4, day=date(2025, 11, 2))]))
    fleet.take_in(is_published=True)
    assert ask(fleet, "SELECT count(*) FROM reading") == [(before[0][0] + 3,)]
    assert ask(fleet, "SELECT count(*) - count(DISTINCT (site_id, ts_utc)) FROM reading") == [(0,)]
    assert ask(fleet, "SELECT DISTINCT pv_w FROM reading WHERE site_id = 'S3'") == [(11.0,)]
    assert ask(fleet, "SELECT device_id, count(*) FROM device_reading GROUP BY 1 ORDER BY 1") == [("A", 4), ("B", 4)]
    raw = fleet.value("SELECT sum(pv_w) FROM reading_raw")
    assert ask(fleet, "SELECT sum(pv_w) FROM reading") == [(raw,)]
    hours = "SELECT period FROM reader_part WHERE superseded_at IS NULL AND relation = 'site_hour' ORDER BY ALL"
    assert fleet.ask(hours)[0] == ("2025-11",) and len(fleet.ask(hours)) == 4
    assert ask(fleet, "SELECT count(*), count(DISTINCT (site_id, ts_utc)) FROM site_hour") == fleet.ask(
        "SELECT count(*), count(*) FROM feature_site_hour"
    )


def test_a_new_day_writes_its_own_hours_and_leaves_those_of_its_month(fleet: Fleet) -> None:
    def files() -> dict[str, str]:
        return dict(fleet.ask("SELECT period, file FROM reader_part WHERE relation = 'site_hour' "
                              "AND superseded_at IS NULL"))  # fmt: skip

    before, hours = files(), ask(fleet, "SELECT count(*) FROM site_hour")[0][0]
    later = DAY + timedelta(days=3)
    fleet.drop("S1_roof_later.csv", roof([(t, 5, 1) for t in stamps(4, day=later)]))
    fleet.take_in(is_published=True)
    assert set(files()) - set(before) == {later.isoformat()}
    assert before.items() <= files().items()
    assert ask(fleet, "SELECT count(*) FROM site_hour")[0][0] == hours + 1


def test_a_clock_years_ahead_joins_no_month_that_still_fills(tmp_path: Path) -> None:
    fleet = Fleet(tmp_path)
    today = datetime.now(UTC).date()
    days_of(fleet, today - timedelta(days=2), 2)
    days_of(fleet, date(2090, 1, 1), 1)
    fleet.take_in(is_published=True)
    periods = {period for (period,) in fleet.ask("SELECT period FROM reader_part WHERE relation = 'reading'")}
    assert all(len(period) == 10 for period in periods)


def test_a_reader_that_was_thrown_away_is_made_again(fleet: Fleet) -> None:
    shutil.rmtree(fleet.space.reader)
    fleet.take_in(is_published=True)
    assert ask(fleet, "SELECT count(*), max(pv_w) FROM reading") == [(96, 6000.0)]
    assert ask(fleet, "SELECT sum(rows_read) FROM export_file") == [(96,)]


def test_parts_of_an_earlier_release_are_written_anew(fleet: Fleet) -> None:
    """A part in force without a column that the view names now."""
    for part in (fleet.space.reader / "site_day").glob("*.parquet"):
        pl.read_parquet(part).drop("pv_coverage_pct").write_parquet(part)
    fleet.take_in(is_published=True)
    assert ask(fleet, "SELECT count(pv_coverage_pct) FROM site_day WHERE pv_kwh > 0") == [(1,)]


def test_a_corrected_clock_shows_in_the_reader_and_is_undone(fleet: Fleet) -> None:
    """A site 60 min late is set back: noon's 6000 W stand at 11:00 UTC; undone, at 12:00 again."""
    noon = "SELECT ts_utc, clock_shift_min, ts_export FROM reading WHERE pv_w = 6000"
    with fleet.run() as run:
        clock_corrections.retime(run, "S1", shift_min=-60, first=DAY - timedelta(days=1), last=None)
        session.publish(run)
    assert ask(fleet, noon) == [(datetime(2026, 3, 10, 11), -60.0, "2026-03-10 12:00")]  # noqa: DTZ001 - plain UTC
    with fleet.run() as run:
        clock_corrections.undo_retime(run, "S1")
        session.publish(run)
    assert ask(fleet, noon) == [(datetime(2026, 3, 10, 12), 0.0, "2026-03-10 12:00")]  # noqa: DTZ001 - plain UTC


@pytest.mark.slow
def test_rows_that_arrive_under_a_corrected_clock_are_published_where_they_belong(tmp_path: Path) -> None:
    """Up to 26 hours either way, so that a row can come to lie two days from its stamp."""
    shifts = {"S1": 90, "S2": -90, "S3": 1500, "S4": -1500}
    fleet = Fleet(tmp_path, 4)
    for site in shifts:
        fleet.drop(f"{site}_roof_a.csv", roof(sunny()))
    fleet.take_in(is_published=True)
    with fleet.run() as run:
        for site, shift_min in shifts.items():
            clock_corrections.retime(run, site, shift_min=shift_min, first=date(2026, 1, 1), last=None)
        session.publish(run)
    for site in shifts:
        fleet.drop(f"{site}_roof_late.csv", roof(sunny(date(2026, 3, 14))))
    fleet.take_in(is_published=True)
    for site, shift_min in shifts.items():
        of_site = f"WHERE site_id = '{site}'"
        total_w = fleet.value(f"SELECT sum(pv_w) FROM reading_raw {of_site}")
        shown = ask(fleet, f"SELECT count(*), sum(pv_w) FROM reading {of_site}")
        assert shown == [(192, pytest.approx(total_w))]
        by_hand = fleet.ask(
            f"""
            SELECT CAST((ts_utc + to_minutes(?)) AT TIME ZONE 'Europe/Berlin' AS DATE) AS day, count(*)
            FROM reading_raw {of_site} GROUP BY day ORDER BY day
            """,
            [shift_min],
        )
        assert fleet.ask(f"SELECT day, readings FROM site_day {of_site} ORDER BY day") == by_hand


def test_hours_are_the_same_whether_or_not_cut_ones_are_looked_for(fleet: Fleet) -> None:
    with fleet.run() as run:
        texts = [resources.query(name) for name in ("site_hour", "whole_site_hour")]
        span = ("TIMESTAMPTZ '2026-03-10'", "TIMESTAMPTZ '2026-03-11'")
        all_alike, plain = (run.store.frame(text.replace("$lo", span[0]).replace("$hi", span[1])) for text in texts)
    assert plain.height == 24 and plain.schema == all_alike.schema
    assert plain.equals(all_alike)


def test_an_hour_that_midnight_cuts_in_two_is_one_hour(tmp_path: Path) -> None:
    """Midnight at 18:30 UTC, as India has it."""
    fleet = Fleet(tmp_path, [{"site_id": "S1", "longitude": "77", "latitude": "28", "timezone": "Asia/Kolkata"}])
    fleet.drop("S1_roof_a.csv", roof(sunny()))
    fleet.take_in(is_published=True)
    assert ask(fleet, "SELECT count(*), count(DISTINCT ts_utc), min(coverage_pct) FROM site_hour") == [(24, 24, 100.0)]
