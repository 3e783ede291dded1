"""What analysts open: there from the first day, described, never locked, never locking, for reading alone."""

import json
import os
import shutil
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl
import pytest

from detectors.frames import CHANNELS, SITES
from pipeline.errors import QueryError
from pipeline.runs import clock_corrections, session
from pipeline.store import parts, reader, reader_database
from tests.support.fleet import DAY, Fleet, roof, stamps, sunny
from tests.support.snapshot import Snapshot

pytestmark = pytest.mark.usefixtures("few_detectors")

# contract, section 7, word for word
ALWAYS = """
reading: site_id, ts_utc, ts_local, interval_s, export_id, ts_export, clock_shift_min
device_reading: device_id, site_id, ts_utc, ts_local, interval_s, export_id, ts_export, clock_shift_min
site_day: site_id, day, readings, coverage_pct, pv_kwh, load_kwh, import_kwh, feed_in_kwh, charge_kwh, discharge_kwh
site_day: soc_min_pct, soc_max_pct, specific_yield_kwh_per_kwp, expected_kwh, judged_kwh, performance_pct
finding: site_id, day, kind, severity, value, unit, threshold, loss_kwh, evidence
exception: exception_id, site_id, kind, severity, status, opened_on, first_day, last_day, days_open, loss_kwh
exception: cost, currency, summary, evidence, loss_basis, loss_per_day_kwh, cost_per_day, at_stake_kwh
revisit: exception_id, site_id, installer_id, kind, since, diagnosis, measured, expected, steps
export_file: export_id, path, sha256, profile, taken_in_at
export_file: rows_read, rows_stored, rows_unchanged, rows_replaced, rows_rejected
rejected_row: export_id, line, column_name, value, reason, raw
exception_event: exception_id, at, event, by, note
run: run_id, job, started_at, ended_at, outcome, detail
not_judged: site_id, day, detector, reason, code, values
"""
RELATIONS: dict[str, set[str]] = {"site": set(SITES), "reading": set(CHANNELS), "device_reading": set(CHANNELS)}
for line in ALWAYS.split("\n")[1:-1]:
    name, columns = line.split(": ")
    RELATIONS[name] = RELATIONS.get(name, set()) | set(columns.split(", "))


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Snapshot:
    made = Fleet(tmp_path_factory.mktemp("reader") / "desk")
    made.drop("S1_roof_a.csv", roof(sunny()))
    made.take_in(is_published=True)
    return Snapshot(made.space.root)


@pytest.fixture
def fleet(published: Snapshot) -> Fleet:
    """To do with as one likes."""
    return Fleet.of(published.restored())


@pytest.fixture(scope="module")
def unchanged(published: Snapshot) -> Fleet:
    """To read alone."""
    return Fleet.of(shutil.copytree(published.restored(), published.root.with_name("unchanged"), symlinks=True))


def ask(fleet: Fleet, sql: str) -> list[tuple]:
    return reader.ask(fleet.space.reader, sql).rows()


def test_every_relation_and_column_is_there_before_the_first_row(tmp_path: Path) -> None:
    fleet = Fleet(tmp_path)
    fleet.take_in(is_published=True)
    for relation, columns in RELATIONS.items():
        found = [name for (name,) in ask(fleet, f"SELECT column_name FROM (DESCRIBE {relation})")]
        assert columns <= set(found), relation
        assert ask(fleet, f"SELECT count(*) FROM {relation}") == [(3 if relation == "site" else 0,)]


def test_types_are_the_same_before_and_after_the_first_row(tmp_path: Path) -> None:
    fleet = Fleet(tmp_path, devices=[("S3", "A")])
    fleet.take_in(is_published=True)
    sql = "SELECT table_name, column_name, data_type FROM duckdb_columns() ORDER BY ALL"
    empty = ask(fleet, sql)
    fleet.drop("S1_roof_a.csv", roof(sunny()) + "bad,1,1,1\n")
    fleet.drop("S3A_roof_a.csv", roof(sunny()))
    fleet.cycle()
    assert ask(fleet, sql) == empty


def test_every_relation_and_column_has_a_comment(unchanged: Fleet) -> None:
    bare = ask(
        unchanged,
        "SELECT table_name, column_name FROM duckdb_columns() WHERE NOT internal AND coalesce(comment, '') = ''",
    )
    assert bare == []
    found = ask(unchanged, "SELECT DISTINCT table_name FROM duckdb_columns() WHERE NOT internal")
    assert RELATIONS.keys() <= {name for (name,) in found}
    tables = "SELECT comment FROM duckdb_tables() UNION ALL SELECT comment FROM duckdb_views() WHERE NOT internal"
    assert all(comment for (comment,) in ask(unchanged, tables))


def test_readings_stand_at_true_and_local_time(unchanged: Fleet) -> None:
    """12:00 UTC of 10 March is 13:00 in Berlin (UTC+1)."""
    sql = "SELECT ts_local, pv_w, interval_s FROM reading WHERE ts_utc = TIMESTAMP '2026-03-10 12:00'"
    assert ask(unchanged, sql) == [(datetime(2026, 3, 10, 13), 6000.0, 900)]  # noqa: DTZ001 - wall-clock time


def test_instants_are_the_same_text_whatever_the_clients_zone(fleet: Fleet) -> None:
    fleet.cycle()
    asked = (
        "SELECT CAST(min(ts_utc) AS VARCHAR) FROM reading",
        "SELECT CAST(min(ts_local) AS VARCHAR) FROM reading",
        "SELECT CAST(max(taken_in_at) AS VARCHAR) FROM export_file",
        "SELECT CAST(max(started_at) AS VARCHAR) FROM run",
        "SELECT CAST(max(judged_at) AS VARCHAR) FROM judged",
    )
    seen = []
    for zone in ("UTC", "Asia/Tokyo", "America/Denver"):
        with duckdb.connect(str(fleet.space.reader / reader.DATABASE), read_only=True) as con:
            con.execute(f"SET TimeZone = '{zone}'")
            seen.append([con.execute(sql).fetchall()[0][0] for sql in asked])
    assert seen[0] == seen[1] == seen[2]
    assert seen[0][:2] == ["2026-03-10 00:00:00", "2026-03-10 01:00:00"]
    (started,) = fleet.ask("SELECT strftime(max(started_at), '%Y-%m-%d %H') FROM run")[0]
    assert seen[0][3].startswith(started)
    zoned = "SELECT table_name, column_name FROM duckdb_columns() WHERE NOT internal AND data_type LIKE '%ZONE'"
    assert ask(fleet, zoned) == []


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


def test_a_site_has_the_profile_that_its_exports_used_last(fleet: Fleet) -> None:
    profiles = "SELECT site_id, profile FROM site ORDER BY site_id"
    assert ask(fleet, profiles) == [("S1", "roof"), ("S2", None), ("S3", None)]
    fleet.drop("meter_a.csv", "t,site,grid\n2026-03-10 00:00,S1,5\n2026-03-10 00:00,S3,5\n")
    fleet.take_in(is_published=True)
    assert ask(fleet, profiles) == [("S1", "meter"), ("S2", None), ("S3", "meter")]


SESSION = """
import sys, duckdb
con = duckdb.connect(sys.argv[1], read_only=True)
for line in sys.stdin:
    print(con.execute("SELECT count(*), max(pv_w) FROM reading").fetchall(), flush=True)
"""


def test_an_open_session_blocks_nobody_and_keeps_what_it_had(fleet: Fleet) -> None:
    """Another process holds the analyst's database open while two runs publish over it."""
    database = fleet.space.reader / reader.DATABASE
    with subprocess.Popen(
        [sys.executable, "-c", SESSION, str(database)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as session:
        assert session.stdin is not None and session.stdout is not None

        def seen() -> str:
            session.stdin.write("\n")
            session.stdin.flush()
            return session.stdout.readline().strip()

        assert seen() == "[(96, 6000.0)]"
        fleet.drop("S1_roof_b.csv", roof(sunny(peak_w=7000)))  # corrects every reading of the day
        fleet.drop("S2_roof_b.csv", roof(sunny()))
        fleet.take_in(is_published=True)
        assert seen() == "[(96, 6000.0)]"
        fleet.take_in(is_published=True)
        assert seen() == "[(96, 6000.0)]"
        assert ask(fleet, "SELECT count(*), max(pv_w) FROM reading") == [(192, 7000.0)]
        session.stdin.close()
    with duckdb.connect(str(database), read_only=True) as reopened:
        assert reopened.execute("SELECT count(*), max(pv_w) FROM reading").fetchall() == [(192, 7000.0)]


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


def shown(fleet: Fleet) -> list[list[tuple]]:
    """What an analyst sees of relations and columns, and the rows of those that do not change with every run."""
    rows = "SELECT 's', * FROM site UNION ALL BY NAME SELECT 'f', path AS name FROM export_file ORDER BY ALL"
    tables = "SELECT table_name, comment FROM duckdb_tables() WHERE database_name NOT IN ('system', 'temp') ORDER BY 1"
    columns = "SELECT table_name, column_name, data_type, comment FROM duckdb_columns() WHERE NOT internal ORDER BY ALL"
    views = "SELECT view_name, comment FROM duckdb_views() WHERE NOT internal ORDER BY 1"
    return [ask(fleet, sql) for sql in (rows, tables, columns, views, "SELECT count(*), sum(pv_w) FROM reading")]


@pytest.mark.parametrize("is_spoilt", [False, True])
def test_a_database_taken_over_from_the_one_before_is_as_one_made_from_nothing(fleet: Fleet, is_spoilt: bool) -> None:
    database, made_of = (fleet.space.reader / name for name in (reader.DATABASE, reader_database.MADE_OF))
    if is_spoilt:  # damaged, though its size and time are as they were
        times = database.stat()
        database.chmod(0o644)
        with database.open("r+b") as file:
            file.write(b"\xff" * 3 * 4096)
        os.utime(database, ns=(times.st_atime_ns, times.st_mtime_ns))
    fleet.space.sites_file.write_text(fleet.space.sites_file.read_text(encoding="utf-8").replace("48.", "47."), "utf-8")
    fleet.drop("S1_roof_b.csv", roof(sunny(peak_w=7000)))
    fleet.take_in(is_published=True)
    taken_over = shown(fleet)
    assert json.loads(made_of.read_text("utf-8"))["state"][0] == database.stat().st_size
    made_of.unlink()
    fleet.take_in(is_published=True)
    assert shown(fleet) == taken_over and taken_over[-1] == [(96, pytest.approx(taken_over[-1][0][1]))]


def days_of(fleet: Fleet, first: date, count: int, sites: str = "12") -> None:
    for site in sites:
        for n in range(count):
            day = first + timedelta(days=n)
            at_noon = stamps(4, start=datetime(day.year, day.month, day.day, 12, tzinfo=UTC))
            fleet.drop(f"S{site}_roof_{day}.csv", roof([(t, 100 + n, 1) for t in at_noon]))


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


# For reading alone --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT count(*) FROM reading",
        "FROM site_day",
        "WITH a AS (SELECT 1 AS one) SELECT * FROM a",
        "-- a remark\nSELECT 1;",
        "SHOW TABLES",
        "DESCRIBE reading",
        "SUMMARIZE site_day",
        "EXPLAIN SELECT * FROM reading",
        "EXPLAIN ANALYZE SELECT count(*) FROM reading",
        "EXPLAIN (FORMAT json) SELECT 1",
        "VALUES (1)",
        "SELECT 'insert into site' AS text",
    ],
)
def test_questions_are_answered(unchanged: Fleet, sql: str) -> None:
    assert reader.ask(unchanged.space.reader, sql).height >= 1


@pytest.mark.parametrize(
    "sql",
    [
        "COPY (SELECT 1) TO '{reader}/out.csv'",
        "COPY site TO '{root}/out.csv'",
        "EXPLAIN ANALYZE COPY (SELECT 1) TO '{reader}/out.csv'",
        "EXPLAIN (ANALYZE) COPY (SELECT 1) TO '{reader}/out.csv'",
        "/* */ EXPLAIN /* */ ANALYZE COPY (SELECT 1) TO '{reader}/out.csv'",
        "EXPORT DATABASE '{reader}/out'",
        "CREATE TABLE out AS SELECT 1",
        "CREATE TEMP TABLE out AS SELECT 1",
        "INSERT INTO site SELECT * FROM site",
        "WITH a AS (SELECT 1) INSERT INTO site SELECT * FROM site",
        "UPDATE site SET name = 'x'",
        "DELETE FROM site",
        "DROP VIEW reading",
        "ALTER TABLE site ADD COLUMN x INTEGER",
        "ATTACH '{root}/noonmark.duckdb' AS h",
        "ATTACH ':memory:' AS m",
        "INSTALL httpfs",
        "LOAD httpfs",
        "SET enable_external_access = true",
        "PRAGMA enable_object_cache",
        "CALL pragma_version()",
        "CHECKPOINT",
        "VACUUM",
        "SELECT 1; DROP VIEW reading",
        "SELECT 1; SELECT 2",
        "SELECT * FROM read_csv('{root}/sites.csv')",
        "SELECT * FROM '{root}/sites.csv'",
        "SELECT * FROM read_text('{root}/noonmark.toml')",
        "SELECT * FROM read_text('{reader}/../noonmark.toml')",
        "SELECT * FROM read_blob('/etc/hostname')",
        "SELECT * FROM glob('{root}/*')",
        "SELECT * FROM read_csv('https://example.org/a.csv')",
        "SELECT * FROM no_such_relation",
        "SELEC 1",
        "",
        ";",
    ],
)
def test_nothing_is_written_and_nothing_else_is_read(unchanged: Fleet, sql: str) -> None:
    before = sorted((path, path.stat().st_mtime_ns) for path in unchanged.space.root.rglob("*") if path.is_file())
    with pytest.raises(QueryError) as refused:
        reader.ask(unchanged.space.reader, sql.format(root=unchanged.space.root, reader=unchanged.space.reader))
    assert "\n" not in str(refused.value)
    assert (
        sorted((path, path.stat().st_mtime_ns) for path in unchanged.space.root.rglob("*") if path.is_file()) == before
    )


def test_before_the_first_run_there_is_a_line_and_no_traceback(tmp_path: Path) -> None:
    with pytest.raises(QueryError, match="no history to ask yet"):
        reader.ask(tmp_path, "SELECT 1")


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


def test_a_moved_reader_answers_from_any_folder_at_once(
    fleet: Fleet, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Under another name, by any path, from another working directory, attached, through a link."""
    moved = tmp_path / "else" / "for analysts"
    moved.parent.mkdir()
    fleet.space.reader.rename(moved)
    link = tmp_path / "link"
    link.symlink_to(moved)
    count, wanted = "SELECT count(*), max(pv_w) FROM reading", [(96, 6000.0)]
    assert reader.ask(moved, count).rows() == wanted
    assert reader.ask(link, count).rows() == wanted
    for here, path in (("/", moved / reader.DATABASE), (tmp_path, Path("else/for analysts") / reader.DATABASE)):
        monkeypatch.chdir(here)
        with duckdb.connect(str(path), read_only=True) as con:
            assert con.execute(count).fetchall() == wanted
            monkeypatch.chdir("/")
            assert con.execute(count).fetchall() == wanted
    with duckdb.connect() as con:
        con.execute(f"ATTACH '{moved / reader.DATABASE}' AS desk (READ_ONLY)")
        with pytest.raises(duckdb.IOException):
            con.execute("SELECT count(*) FROM desk.reading")
        con.execute(f"SET VARIABLE noonmark_reader = '{moved}'")
        assert con.execute("SELECT count(*), max(pv_w) FROM desk.reading").fetchall() == wanted


def test_an_attached_reader_answers_where_it_was_written(fleet: Fleet) -> None:
    with duckdb.connect() as con:
        con.execute(f"ATTACH '{fleet.space.reader / reader.DATABASE}' AS desk (READ_ONLY)")
        assert con.execute("SELECT count(*), max(pv_w) FROM desk.reading").fetchall() == [(96, 6000.0)]
