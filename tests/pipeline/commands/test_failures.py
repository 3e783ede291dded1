"""What no command foresaw ends in one line and an exit status of its own, and leaves the history as it was."""

import contextlib
import errno
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import duckdb
import pytest
from filelock import FileLock

from pipeline.commands import cli, failures
from pipeline.store import Store, reader
from tests.support import desk
from tests.support.places import ROOT
from tests.support.snapshot import Snapshot


def noonmark(root: Path, *arguments: str, before: Callable[[], None] | None = None) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "pipeline.commands.start", "-w", str(root), *arguments]
    return subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, preexec_fn=before
    )


def ended(process: subprocess.Popen[str]) -> tuple[int, list[str]]:
    """The exit status and the lines of error; there is no traceback."""
    said = process.communicate()[1]
    assert "Traceback" not in said, said
    return process.returncode, [line for line in said.splitlines() if line.startswith("noonmark: ")]


@pytest.mark.slow
@pytest.mark.usefixtures("few_detectors_here")
@pytest.mark.parametrize("kib", [16, 700])
def test_a_full_disk_is_told_in_one_line_and_the_next_run_ends_the_work(tmp_path: Path, kib: int) -> None:
    """A limit on the size of files stands in for it: writes fail at some point of the run, in DuckDB or in Python."""
    space = desk.make(tmp_path / "desk")

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (kib * 1024, kib * 1024))

    status, errors = ended(noonmark(space.root, "cycle", before=limited))
    assert (status, len(errors)) == (4, 1)
    assert cli.main(["-w", str(space.root), "cycle"]) == 0
    assert reader.ask(space.reader, "SELECT count(*) FROM reading").item() == 6 * 96


@pytest.mark.slow
@pytest.mark.parametrize("after_s", [0.3, 0.8, 2.5])
def test_an_interrupt_at_any_moment_is_one_line(tmp_path: Path, after_s: float) -> None:
    """While the program is loaded, or in the midst of its work; done before it, or interrupted by it, as may be.

    By the time of the processor that it has used: an interpreter that a busy machine still starts is not the program.
    """
    space = desk.make(tmp_path / "desk")
    process = noonmark(space.root, "cycle")
    with suppress(OSError):  # it has ended
        while process.poll() is None and time.clock_gettime(((~process.pid) << 3) | 2) < after_s:  # of Linux
            time.sleep(0.002)
    process.send_signal(signal.SIGINT)
    status, errors = ended(process)
    assert (status, len(errors)) in {(130, 1), (0, 0), (-signal.SIGINT, 0)}  # the last: before its first line


@pytest.mark.parametrize(
    ("error", "status", "said"),
    [
        (
            OSError(30, "Read-only file system", "/w/inbox"),
            4,
            "Read-only file system, /w/inbox, set its owner and mode",
        ),
        (OSError(28, "No space left on device", "/w/x"), 4, "No space left on device, /w/x, free some space"),
        (duckdb.IOException("IO Error: Corrupt database file: computed checksum 1 does not match"), 4, "rebuild"),
        (duckdb.IOException('Could not write file "x": No space left on device'), 4, "the disk is full"),
        (KeyboardInterrupt(), 130, "interrupted"),
        (RuntimeError("Query interrupted"), 130, "interrupted"),
        (ZeroDivisionError("division by zero"), 5, "a fault of noonmark itself"),
    ],
)
def test_each_failure_has_its_line_and_its_status(
    error: BaseException, status: int, said: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail(*_: object, **__: object) -> int:
        raise error

    monkeypatch.setattr(cli, "app", fail)
    assert cli.main(["status"]) == status == failures.in_words(error)[1]
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1 and lines[0].startswith("noonmark: ") and said in lines[0]


@pytest.fixture(scope="module")
def after_a_cycle(tmp_path_factory: pytest.TempPathFactory, desk_after_a_cycle: Path) -> Snapshot:
    return Snapshot.of_copy(desk_after_a_cycle, tmp_path_factory.mktemp("lived") / "desk")


@pytest.fixture
def lived(after_a_cycle: Snapshot) -> Path:
    return after_a_cycle.restored()


@pytest.mark.usefixtures("few_detectors_here")
def test_a_part_that_was_removed_or_damaged_is_told_and_written_anew(
    lived: Path, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    ask = ["-w", str(lived), "sql", "SELECT count(pv_w) AS n FROM reading"]
    capsys.readouterr()
    assert cli.main(ask) == 0
    whole = capsys.readouterr().out
    first, second, *_ = sorted((lived / "reader" / "reading").glob("*.parquet"))
    first.unlink()
    second.write_bytes(b"x" * second.stat().st_size)
    assert cli.main(ask) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1 and "`noonmark cycle` writes it anew" in said
    assert cli.main(["-w", str(lived), "cycle"]) == 0
    assert "2 parts were missing or changed" in caplog.text
    capsys.readouterr()
    assert cli.main(ask) == 0
    assert capsys.readouterr().out == whole


@pytest.mark.parametrize(
    ("said", "status", "remedy"),
    [
        ('IO Error: Cannot open file "h": Permission denied', 2, "owner and mode"),
        ("IO Error: Trying to read a database file with version number 99", 2, "or a later one"),
        ('IO Error: Could not write file "h": No space left on device', 4, "free the disk"),
    ],
)
def test_a_history_that_may_not_be_opened_is_refused_and_a_full_disk_is_a_failure(
    lived: Path,
    said: str,
    status: int,
    remedy: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def fail(_: Store) -> None:
        raise duckdb.IOException(said)

    monkeypatch.setattr(Store, "_migrate", fail)
    before = (lived / "noonmark.duckdb").read_bytes()
    assert cli.main(["-w", str(lived), "cycle"]) == status
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("noonmark: the history cannot be opened") and remedy in line
    assert (lived / "noonmark.duckdb").read_bytes() == before


def test_a_workspace_that_may_not_be_written_is_refused(
    lived: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def denied(_: FileLock, **__: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", str(lived / ".noonmark.lock"))

    monkeypatch.setattr(FileLock, "acquire", denied)
    assert cli.main(["-w", str(lived), "cycle"]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith(f"noonmark: the workspace may not be written (Permission denied), {lived}, ")


def test_the_analysts_database_is_read_only_and_one_who_writes_is_told_of(
    lived: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    database = lived / "reader" / "noonmark.duckdb"
    assert database.stat().st_mode & 0o777 == 0o444
    with contextlib.closing(duckdb.connect(str(database))):  # a superuser's client may all the same
        for command in (["sql", "SELECT 1"], ["exceptions"], ["revisits"]):
            capsys.readouterr()
            assert cli.main(["-w", str(lived), *command]) == 2
            said = capsys.readouterr().err
            assert said.count("\n") == 1 and "open it read-only" in said
        assert cli.main(["-w", str(lived), "status"]) == 1  # which tells all that it can see without it
        assert "a client has the analyst's database open for writing" in capsys.readouterr().err
        assert cli.main(["-w", str(lived), "cycle"]) == 0
    assert cli.main(["-w", str(lived), "status"]) == 0


def test_a_path_that_the_database_takes_for_a_pattern_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["-w", str(tmp_path / "what?"), "init"]) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize(
    "setting",
    ["[ingest]\nsettle_s = 1e9", "[detect]\njudge_after_h = 1e9", "[reader]\nkeep_h = 1e9",
     "[schedule]\ningest_every_min = 1e9", "[ingest]\nbatch_files = 1000000000"],
)  # fmt: skip
def test_a_setting_beyond_use_is_refused(tmp_path: Path, setting: str, capsys: pytest.CaptureFixture[str]) -> None:
    space = desk.make(tmp_path / "desk")
    space.settings_file.write_text(setting + "\n", encoding="utf-8")
    assert cli.main(["-w", str(space.root), "cycle"]) == 2
    assert capsys.readouterr().err.startswith("noonmark: ")
