"""A history that does not open: its copy takes its place, and nothing that came after it is lost."""

import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import duckdb
import pytest

from pipeline.commands.cli import main
from pipeline.errors import DamagedHistoryError, NoonmarkError
from pipeline.runs import clock_corrections, cycle, decisions, session
from pipeline.store import Store, decision_log, reader, recovery
from tests.support.fleet import DAY, Fleet, differences, roof, sunny

pytestmark = [pytest.mark.usefixtures("few_detectors"), pytest.mark.slow]
READS_COPIES_BACK = True


@pytest.fixture(scope="module", autouse=True)
def _in_their_own_time() -> Iterator[None]:
    """All nights count as lived in their own time: the archive does not say of which night a file was."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(cycle, "LATER_DAYS", 3650)
        yield


@pytest.fixture
def fleet(tmp_path: Path, template: Path) -> Fleet:
    """A copy of the template, to do with as one likes."""
    shutil.copytree(template, tmp_path / "lived")
    return Fleet.of(tmp_path / "lived")


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three days; the copy of the history is as of the first, and a person decided on the second."""
    tmp_path = tmp_path_factory.mktemp("lived")
    fleet = Fleet(tmp_path / "desk", 2)
    for number, day in enumerate((DAY, date(2026, 3, 11), date(2026, 3, 12))):
        fleet.drop(f"S1_roof_{number}.csv", roof(sunny(day)) + "bad,1,1,1\n")
        fleet.cycle(day=day)
        if number == 0:
            shutil.copy(fleet.space.copy, tmp_path / "early")
        if number == 1:
            with fleet.run() as run:
                (found, *_) = run.store.con.execute("SELECT exception_id FROM exception ORDER BY ALL").fetchall()
                decisions.decide(run, found[0], "acknowledge", note='seen; "asked" the owner')
                clock_corrections.retime(run, "S1", shift_min=-30, first=DAY, last=DAY)
                session.publish(run)
    shutil.move(tmp_path / "early", fleet.space.copy)
    return fleet.space.root


def damage(path: Path) -> None:
    """Every header of a DuckDB file (three blocks of 4 KiB, storage format) is overwritten."""
    with path.open("rb+") as file:
        file.write(b"\xff" * 3 * 4096)


def test_a_history_that_does_not_open_comes_back_from_its_copy_and_the_archive(fleet: Fleet) -> None:
    before, shown = fleet.history(), fleet.value("SELECT count(*) FROM reading_raw")
    assert before["decision"] and before["clock_shift"]
    damage(fleet.space.database)
    fleet.cycle(day=date(2026, 3, 12))
    assert differences(before, fleet.history()) == {}
    assert reader.ask(fleet.space.reader, "SELECT count(*) FROM reading").item() == shown
    assert fleet.space.damaged.exists()
    assert fleet.ask("SELECT outcome FROM run WHERE job = 'recovery'") == [("needs a person",)]


def test_the_command_that_brought_a_history_back_says_so_by_its_exit_status(fleet: Fleet) -> None:
    damage(fleet.space.database)
    assert [main(["-w", str(fleet.space.root), "digest"]) for _ in range(2)] == [1, 0]


def test_a_recovery_that_is_interrupted_goes_on_with_the_next_run(
    fleet: Fleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = fleet.history()
    damage(fleet.space.database)
    for step in ("sum_up", "Ingest"):
        with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
            patch.setattr(session, step, lambda *_, **__: (_ for _ in ()).throw(KeyboardInterrupt))
            fleet.take_in()
    fleet.cycle(day=date(2026, 3, 12))
    assert differences(before, fleet.history()) == {}


def test_a_rebuild_takes_what_people_decided_from_the_copy_and_the_log(fleet: Fleet) -> None:
    before = fleet.history()
    damage(fleet.space.database)
    damage(fleet.space.copy)
    fleet.rebuild()
    fleet.cycle(day=date(2026, 3, 12))
    for name in ("reading_raw", "site_day", "decision", "clock_shift", "clock_shift_span", "exception"):
        assert differences({name: before[name]}, {name: fleet.history()[name]}) == {}, name


def test_a_history_without_a_copy_says_the_way_back(fleet: Fleet) -> None:
    fleet.space.copy.unlink()
    damage(fleet.space.database)
    damaged = fleet.space.database.read_bytes()
    with pytest.raises(NoonmarkError, match=r"the history is damaged.*run `noonmark ingest --rebuild`") as told:
        fleet.take_in()
    assert told.value.exit_status == 2 and fleet.space.database.read_bytes() == damaged


def test_a_copy_is_made_after_a_run_and_holds_what_the_history_holds(fleet: Fleet) -> None:
    fleet.take_in()
    with Store(fleet.space.copy) as copy:
        assert copy.value("SELECT count(*) FROM export_file") == 3


def test_a_history_that_does_not_open_never_replaces_a_copy_that_does(fleet: Fleet) -> None:
    before = fleet.space.copy.read_bytes()
    damage(fleet.space.database)
    with pytest.raises(NoonmarkError, match="does not open"):
        recovery.renew(fleet.space.database, fleet.space.copy)
    assert fleet.space.copy.read_bytes() == before


def test_the_log_of_decisions_survives_a_line_that_was_cut_off(fleet: Fleet) -> None:
    log = fleet.space.decision_log
    whole = decision_log.read(log)
    last = log.read_bytes().splitlines()[-1]
    log.write_bytes(log.read_bytes()[: -len(last) // 2])
    with fleet.run():
        pass
    assert decision_log.read(log) == whole
    with Store(fleet.space.database) as store:
        assert decision_log.append(store, log) == 0


def test_a_correction_taken_back_stays_taken_back(fleet: Fleet) -> None:
    with fleet.run() as run:
        clock_corrections.undo_retime(run, "S1")
    before = fleet.history()
    damage(fleet.space.database)
    damage(fleet.space.copy)
    fleet.rebuild()
    assert fleet.history()["clock_shift"] == before["clock_shift"]
    assert fleet.history()["clock_shift_span"] == [] == before["clock_shift_span"]


def test_a_block_that_is_missing_is_told_as_damage_and_nothing_else_is(tmp_path: Path) -> None:
    with pytest.raises(DamagedHistoryError, match="ingest --rebuild"), recovery.damage_reported(tmp_path / "n.duckdb"):
        raise duckdb.IOException('IO Error: Could not read enough bytes from file "n.duckdb": attempted to read 262144')
    with pytest.raises(duckdb.IOException), recovery.damage_reported(tmp_path / "n.duckdb"):
        raise duckdb.IOException("IO Error: Cannot open file")
