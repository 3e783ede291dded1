"""A file that ends every run that reads it: found by the mark that the run leaves, and put aside."""

import gzip
import signal
from pathlib import Path

import pytest

from pipeline.config.settings import Settings
from pipeline.ingest import being_opened
from tests.pipeline.ingest.test_ingest import MORNING, pv_of
from tests.support import dying
from tests.support.fleet import Fleet, roof, sunny

pytestmark = pytest.mark.usefixtures("no_detectors")


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path)


def run(fleet: Fleet, *, large_bytes: int = being_opened.LARGE_BYTES) -> list[str] | None:
    """What a run in a process of its own quarantined; None if it was killed."""
    spawn = dying.forkserver()
    here, there = spawn.Pipe()
    process = spawn.Process(
        target=dying.take_in_what_kills, args=(str(fleet.space.root), b"deadly", large_bytes, there)
    )
    process.start()
    process.join()
    assert process.exitcode in (0, -signal.SIGKILL)
    return here.recv() if process.exitcode == 0 else None


@pytest.mark.slow
def test_a_large_file_that_ended_the_run_is_quarantined_by_the_next(fleet: Fleet) -> None:
    deadly = roof([(stamp, "deadly", 4) for stamp in MORNING])
    fleet.drop("S1_roof_a.csv.gz", gzip.compress(deadly.encode()))
    assert run(fleet, large_bytes=50) is None
    assert run(fleet, large_bytes=50) == ["S1_roof_a.csv.gz"]
    assert "the run before ended while it read this file" in fleet.reason("S1_roof_a.csv.gz")
    fleet.drop("S1_roof_a.csv.gz", gzip.compress(roof([(stamp, 1, 4) for stamp in MORNING]).encode()))
    assert run(fleet, large_bytes=50) == [] and pv_of(fleet) == [1] * 4


@pytest.mark.slow
def test_a_small_one_among_others_costs_none_of_them(fleet: Fleet) -> None:
    """Read with others, then alone, then alone again: after three ended runs it is the file."""
    fleet.drop("S1_roof_a.csv", roof([(stamp, "deadly", 4) for stamp in MORNING]))
    for site in ("S2", "S3"):
        fleet.drop(f"{site}_roof_a.csv", roof(sunny()))
    for _ in range(3):
        assert run(fleet) is None
    assert run(fleet) == ["S1_roof_a.csv"]
    assert fleet.ledger().keys() == {"S2_roof_a.csv", "S3_roof_a.csv"} and fleet.files("inbox") == []


@pytest.mark.slow
def test_a_run_that_was_stopped_from_outside_costs_no_file(fleet: Fleet, monkeypatch: pytest.MonkeyPatch) -> None:
    """An error that stops the run in order leaves no mark; one hard stop leaves small files to be tried again."""
    fleet.drop("S1_roof_a.csv", roof([(stamp, 1, 4) for stamp in MORNING]))
    from pipeline.store import ledger

    with monkeypatch.context() as broken, pytest.raises(KeyboardInterrupt):
        broken.setattr(ledger, "write", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        fleet.take_in()
    assert not (fleet.space.root / ".noonmark.opening").exists()
    assert fleet.take_in().quarantined == [] and pv_of(fleet) == [1] * 4


def test_a_small_packed_file_of_a_gigabyte_is_refused_unread(fleet: Fleet) -> None:
    """2**30 bytes of rows deflate to about a thousandth; by default 256 MiB are looked through of it and no more."""
    assert Settings().ingest.max_export_mib == 256
    rows = b"2026-03-10 00:00,1,4,230\n" * (2**20 // 25)
    packed = gzip.compress(b"t,pv,load,v\n" + rows, 9)
    fleet.drop("S1_roof_a.csv.gz", packed + gzip.compress(rows, 9) * 1023)
    assert fleet.take_in().needs_person and "larger than 256 MiB" in fleet.reason("S1_roof_a.csv.gz")
