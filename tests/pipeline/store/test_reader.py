"""What analysts open: there from the first day, described, never locked, never locking, for reading alone."""

import json
import os
import shutil
import subprocess
import sys
from datetime import datetime
from pathlib import Path

import duckdb
import pytest

from detectors.frames import CHANNELS, SITES
from pipeline.errors import QueryError
from pipeline.store import reader, reader_database
from tests.support.fleet import Fleet, roof, sunny
from tests.support.published import ask
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
def unchanged(published: Snapshot) -> Fleet:
    """To read alone."""
    return Fleet.of(shutil.copytree(published.restored(), published.root.with_name("unchanged"), symlinks=True))


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


def shown(fleet: Fleet) -> list[list[tuple]]:
    """What an analyst sees of relations and columns, and the rows of those that do not change with every run."""
    rows = "SELECT 's', * FROM site UNION ALL BY NAME SELECT 'f', path AS name FROM export_file ORDER BY ALL"
    tables = "SELECT table_name, comment FROM duckdb_tables() WHERE database_name NOT IN ('system', 'temp') ORDER BY 1"
    columns = "SELECT table_name, column_name, data_type, comment FROM duckdb_columns() WHERE NOT internal ORDER BY ALL"
    views = "SELECT view_name, comment FROM duckdb_views() WHERE NOT internal ORDER BY 1"
    return [ask(fleet, sql) for sql in (rows, tables, columns, views, "SELECT count(*), sum(pv_w) FROM reading")]


@pytest.mark.slow
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
