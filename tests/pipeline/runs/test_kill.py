"""Killed at any point and run again, a cycle ends in the history of an undisturbed one."""

import random
import shutil
import time
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.store import reader
from tests.pipeline.ingest.test_ingest import quarter_hours, zipped
from tests.support import dying
from tests.support.fleet import Fleet, differences, roof, stamps, sunny, table

pytestmark = [pytest.mark.usefixtures("few_detectors"), pytest.mark.slow]

POINTS = 6  # of some 200 steps; raise it to die at every one of them, which takes some minutes
CHANCE = random.Random(20260310)
IN_BATCHES = "[ingest]\nsettle_s = 0\nbatch_files = 3\n"


@pytest.fixture(scope="module")
def spawn() -> Any:
    return dying.forkserver()


@pytest.fixture(scope="module")
def waiting(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A workspace with some history, and an inbox with something of everything."""
    root = tmp_path_factory.mktemp("kill") / "waiting"
    fleet = Fleet(root, 4, devices=[("S4", "A"), ("S4", "B")], settings=IN_BATCHES)
    for site in ("S1", "S2"):
        fleet.drop(f"{site}_roof_10.csv", roof(sunny()))
    fleet.cycle()
    for site in ("S1", "S2", "S3"):
        fleet.drop(f"deep/{site}_roof_11.csv", roof(sunny(date(2026, 3, 11))) + "bad,1,1,1\n")
    fleet.drop("S1_roof_again.csv", roof(sunny()))  # a copy
    fleet.drop("S2_roof_better.csv", roof(sunny(peak_w=6500)))  # a correction
    fleet.drop("S1_count_1.csv", table("t,total", [(t, 100 + n / 10) for n, t in enumerate(stamps(96))]))
    fleet.drop("meter_1.csv", table("site,t,grid", [("S1", t, -50) for t in stamps(96)]))
    fleet.drop("S9_roof_11.csv", roof(sunny()))  # no such site
    fleet.drop("S3_roof_bad.csv", "a,b\n1,2\n")
    fleet.drop("night.zip", zipped(**{
        "meter_2.csv": table("site,t,grid", [("S1", t, 60) for t in stamps(8)]), "S3_roof_bad.csv": "c,d\n",
        "S4A_roof_z.csv": quarter_hours(2, 2, 2), "S4B_roof_z.csv": quarter_hours(3, 3, 3),
    }))  # fmt: skip
    return root


def state(root: Path) -> dict[str, Any]:
    """All that must be the same: history, files, what analysts and the desk see."""
    fleet = Fleet.of(root)
    readings = reader.ask(fleet.space.reader, "FROM reading ORDER BY ALL")
    found: dict[str, Any] = fleet.history()
    found |= {folder: [(name,) for name in fleet.files(folder)] for folder in ("inbox", "archive", "quarantine")}
    found["reader"] = [tuple(row) for row in readings.rows()]
    found["digests"] = [(name,) for name in fleet.files("digests")]
    return found


@pytest.fixture(scope="module")
def undisturbed(waiting: Path, spawn: Any) -> tuple[dict[str, Any], list[str]]:
    root = waiting.with_name("undisturbed")
    shutil.copytree(waiting, root)
    here, there = spawn.Pipe()
    process = spawn.Process(target=dying.live, args=(str(root), None, there))
    process.start()
    there.close()  # so that a process which ends without a word ends the wait for it
    names = here.recv()
    process.join()
    assert process.exitcode == 0
    return state(root), names


@pytest.fixture
def root(waiting: Path) -> Iterator[Path]:
    copy = waiting.with_name("killed")
    shutil.copytree(waiting, copy)
    yield copy
    shutil.rmtree(copy)


def killed(spawn: Any, root: Path, last: int, **named: Any) -> int:
    process = spawn.Process(target=dying.live, args=(str(root), last), kwargs=named)
    process.start()
    process.join()
    return int(process.exitcode)


def chosen(names: list[str]) -> list[int]:
    """Steps to die at: of as many kinds as there are points, one each; beyond that any."""
    numbers = list(range(1, len(names) + 1))
    CHANCE.shuffle(numbers)
    first_of_kind = {names[number - 1]: number for number in numbers}
    ordered = [*first_of_kind.values(), *(number for number in numbers if number not in first_of_kind.values())]
    return ordered[:POINTS]


def test_killed_at_any_step_and_run_again(waiting: Path, undisturbed: tuple, spawn: Any) -> None:
    expected, names = undisturbed
    assert expected["finding"] and expected["rejected_row"] and expected["export_copy"] and expected["inbox"] == []
    assert {"before commit", "after commit", "after replace", "after normalise"} <= set(names)
    for point in chosen(names):
        root = waiting.with_name(f"killed-{point}")
        shutil.copytree(waiting, root)
        assert killed(spawn, root, point) == -9
        Fleet.of(root).cycle()
        assert differences(expected, state(root)) == {}, f"killed at step {point} of {len(names)}, {names[point - 1]}"
        shutil.rmtree(root)


def test_killed_again_and_again(root: Path, undisturbed: tuple, spawn: Any) -> None:
    """Each run gets a little further than the one before."""
    expected, _ = undisturbed
    for point in (9, 20, 24):
        killed(spawn, root, point)
    Fleet.of(root).cycle()
    assert differences(expected, state(root)) == {}


def test_killed_at_any_moment(waiting: Path, undisturbed: tuple, spawn: Any) -> None:
    expected, _ = undisturbed
    for number in range(3):
        root = waiting.with_name(f"moment-{number}")
        shutil.copytree(waiting, root)
        process = spawn.Process(target=dying.live, args=(str(root), None))
        process.start()
        time.sleep(CHANCE.uniform(0.05, 0.8))
        process.kill()
        process.join()
        Fleet.of(root).cycle()
        assert differences(expected, state(root)) == {}
        shutil.rmtree(root)


def test_a_killed_rebuild_leaves_the_old_history(root: Path, undisturbed: tuple, spawn: Any) -> None:
    expected, _ = undisturbed
    Fleet.of(root).cycle()
    for point in (12, 55):
        killed(spawn, root, point, is_rebuild=True)
        assert differences(expected, state(root)) == {}
    Fleet.of(root).rebuild()
    assert differences(expected, state(root)) == {}
