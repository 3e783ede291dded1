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
from tests import readme
from tests.support import desk
from tests.support.places import ROOT


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
    """A typing error at the desk is told there, and wakes no watchdog; nothing is taken in, judged or mailed."""
    (lived.inbox / "later.csv").write_text("x")
    before = run("status")
    refused = run(*arguments)
    assert (refused.status, len(refused.errors)) == (2, 1) and words in refused.err
    assert (lived.inbox / "later.csv").exists()
    after = run("status")
    assert after.status == before.status
    assert after.out.count("last failed") == after.out.count("last failed never")
    assert run("sql", "SELECT count(*) FROM mail", "--format", "csv").out.split()[-1] == "0"


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
