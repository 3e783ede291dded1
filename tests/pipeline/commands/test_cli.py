"""The command line as its users meet it: exit status, one line per error, the same facts as JSON."""

import contextlib
import csv
import io
import json
import shutil
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest
from filelock import FileLock

from pipeline.commands.cli import main
from pipeline.workspace.places import Workspace
from tests import readme
from tests.support import desk
from tests.support.places import ROOT
from tests.support.snapshot import Snapshot


class Ran:
    """Exit status and what was printed."""

    def __init__(self, status: int, out: str, err: str) -> None:
        self.status, self.out, self.err = status, out, err

    @property
    def errors(self) -> list[str]:
        return [line for line in self.err.splitlines() if line.startswith("noonmark: ")]


class Runner:
    """Runs commands in a workspace."""

    def __init__(self, capsys: pytest.CaptureFixture[str], folder: Path) -> None:
        self.capsys, self.folder = capsys, folder

    def __call__(self, *arguments: str, folder: Path | None = None) -> Ran:
        self.capsys.readouterr()
        status = main(["--workspace", str(folder or self.folder), *arguments])
        said = self.capsys.readouterr()
        assert "Traceback" not in said.err
        return Ran(status, said.out, said.err)


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Runner:
    return Runner(capsys, tmp_path / "desk")


@pytest.fixture(scope="module")
def after_a_cycle(tmp_path_factory: pytest.TempPathFactory, desk_after_a_cycle: Path) -> Snapshot:
    return Snapshot.of_copy(desk_after_a_cycle, tmp_path_factory.mktemp("lived") / "desk")


@pytest.fixture
def lived(run: Runner, after_a_cycle: Snapshot) -> Workspace:
    """A workspace after one cycle, in which `run` runs."""
    run.folder = after_a_cycle.restored()
    return Workspace(run.folder)


def test_a_new_workspace_is_healthy_and_takes_an_empty_inbox(run) -> None:
    assert run("init").status == 0
    assert run("check").status == 0
    again = run("init")
    assert again.status == 2
    assert len(again.errors) == 1
    assert run("cycle").status == 0
    assert run("status").status == 0
    assert json.loads(run("sql", "SELECT * FROM reading", "--format", "json").out) == []


HELD = "SELECT count(*), sum(readings) FROM site_day"


@pytest.fixture(scope="module")
def untouched(tmp_path_factory: pytest.TempPathFactory, desk_after_a_cycle: Path) -> tuple[Path, str]:
    """A workspace after one cycle, for what changes nothing, and its HELD as it was."""
    root = shutil.copytree(desk_after_a_cycle, tmp_path_factory.mktemp("untouched") / "desk", symlinks=True)
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main(["--workspace", str(root), "sql", HELD]) == 0
    return root, out.getvalue()


@pytest.mark.parametrize(
    "arguments",
    [
        ("nonsense",),
        ("detect", "--day", "yesterday"),
        ("detect", "--from", "2026-05-05"),
        ("detect", "--day", "2026-05-05", "--from", "2026-05-05", "--to", "2026-05-06"),
        ("detect", "--day", "2999-01-01"),
        ("detect", "--day", "2026-05-03"),
        ("cycle", "--day", "2999-01-01"),
        ("digest", "--day", "2020-01-01"),
        ("ingest", "no/such/file.csv"),
        ("ingest", "--no-such-option"),
        ("sql", "SELECT 1", "--file", "x.sql"),
        ("sql", "SELEC 1"),
        ("sql", "SELECT * FROM no_such_table"),
        ("exceptions", "show", "nobody"),
        ("exceptions", "close"),
        ("exceptions", "snooze", "nobody"),
        ("digest", "--again"),
        ("exceptions", "frighten", "somebody"),
        ("retime", "R-1"),
        ("retime", "R-9", "--shift-min", "60", "--from", "2026-05-04"),
        ("retime", "R-1", "--shift-min", "0", "--from", "2026-05-04"),
        ("retime", "R-1", "--shift-min", "60", "--from", "0001-01-01"),
        ("retime", "R-1", "--shift-min", "nan", "--from", "2026-05-04"),
        ("retime", "R-1", "--rate-s-per-day", "inf", "--from", "2026-05-04"),
        ("retime", "R-1", "--undo"),
    ],
)
def test_wrong_input_is_one_line_and_changes_nothing(run, untouched, arguments: tuple[str, ...]) -> None:
    run.folder, before = untouched
    ran = run(*arguments)
    assert ran.status == 2
    assert ran.err.count("\n") == 1
    assert len(ran.errors) == 1
    assert not ran.out
    assert run("sql", HELD).out == before


def test_a_workspace_that_is_not_there(run, tmp_path: Path) -> None:
    for command in (("check",), ("ingest",), ("status",), ("cycle",), ("revisits",), ("sql", "SELECT 1")):
        ran = run(*command, folder=tmp_path / "nowhere")
        assert (ran.status, len(ran.errors)) == (2, 1)
    assert not (tmp_path / "nowhere").exists()


def test_every_fault_of_the_register_and_the_profiles_is_told_at_once(run, tmp_path: Path) -> None:
    space = desk.make(tmp_path / "desk")
    space.sites_file.write_text(desk.SITES.replace("Europe/Vienna,10,,", "Europe/Vena,-3,,"), encoding="utf-8")
    (space.profiles / "hourly.toml").write_text(
        desk.PROFILE.replace("[channels.pv_w]", "[channels.pw_w]"), encoding="utf-8"
    )
    for command in ("check", "ingest", "cycle"):
        ran = run(command)
        assert ran.status == 2
        said = "\n".join(ran.errors)
        assert len(ran.errors) == 3
        assert "sites.csv line 2 column timezone" in said
        assert "sites.csv line 2 column installed_kwp" in said
        assert "pw_w" in said
    assert not space.database.exists()
    assert len(list(space.inbox.iterdir())) == 6
    told = json.loads(run("check", "--json").out)["faults"]
    assert {(fault["file"], fault["line"], fault["column"]) for fault in told} >= {("sites.csv", 2, "timezone")}


def test_a_cycle_ends_in_a_digest_and_the_history(run, lived) -> None:
    folder = lived.digests / "2026-05-06"
    assert {path.name for path in folder.iterdir()} == {
        "digest.html", "digest.txt", "digest.json", "revisits.csv", "revisits.ics", "revisits", "sites",
    }  # fmt: skip
    assert (lived.digests / "index.html").exists()
    assert not [path for path in lived.inbox.rglob("*") if path.is_file()]
    rows = json.loads(
        run(
            "sql",
            "SELECT day, kind, site_id FROM finding WHERE kind = 'unexpected-export' ORDER BY day",
            "--format",
            "json",
        ).out
    )
    assert [(row["day"], row["site_id"]) for row in rows] == [(str(day), "R-2") for day in desk.DAYS]
    table = run("sql", "SELECT 1 AS a, 'x' AS b").out
    assert table == "a\tb\n1\tx\n"
    parsed = list(
        csv.DictReader(
            io.StringIO(run("sql", "SELECT ts_utc, pv_w FROM reading ORDER BY ts_utc LIMIT 1", "--format", "csv").out)
        )
    )
    assert parsed[0]["ts_utc"].startswith("2026-05-03T22:00:00")
    assert float(parsed[0]["pv_w"]) == 0


@pytest.mark.slow
@pytest.mark.usefixtures("few_detectors_here")
def test_exceptions_are_decided_and_the_decision_lasts(run, lived) -> None:
    listed = json.loads(run("exceptions", "list", "--json").out)
    found = [row["exception_id"] for row in listed if row["kind"] == "unexpected-export"]
    assert len(found) == 1
    assert run("exceptions", "acknowledge", found[0], "--note", "asked the owner").status == 0
    shown = json.loads(run("exceptions", "show", found[0], "--json").out)
    assert (shown["status"], shown["note"]) == ("acknowledged", "asked the owner")
    assert run("exceptions", "snooze", found[0], "--until", "2026-05-09").status == 0
    assert json.loads(run("exceptions", "show", found[0], "--json").out)["status"] == "snoozed"
    assert run("exceptions", "snooze", found[0], "--until", "2026-05-01").status == 2
    assert run("exceptions", "close", found[0], "--note", "meter was being tested").status == 0
    assert run("exceptions", "close", found[0]).status == 2
    assert run("detect").status == 0
    assert json.loads(run("exceptions", "show", found[0], "--json").out)["status"] == "closed"
    assert run("exceptions", "reopen", found[0], "--note", "again", "--by", "Ann", "--for", "Bo").status == 0
    shown = json.loads(run("exceptions", "show", found[0], "--json").out)
    assert (shown["status"], shown["reopened"], shown["note"]) == ("open", 1, "again")
    assert [one["action"] for one in shown["decisions"]] == ["acknowledge", "snooze", "close", "reopen"]
    assert (shown["decisions"][-1]["decided_by"], shown["decisions"][-1]["decided_for"]) == ("Ann", "Bo")
    assert "reopen by Ann for Bo: again" in run("exceptions", "show", found[0]).out
    (page,) = sorted(lived.digests.glob("*/digest.html"))[-1:]  # it says what was decided since
    assert "again" in page.read_text(encoding="utf-8") and "with Bo" in page.read_text(encoding="utf-8")
    assert run("exceptions", "reopen", found[0]).status == 2
    (listed,) = [one for one in json.loads(run("exceptions", "--json").out) if one["exception_id"] == found[0]]
    assert (listed["decided_by"], listed["decided_for"]) == ("Ann", "Bo")


def are_plain(value: object) -> bool:
    """Whether these are facts of JSON, none of them a thing of the program as it prints itself, or JSON once more."""
    if isinstance(value, dict):
        return all(are_plain(one) for one in value.values())
    if isinstance(value, list):
        return all(are_plain(one) for one in value)
    return not (isinstance(value, str) and (value.startswith(("{", "shape:", "<")) or "│" in value))


@pytest.mark.usefixtures("few_detectors_here")
def test_what_is_printed_as_json_is_plain_facts(run, lived) -> None:
    (lived.inbox / "stranger.bin").write_bytes(b"\x00\xff")
    for arguments in (("detect", "--day", "2026-05-06"), ("cycle",)):
        told = json.loads(run(*arguments, "--json").out)
        judged = told.get("judged", told)
        assert are_plain(told), arguments
        assert set(judged) == {"days", "findings", "not_judged", "sites_not_judged"}
    assert judged["days"] == [] and told["taken_in"]["quarantined"]


@pytest.mark.usefixtures("lived", "few_detectors_here")
def test_the_evidence_of_an_exception_is_short_as_text_and_whole_as_json(run) -> None:
    (first, *_) = json.loads(run("exceptions", "list", "--json").out)
    told = json.loads(run("exceptions", "show", first["exception_id"], "--json").out)
    evidence = told["evidence"]
    assert are_plain(told) and len(evidence["series"]) > 0 and evidence["beyond_kwh"] > 0
    for ran in (
        run("exceptions", "show", first["exception_id"]),
        run("exceptions", "acknowledge", first["exception_id"], "--by", "Ann"),
    ):
        lines = ran.out.partition("evidence:\n")[2].splitlines()
        assert f"  beyond_kwh: {evidence['beyond_kwh']:.6g}" in lines
        assert f"  series: {len(evidence['series'])}, see --json" in lines
        assert len(lines) == len(evidence) and max(map(len, lines)) < 300
    decided = run("exceptions", "reopen", first["exception_id"], "--by", "Ann", "--json")
    assert json.loads(decided.out)["evidence"] == evidence


def test_quarantine_needs_a_person(run, lived) -> None:
    (lived.inbox / "stranger.bin").write_bytes(b"\x00\xff")
    (lived.inbox / "R-1_hourly_x.csv").write_text("time;pv\n", encoding="utf-8")
    ran = run("ingest")
    assert ran.status == 1
    binary, layout = sorted(ran.errors, reverse=True)
    assert [line for line in ran.err.splitlines() if line.startswith("quarantined")] == []
    assert binary == (
        "noonmark: no profile matches its name: stranger.bin, stranger.bin, "
        "add its form to a profile's `match`, or a profile for it"
    )
    assert ", R-1_hourly_x.csv, " in layout and "fix it" not in ran.err
    assert layout.endswith(", fix the column names, delimiter, encoding or skip_lines in the profile")
    assert {path.name for path in lived.quarantine.iterdir()} == {
        "stranger.bin", "stranger.bin.reason.txt", "R-1_hourly_x.csv", "R-1_hourly_x.csv.reason.txt",
    }  # fmt: skip
    told = json.loads(run("status", "--json").out)
    assert {one["file"] for one in told["quarantined"]} == {"stranger.bin", "R-1_hourly_x.csv"}


@pytest.mark.usefixtures("lived")
def test_a_file_in_quarantine_is_one_line_of_the_process_whatever_is_printed(run) -> None:
    """In a process of its own: there the log speaks on stderr too."""
    for number, extra in enumerate(((), ("--json",))):
        for name in "ab":
            (run.folder / "inbox" / f"stranger_{number}{name}.bin").write_bytes(b"\x00\xff")
        command = [sys.executable, "-m", "pipeline.commands.start", "-w", str(run.folder), "ingest", *extra]
        told = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False).stderr
        (line,) = told.splitlines()
        what, where, *_ = line.split(", ")
        assert what == f"noonmark: no profile matches its name: stranger_{number}a.bin"
        assert where == f"stranger_{number}a.bin and 1 more file"


def test_an_export_that_cannot_be_read_is_a_line_on_stderr_when_it_is_checked(run, lived, tmp_path: Path) -> None:
    empty, binary, named = (tmp_path / name for name in ("R-1_hourly_e.csv", "R-1_hourly_b.csv", "other.txt"))
    empty.touch()
    binary.write_bytes(bytes(range(128, 256)))
    named.write_text("time,pv\n", encoding="utf-8")
    for extra in ((), ("--json",)):
        ran = run("check", str(empty), str(binary), str(named), *extra)
        first, second, third = ran.errors
        assert ran.status == 1 and ran.err.count("\n") == 3
        assert first == f"noonmark: the file is empty, {empty}, have it sent again"
        assert f", {binary}, " in second and third.endswith("add its form to a profile's `match`, or a profile for it")
    assert sorted(lived.quarantine.iterdir()) == []


@pytest.mark.usefixtures("lived")
def test_rows_that_would_be_rejected_are_told_when_an_export_is_checked(run, tmp_path: Path) -> None:
    lines = desk.lines(desk.DAYS[0], feeds_in=True)
    for at in range(40, 48):
        lines[at] = "2026-05-04 99:99,1,1,1,60,21"
    path = desk.write(tmp_path, "R-1", desk.DAYS[0], lines)
    ran = run("check", str(path))
    said = [line for line in ran.out.splitlines() if line.startswith("rejected: ")]
    assert (ran.status, ran.err) == (0, "") and "96 rows, 8 of them rejected" in ran.out
    assert said[0] == "rejected: line 41 column time '2026-05-04 99:99': not a time of the form %Y-%m-%d %H:%M"
    assert len(said) == 6 and said[-1] == "rejected: 3 more"
    (told,) = json.loads(run("check", str(path), "--json").out)["exports"]
    assert [row["line"] for row in told["rejected"]] == [41, 42, 43, 44, 45]
    path.write_text("\n".join([lines[0], *lines[40:48]]), encoding="utf-8")  # as at ingest: none of them is taken in
    ran = run("check", str(path))
    assert ran.status == 1 and "8 of 8 rows would be rejected" in ran.errors[0]
    path.write_text("\n".join([lines[0], lines[40]]), encoding="utf-8")
    assert "1 of 1 row would be rejected" in run("check", str(path)).errors[0]


@pytest.mark.usefixtures("few_detectors_here")
def test_sites_without_readings_are_named_with_their_day(run, lived) -> None:
    desk.write(lived.inbox, "R-1", date(2026, 5, 7), desk.lines(date(2026, 5, 7), feeds_in=True))
    assert run("ingest").status == 0
    ran = run("detect", "--from", "2026-05-04", "--to", "2026-05-07")
    said = "1 site could not be judged on 2026-05-07 (the last day) for want of readings, R-2, see relation not_judged"
    assert (ran.status, ran.errors) == (1, [f"noonmark: {said}"])
    ran = run("detect", "--day", "2026-05-08")  # after all readings: silence is judged
    assert ran.status == 1 and "2 sites could not be judged on 2026-05-08 for want of readings, R-1, R-2" in ran.err
    assert run("detect", "--day", "2026-05-06").errors == []


def test_days_before_all_readings_are_not_judged(run, lived) -> None:
    ran = run("detect", "--day", "2026-05-03")
    assert ran.status == 2 and "the first with readings is 2026-05-04 and the last is 2026-05-06" in ran.errors[0]
    assert run("digest", "--day", "2026-05-03").status == 2
    ran = run("detect", "--from", "2026-05-01", "--to", "2026-05-05")
    assert (ran.status, ran.errors) == (0, []) and "(2026-05-04 to 2026-05-05)" in ran.out
    run.folder = lived.root.parent / "new"
    desk.make(run.folder, with_exports=False)
    assert "no watched site has readings yet" in run("detect", "--day", "2026-05-03").errors[0]
    assert [run(*command).status for command in (("detect",), ("cycle",))] == [0, 0]


@pytest.mark.usefixtures("few_detectors_here")
def test_one_thing_is_told_in_the_singular(run, lived) -> None:
    (lived.inbox / "again").mkdir()
    desk.write(lived.inbox / "again", "R-1", desk.DAYS[0], desk.lines(desk.DAYS[0], feeds_in=True))
    (lived.inbox / "link.csv").symlink_to(lived.sites_file)
    cells = desk.lines(date(2026, 5, 7), feeds_in=True)
    cells[50] = cells[50].rpartition(",")[0] + ",warm"
    desk.write(lived.inbox, "R-1", date(2026, 5, 7), cells)
    said = run("ingest").out
    assert "1 copy of an export taken in before, skipped: again/" in said
    assert f"1 link, not followed: {lived.inbox}/link.csv" in said
    assert "1 optional cell left out" in said


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("ingest", "no-such-folder"), "no such file"),
        (("digest", "--mail"), "no sender"),
        (("cycle", "--mail"), "no sender"),
        (("digest", "--day", "2020-01-01"), "the last day that was is 2026-05-06"),
        (("retime", "R-1", "--shift-min", "nan", "--from", "2026-05-04"), "--shift-min nan"),
        (("retime", "R-9", "--shift-min", "60", "--from", "2026-05-04"), "no such site"),
        (("retime", "R-1", "--undo"), "no correction in force"),
    ],
)
def test_what_cannot_be_done_as_asked_is_no_failed_job(run, lived, arguments: tuple[str, ...], words: str) -> None:
    """A slip of the hand at the desk is told there, and wakes no watchdog; nothing is taken in, judged or mailed."""
    (lived.inbox / "later.csv").write_text("x")
    before = run("status")
    refused = run(*arguments)
    assert (refused.status, len(refused.errors)) == (2, 1) and words in refused.err
    assert (lived.inbox / "later.csv").exists()
    after = run("status")
    assert after.status == before.status and "NoonmarkError" not in after.out
    assert arguments[0] != "retime" or "retime" not in after.out  # it leaves no run
    assert run("sql", "SELECT count(*) FROM mail", "--format", "csv").out.split()[-1] == "0"


@pytest.mark.usefixtures("lived")
def test_a_decision_at_the_desk_is_no_good_run_of_the_jobs(run) -> None:
    def last_good() -> str:
        return str(json.loads(run("status", "--json").out)["last_good_run_at"])

    before = last_good()
    (first, *_) = json.loads(run("exceptions", "list", "--json").out)
    assert run("exceptions", "acknowledge", first["exception_id"], "--by", "M", "--note", "seen").status == 0
    assert last_good() == before


@pytest.mark.usefixtures("lived")
def test_columns_of_one_name_are_told_apart_as_json(run) -> None:
    (row,) = json.loads(run("sql", "SELECT 1 AS a, 2 AS a, 3 AS a_1", "--json").out)
    assert row == {"a": 1, "a_1": 2, "a_1_1": 3}  # as DuckDB's own COPY to Parquet names them


def test_without_its_reader_a_history_says_how_it_comes_back(run, lived) -> None:
    shutil.rmtree(lived.reader)
    asked = run("sql", "FROM site")
    assert asked.status == 2 and "noonmark cycle" in asked.err and "take in exports first" not in asked.err


@pytest.mark.usefixtures("lived")
def test_an_empty_query_is_told(run) -> None:
    assert "the query is empty" in run("sql", " ").err


def test_a_folder_that_is_no_workspace_is_not_backed_up(run, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    said = run("backup", str(tmp_path / "copy"), folder=tmp_path / "empty")
    assert said.status == 2 and "no workspace" in said.err
    assert not (tmp_path / "copy").exists() and list((tmp_path / "empty").iterdir()) == []


def test_unlikely_cells_of_the_register_are_noticed_and_not_refused(run) -> None:
    run("init")
    sites = run.folder / "sites.csv"
    with sites.open(encoding="utf-8") as file:
        heads = next(csv.reader(file))
    cells = {"site_id": "A-1", "name": "A", "latitude": "47", "longitude": "8", "timezone": "Europe/Zurich",
             "installed_kwp": "5", "feed_in_limit_kw": "0", "feed_in_buffer_w": "5000", "battery_reserve_pct": "40",
             "commissioned_on": "2099-01-01", "import_price": "0.2", "feed_in_price": "0.1"}  # fmt: skip
    with sites.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, heads)
        writer.writeheader()
        writer.writerow({name: value for name, value in cells.items() if name in heads})
    said = run("check")
    assert said.status == 0
    for words in ("judged from 2099-01-01 on", "an import of 5000 W", "no battery_kwh"):
        assert words in said.out


def test_a_workspace_that_is_held_is_busy(run, lived) -> None:
    with FileLock(lived.lock_file):
        ran = run("ingest")
        assert (ran.status, len(ran.errors)) == (3, 1)
        for reading in (("status",), ("sql", "SELECT 1"), ("exceptions",), ("revisits",)):
            assert run(*reading).status == 0


@pytest.mark.slow
def test_judging_day_by_day_gives_what_judging_at_once_gives(run, lived, tmp_path: Path) -> None:
    daily = desk.make(tmp_path / "daily", with_exports=False)
    for day in desk.DAYS:
        for site in ("R-1", "R-2"):
            desk.write(daily.inbox, site, day, desk.lines(day, feeds_in=True))
        assert run("cycle", "--day", str(day), folder=daily.root).status == 0
    for relation in ("(SELECT site_id, day FROM judged)", "finding", "not_judged", "site_day", "exception"):
        query = f"SELECT * FROM {relation} ORDER BY ALL"
        assert run("sql", query, folder=lived.root).out == run("sql", query, folder=daily.root).out


@pytest.mark.slow
@pytest.mark.usefixtures("lived", "few_detectors_here")
def test_a_clock_is_corrected_and_the_correction_taken_back(run) -> None:
    query = "SELECT ts_utc, ts_export, clock_shift_min, pv_w FROM reading WHERE site_id = 'R-1' ORDER BY ts_utc"
    before = run("sql", query).out
    assert run("retime", "R-1", "--shift-min", "-60", "--from", "2026-05-05").status == 0
    rows = json.loads(run("sql", query, "--format", "json").out)
    moved = [row for row in rows if row["clock_shift_min"] == -60]
    assert len(moved) == 192
    assert moved[0]["ts_export"] == "2026-05-05 00:00"
    assert moved[0]["ts_utc"].startswith("2026-05-04T21:00:00")
    assert run("retime", "R-1", "--undo").status == 0
    assert run("sql", query).out == before


def test_a_register_that_changes_moves_the_days(run, lived) -> None:
    lived.sites_file.write_text(
        desk.SITES.replace("R-1,Mill Lane,48.2,16.4,Europe/Vienna,10", "R-1,Mill Lane,48.2,16.4,Europe/Vienna,20"),
        encoding="utf-8",
    )
    before = json.loads(
        run(
            "sql",
            "SELECT day, specific_yield_kwh_per_kwp AS y FROM site_day WHERE site_id = 'R-1' ORDER BY day",
            "--json",
        ).out
    )
    assert run("ingest").status == 0
    after = json.loads(
        run(
            "sql",
            "SELECT day, specific_yield_kwh_per_kwp AS y FROM site_day WHERE site_id = 'R-1' ORDER BY day",
            "--json",
        ).out
    )
    assert [row["y"] for row in after] == pytest.approx([row["y"] / 2 for row in before])


def test_the_readme_lists_the_commands_and_kinds_that_there_are() -> None:
    text = readme.README.read_text(encoding="utf-8")
    assert readme.written_anew(text) == text, "run `python -m tests.readme`"


def test_help_teaches(run) -> None:
    shown = run("--help").out
    commands = "init demo check ingest detect digest revisits cycle schedule sql relations ask exceptions retime status"
    for word in (*commands.split(), "Exit status"):
        assert word in shown
    assert run("retime", "--help").status == 0
    for action in ("list", "show", "acknowledge", "snooze", "close", "reopen"):
        assert action in run("exceptions", "--help").out
        assert "--json" in run("exceptions", action, "--help").out


def test_without_a_command_it_shows_what_there_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 0
    said = capsys.readouterr()
    assert "Commands:" in said.out
    assert not said.err


def test_output_that_nobody_reads_to_its_end_is_no_error(lived) -> None:
    command = [sys.executable, "-m", "pipeline.commands.cli", "-w", str(lived.root), "sql", "SELECT * FROM reading"]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait() == 0
