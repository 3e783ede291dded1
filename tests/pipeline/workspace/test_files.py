"""Files that are replaced: whole or as they were, with the mode that the umask gives."""

import os
import stat
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.commands.cli import main
from pipeline.workspace.files import copy_file, replace_file, replace_file_by
from tests.support import desk

pytestmark = pytest.mark.usefixtures("few_detectors")


@pytest.fixture(params=[0o022, 0o027, 0o002])
def umask(request: pytest.FixtureRequest) -> Iterator[int]:
    before = os.umask(request.param)
    yield request.param
    os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_the_mode_is_the_umasks(tmp_path: Path, umask: int) -> None:
    private = tmp_path / "private"
    private.write_text("x", encoding="utf-8")
    private.chmod(0o600)
    replace_file(tmp_path / "new", "text")
    copy_file(private, tmp_path / "copy")
    replace_file(private, b"bytes")
    for name in ("new", "copy", "private"):
        assert mode(tmp_path / name) == 0o666 & ~umask
    assert private.read_bytes() == b"bytes"


def test_what_fails_half_way_leaves_the_former_file(tmp_path: Path) -> None:
    path = tmp_path / "page"
    replace_file(path, "former")

    def write(unfinished: Path) -> None:
        unfinished.write_text("half", encoding="utf-8")
        assert path.read_text(encoding="utf-8") == "former"
        raise OSError("no space")

    with pytest.raises(OSError, match="no space"):
        replace_file_by(path, write)
    assert [one.name for one in tmp_path.iterdir()] == ["page"]
    assert path.read_text(encoding="utf-8") == "former"


@pytest.mark.slow
def test_all_that_a_cycle_writes_has_the_umasks_mode(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        space = desk.make(tmp_path / "desk")
        (space.inbox / "stranger.bin").write_bytes(b"\x00")
        assert main(["-w", str(space.root), "cycle"]) == 1
    finally:
        os.umask(before)
    written = [path for path in space.root.rglob("*") if path.is_file() and ".lock" not in path.name]
    assert {path.name for path in written} >= {
        "digest.html",
        "revisits.csv",
        "noonmark.duckdb",
        "stranger.bin.reason.txt",
    }
    read_only = space.reader / "noonmark.duckdb"  # so that no client locks the others out
    assert mode(read_only) == 0o440
    assert {str(path): oct(mode(path)) for path in written if mode(path) != 0o640 and path != read_only} == {}
