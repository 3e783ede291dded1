"""A file that ends every run that reads it: found by the mark that the run leaves, and put aside."""

import gzip
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.config.settings import Settings
from pipeline.ingest import being_opened
from tests.pipeline.ingest.test_ingest import MORNING, pv_of
from tests.support.fleet import Fleet, roof, sunny

DIES = """
import os, signal, sys
from pathlib import Path
from pipeline import ingest, opening
from tests.fleet import Fleet
known = ingest.normalise
def deadly(parts, *given, **named):
    if any(b"deadly" in part.data for part in parts):
        os.kill(os.getpid(), signal.SIGKILL)
    return known(parts, *given, **named)
ingest.normalise = deadly
opening.LARGE_BYTES = int(sys.argv[2])
result = Fleet.of(Path(sys.argv[1])).take_in()
print([name for name, _ in result.quarantined])
"""


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path)


def run(fleet: Fleet, *, large_bytes: int = being_opened.LARGE_BYTES) -> tuple[bool, str]:
    """Whether a run in a process of its own was killed, and what it quarantined."""
    command = [sys.executable, "-c", DIES, str(fleet.space.root), str(large_bytes)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, env={**os.environ}, check=False)
    assert done.returncode in (0, -signal.SIGKILL), done.stderr
    return done.returncode != 0, done.stdout.strip()


def test_a_large_file_that_ended_the_run_is_quarantined_by_the_next(fleet: Fleet) -> None:
    deadly = roof([(stamp, "deadly", 4) for stamp in MORNING])
    fleet.drop("S1_roof_a.csv.gz", gzip.compress(deadly.encode()))
    assert run(fleet, large_bytes=50)[0]
    assert run(fleet, large_bytes=50) == (False, "['S1_roof_a.csv.gz']")
    assert "the run before ended while it read this file" in fleet.reason("S1_roof_a.csv.gz")
    fleet.drop("S1_roof_a.csv.gz", gzip.compress(roof([(stamp, 1, 4) for stamp in MORNING]).encode()))
    assert run(fleet, large_bytes=50) == (False, "[]") and pv_of(fleet) == [1] * 4


def test_a_small_one_among_others_costs_none_of_them(fleet: Fleet) -> None:
    """Read with others, then alone, then alone again: after three ended runs it is the file."""
    fleet.drop("S1_roof_a.csv", roof([(stamp, "deadly", 4) for stamp in MORNING]))
    for site in ("S2", "S3"):
        fleet.drop(f"{site}_roof_a.csv", roof(sunny()))
    for _ in range(3):
        assert run(fleet)[0]
    assert run(fleet) == (False, "['S1_roof_a.csv']")
    assert fleet.ledger().keys() == {"S2_roof_a.csv", "S3_roof_a.csv"} and fleet.files("inbox") == []


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
    """2**30 bytes of rows deflate to about a thousandth; by default 64 MiB are opened of it and no more."""
    assert Settings().ingest.max_export_mib == 64
    rows = b"2026-03-10 00:00,1,4,230\n" * (2**20 // 25)
    packed = gzip.compress(b"t,pv,load,v\n" + rows, 9)
    fleet.drop("S1_roof_a.csv.gz", packed + gzip.compress(rows, 9) * 100)
    assert fleet.take_in().needs_person and "larger than 64 MiB" in fleet.reason("S1_roof_a.csv.gz")
