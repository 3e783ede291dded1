"""The archive's totals are those of its files, whatever was remembered of its folders."""

import os
import shutil
import time
from pathlib import Path

import pytest

from pipeline.workspace import archive_totals
from pipeline.workspace.archive_totals import Totals, totals
from pipeline.workspace.places import Workspace


@pytest.fixture
def space(tmp_path: Path) -> Workspace:
    """Two months of archive, the older one with a folder of a site in it; nothing of it changed lately."""
    made = Workspace(tmp_path)
    _write(made, "2026-03/A/00000001~a.csv", 10)
    _write(made, "2026-04/00000002~b.csv", 20)
    _settle(made)
    return made


def _write(space: Workspace, name: str, size: int) -> None:
    path = space.archive / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(b"x" * size)


def _settle(space: Workspace) -> None:
    long_ago = time.time() - 100 * archive_totals.SETTLED_S
    for folder in (space.archive, *space.archive.rglob("*")):
        os.utime(folder, (long_ago, long_ago))


def _looked_through(space: Workspace, monkeypatch: pytest.MonkeyPatch) -> set[str]:
    """The folders that were read for the totals."""
    seen: set[str] = set()
    scan = os.scandir

    def noted(path: str):  # type: ignore[no-untyped-def]
        seen.add(Path(path).relative_to(space.archive).as_posix())
        return scan(path)

    with monkeypatch.context() as patched:
        patched.setattr(archive_totals.os, "scandir", noted)
        totals(space)
    return seen


def test_only_folders_that_changed_are_looked_through_again(space: Workspace, monkeypatch: pytest.MonkeyPatch) -> None:
    assert totals(space) == Totals(30, 2)
    assert _looked_through(space, monkeypatch) == set()
    _write(space, "2026-04/00000003~c.csv", 5)
    assert _looked_through(space, monkeypatch) == {"2026-04"}
    assert totals(space) == Totals(35, 3)


def test_what_came_within_one_tick_of_the_clock_is_seen(space: Workspace) -> None:
    """A folder that changed just now may hold more under the same time of change: it is not remembered yet."""
    _write(space, "2026-04/00000003~c.csv", 5)
    now = time.time()
    os.utime(space.archive / "2026-04", (now, now))
    assert totals(space).highest == 3
    _write(space, "2026-04/00000004~d.csv", 5)
    os.utime(space.archive / "2026-04", (now, now))
    assert totals(space) == Totals(40, 4)


def test_folders_that_come_and_go_are_seen(space: Workspace) -> None:
    totals(space)
    _write(space, "2026-03/B/00000009~z.csv", 7)
    assert totals(space) == Totals(37, 9)
    shutil.rmtree(space.archive / "2026-03")
    assert totals(space) == Totals(20, 2)
    shutil.rmtree(space.archive)
    assert totals(space) == Totals(0, 0)


@pytest.mark.parametrize("text", ["", "[]", '{"2026-04": 5}', '{"": [1, 2]}'])
def test_a_spoilt_memory_changes_nothing(space: Workspace, text: str) -> None:
    space.archive_totals_file.write_text(text, encoding="utf-8")
    assert totals(space) == Totals(30, 2)
