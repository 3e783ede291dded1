"""What machines do to a workspace: clocks set back, files cut short, two runs at once, folders copied amid a reading.

Each ends in what an undisturbed run gives. (A full disk: tests/pipeline/commands/test_failures.py; files that cannot be
moved: tests/pipeline/ingest/test_stubborn_files.py; SIGKILL: kill_drill; a reader held open: store/test_reader.py.)
"""

import contextlib
import errno
import random
import shutil
import sys
import threading
from collections.abc import Callable
from datetime import date, datetime, timedelta, tzinfo
from pathlib import Path

import duckdb
import pytest

from pipeline.errors import NoonmarkError, WorkspaceBusyError
from pipeline.ingest import archive, ingest
from pipeline.runs.schedule import Service
from pipeline.runs.service_time import Backoff, Clocks
from tests.support.fleet import DAY, Fleet, differences, roof, sunny

pytestmark = pytest.mark.slow
READS_COPIES_BACK = True
DAYS = [DAY, date(2026, 3, 11)]
TRIES = 3  # lengths to which the history's file is cut, the first of them with no copy to fall back to
CHANCE = random.Random(414)


def drop(fleet: Fleet, day: date) -> None:
    for site in ("S1", "S2"):
        fleet.drop(f"{site}_roof_{day}.csv", roof(sunny(day)) + "bad,1,1,1\n")


@pytest.fixture(scope="module")
def waiting(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A day judged, and the exports of a second."""
    fleet = Fleet(tmp_path_factory.mktemp("machine") / "waiting", 2)
    drop(fleet, DAYS[0])
    fleet.cycle(day=DAYS[0])
    drop(fleet, DAYS[1])
    return fleet.space.root


@pytest.fixture(scope="module")
def undisturbed(waiting: Path) -> Path:
    root = shutil.copytree(waiting, waiting.with_name("undisturbed"))
    Fleet.of(root).cycle(day=DAYS[1])
    return root


@pytest.fixture
def fleet(waiting: Path, tmp_path: Path) -> Fleet:
    return Fleet.of(shutil.copytree(waiting, tmp_path / "desk"))


def same(fleet: Fleet, undisturbed: Path) -> bool:
    expected, found = Fleet.of(undisturbed).history(), fleet.history()
    for one in (expected, found):  # archived_as begins with the month of this machine's clock
        one["export_file"] = [tuple(cell for cell in row if "/000" not in str(cell)) for row in one["export_file"]]
    assert differences(expected, found) == {}
    return True


def set_clock(monkeypatch: pytest.MonkeyPatch, by: timedelta) -> None:
    """Every module of the pipeline reads a clock that is off by so much."""

    class AnyInstant(type):
        def __instancecheck__(cls, one: object) -> bool:
            return isinstance(one, datetime)

    class Off(datetime, metaclass=AnyInstant):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:
            return datetime.now(tz) + by

    for name, module in list(sys.modules.items()):
        if name.startswith("pipeline.") and getattr(module, "datetime", None) is datetime:
            monkeypatch.setattr(module, "datetime", Off)


def test_a_machine_whose_clock_is_set_back_40_days_goes_on(
    fleet: Fleet, undisturbed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    runs = fleet.value("SELECT max(run_id) FROM run")
    set_clock(monkeypatch, -timedelta(days=40))
    fleet.cycle(day=DAYS[1])
    assert same(fleet, undisturbed)
    assert fleet.value("SELECT max(run_id) FROM run") == runs + 1
    assert fleet.value("SELECT count(DISTINCT left(archived_as, 7)) FROM export_file") == 2  # months of both clocks
    assert [number for number, _ in archive.archived(fleet.space)] == [1, 2, 3, 4]  # by number, not by month


def test_the_service_plans_anew_when_the_clock_is_set_back(fleet: Fleet, caplog: pytest.LogCaptureFixture) -> None:
    with fleet.run() as run:
        service = Service(fleet.space, run.settings)
    planned: list[int] = []
    service._plan = lambda: planned.append(1)  # type: ignore[method-assign]
    now = Clocks.now()
    assert service._look_at_the_clock(now) is not None and planned == []
    service._look_at_the_clock(now._replace(wall_s=now.wall_s - 7200))  # it was two hours earlier: set forward
    assert planned == [] and "set by +7200 s" in caplog.text
    service._look_at_the_clock(now._replace(wall_s=now.wall_s + 7200))
    assert planned == [1] and "set by -7200 s" in caplog.text


def test_a_job_that_fails_waits_ever_longer_and_a_good_end_resets_it() -> None:
    backoff = Backoff(300)
    assert [backoff.note(is_good=False) for _ in range(6)] == [300, 600, 1200, 2400, 3600, 3600]
    assert not backoff.is_over()
    assert backoff.note(is_good=True) == 0 and backoff.is_over()
    assert backoff.note(is_good=False) == 300


def test_two_runs_at_once_are_one_run_and_one_line(
    fleet: Fleet, undisturbed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    is_under_way, may_go_on = threading.Event(), threading.Event()
    normalise: Callable[..., object] = ingest.normalise

    def held(*given: object, **named: object) -> object:
        is_under_way.set()
        assert may_go_on.wait(300)
        return normalise(*given, **named)

    monkeypatch.setattr(ingest, "normalise", held)
    first = threading.Thread(target=lambda: fleet.cycle(day=DAYS[1]))
    first.start()
    assert is_under_way.wait(300)
    for _ in range(2):
        with pytest.raises(WorkspaceBusyError, match="another run holds the workspace"):
            fleet.cycle(day=DAYS[1])
    may_go_on.set()
    first.join()
    assert same(fleet, undisturbed)


def test_a_history_cut_short_comes_back_from_its_copy_or_by_a_rebuild(
    waiting: Path, undisturbed: Path, tmp_path: Path
) -> None:
    size = (waiting / "noonmark.duckdb").stat().st_size
    for number, length in enumerate([*CHANCE.sample(range(size), TRIES - 1), 5000]):
        fleet = Fleet.of(shutil.copytree(waiting, tmp_path / f"cut-{number}"))
        with fleet.space.database.open("rb+") as file:
            file.truncate(length)
        if number == 0:
            fleet.space.copy.unlink()
        try:
            fleet.cycle(day=DAYS[1])
        except NoonmarkError as error:
            assert "ingest --rebuild" in str(error), f"cut to {length} bytes: {error}"
            with pytest.raises(NoonmarkError, match="move it away to go on without"):
                fleet.rebuild()  # nobody decided anything, but noonmark cannot know that
            fleet.space.database.rename(fleet.space.root / "cut.duckdb")
            fleet.rebuild()
            fleet.cycle(day=DAYS[1])
        assert same(fleet, undisturbed), f"cut to {length} bytes"
        shutil.rmtree(fleet.space.root)


def test_a_workspace_that_is_copied_while_analysts_read_answers_in_both_places(
    fleet: Fleet, undisturbed: Path, tmp_path: Path
) -> None:
    def rows(con: duckdb.DuckDBPyConnection) -> int:
        return int(con.execute("SELECT count(*) FROM reading").fetchall()[0][0])

    with contextlib.closing(duckdb.connect(str(fleet.space.reader / "noonmark.duckdb"), read_only=True)) as analyst:
        before = rows(analyst)
        moved = Fleet.of(shutil.copytree(fleet.space.root, tmp_path / "elsewhere"))
        moved.cycle(day=DAYS[1])
        assert rows(analyst) == before > 0
        with contextlib.closing(duckdb.connect(str(moved.space.reader / "noonmark.duckdb"), read_only=True)) as other:
            assert rows(other) == 2 * before
        fleet.cycle(day=DAYS[1])
        assert rows(analyst) == before  # what an open session had
    assert same(moved, undisturbed) and same(fleet, undisturbed)


def test_an_inbox_that_is_read_only_is_taken_in_once_and_cleared_when_it_can_be(
    fleet: Fleet, undisturbed: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    replace = Path.replace

    def refusing(path: Path, target: Path) -> Path:
        if path.is_relative_to(fleet.space.inbox):
            raise OSError(errno.EROFS, "Read-only file system", str(path))
        return replace(path, target)

    with monkeypatch.context() as disk:
        disk.setattr(Path, "replace", refusing)
        for _ in range(2):
            result = fleet.cycle(day=DAYS[1]).taken_in
            assert len(result.skipped) == 2 and "Read-only file system" in result.skipped[0][1]
    fleet.cycle(day=DAYS[1])
    assert fleet.files("inbox") == [] and len(fleet.files("archive")) == 4
    assert same(fleet, undisturbed)
