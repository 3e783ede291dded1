"""What the command line tells of exports: those in quarantine, those that `check` looks at, rows and cells left out."""

import json
import subprocess
import sys
from datetime import date
from pathlib import Path

import pytest

from tests.support import desk
from tests.support.places import ROOT


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
