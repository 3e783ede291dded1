"""Months of readings that leave the history's file: whatever reads or writes finds them as before."""

import shutil
from datetime import date
from pathlib import Path

import pytest

from pipeline.errors import RefusedError
from pipeline.runs import clock_corrections, session
from pipeline.store import older, reader
from tests.support.fleet import Fleet, differences, roof, stamps, sunny, table

pytestmark = [pytest.mark.usefixtures("no_detectors"), pytest.mark.slow]  # workspaces that are lived through twice

OLD, NEW = date(2026, 2, 28), date(2026, 3, 2)
KEEPING = "[ingest]\nsettle_s = 0\n[keep]\nreadings_days = 1\n"
NEVER = "[ingest]\nsettle_s = 0\n"


def lived(root: Path, settings: str) -> Fleet:
    fleet = Fleet(root, 2, settings=settings)
    for day in (OLD, NEW):
        for site in ("S1", "S2"):
            fleet.drop(f"{site}_roof_{day}.csv", roof(sunny(day)))
        counted = [(t, 100 + n / 10) for n, t in enumerate(stamps(96, day=day))]
        fleet.drop(f"S1_count_{day}.csv", table("t,total", counted))
        fleet.cycle(day=day)
    return fleet


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Two workspaces of the same exports: one that moves older months out, and one that does not."""
    root = tmp_path_factory.mktemp("older")
    return lived(root / "moved", KEEPING).space.root, lived(root / "whole", NEVER).space.root


@pytest.fixture
def pair(made: tuple[Path, Path], tmp_path: Path) -> tuple[Fleet, Fleet]:
    copies = [shutil.copytree(root, tmp_path / root.name) for root in made]
    return Fleet.of(copies[0]), Fleet.of(copies[1])


def whole(fleet: Fleet) -> dict:
    """The history with every month of its readings, and what analysts see of them."""
    found = fleet.history()
    del found["clock_shift"]  # it tells when it was made
    with fleet.run() as run:
        found["reading_raw"] = run.store.con.execute(f"SELECT * FROM {older.source(run.store)} ORDER BY ALL").fetchall()
    for relation in ("reading", "reading_raw", "site_hour"):
        found[f"shown {relation}"] = reader.ask(fleet.space.reader, f"FROM {relation} ORDER BY ALL").rows()
    return found


def test_an_old_month_leaves_the_file_and_is_a_part_of_the_history_all_the_same(pair: tuple[Fleet, Fleet]) -> None:
    moved, kept = pair
    assert moved.ask("SELECT month, rows_held FROM reading_month") == [("2026-02", 192)]
    assert moved.value("SELECT min(ts_utc) >= TIMESTAMPTZ '2026-03-01' FROM reading_raw")
    assert [name[:7] for name in moved.files("readings")] == ["2026-02"]
    assert differences(whole(moved), whole(kept)) == {}


def test_a_late_export_a_correction_and_a_lost_reader_find_it(pair: tuple[Fleet, Fleet]) -> None:
    for fleet in pair:
        fleet.drop("S1_roof_late.csv", roof(sunny(OLD, peak_w=3000)))  # replaces
        fleet.drop("S1_count_late.csv", table("t,total", [(t, 109.6) for t in stamps(1, day=date(2026, 3, 1))]))
        fleet.cycle(day=NEW)
        with fleet.run() as run, session.published(run, "retime"):
            clock_corrections.retime(run, "S2", shift_min=-60, first=OLD, last=OLD)
        shutil.rmtree(fleet.space.reader)
        fleet.cycle(day=NEW)
    moved, kept = pair
    assert moved.ledger()["S1_roof_late.csv"] == kept.ledger()["S1_roof_late.csv"]
    assert moved.ledger()["S1_roof_late.csv"][3] > 0
    assert moved.ask("SELECT month, rows_held FROM reading_month") == [("2026-02", 192)]
    assert len(moved.files("readings")) == 1  # the file before went with the copy that named it
    assert differences(whole(moved), whole(kept)) == {}


def test_a_rebuild_needs_none_of_it_and_a_missing_month_is_told(pair: tuple[Fleet, Fleet]) -> None:
    moved, kept = pair
    expected = whole(kept)
    shutil.rmtree(moved.space.older_readings)
    with pytest.raises(RefusedError, match=r"older readings are missing \(1 month\), readings/2026-02.*--rebuild"):
        moved.cycle()
    moved.rebuild()
    found = whole(moved)
    for one in (expected, found):
        del one["due_day"]  # days after the last judged one, which a rebuild need not remember
    assert differences(expected, found) == {}


def test_a_stamp_in_the_future_moves_nothing(pair: tuple[Fleet, Fleet]) -> None:
    _, kept = pair
    with kept.run() as run:
        run.store.con.execute("UPDATE site_day SET day = DATE '2900-01-01' WHERE day = ?", [NEW])
        assert older.move_out(run.store, 20) == []  # the newest day is OLD
