"""What a digest says came in: the exports since the digest of the day before, however often it is made."""

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from pipeline.commands.cli import main
from pipeline.runs import cycle as runs
from tests.support import desk

pytestmark = pytest.mark.usefixtures("no_detectors")

FIRST, SECOND, THIRD = desk.DAYS


@pytest.fixture
def desk_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., Any]:
    space = desk.make(tmp_path / "desk", with_exports=False)

    def call(*arguments: str) -> Any:
        capsys.readouterr()
        assert main(["-w", str(space.root), *arguments]) == 0

    def files(day: object) -> int:
        told = json.loads((space.digests / str(day) / "digest.json").read_text(encoding="utf-8"))
        return int(told["ingest"]["files"])

    call.space, call.files = space, files  # type: ignore[attr-defined]
    return call


def arrive(call: Any, day: Any, *sites: str) -> None:
    for site in sites:
        desk.write(call.space.inbox, site, day, desk.lines(day, feeds_in=True))


@pytest.mark.slow
def test_a_digest_made_again_tells_the_same(desk_of: Any) -> None:
    arrive(desk_of, FIRST, "R-1", "R-2")
    desk_of("cycle", "--day", str(FIRST))
    assert desk_of.files(FIRST) == 2
    for _ in range(2):
        desk_of("digest", "--day", str(FIRST))
        assert desk_of.files(FIRST) == 2
    arrive(desk_of, SECOND, "R-1")
    desk_of("ingest")
    desk_of("digest", "--day", str(FIRST))  # what came later is told by the next
    assert desk_of.files(FIRST) == 2
    arrive(desk_of, SECOND, "R-2")
    desk_of("cycle", "--day", str(SECOND))
    assert desk_of.files(SECOND) == 2
    desk_of("digest", "--day", str(FIRST))
    desk_of("cycle", "--day", str(SECOND))
    assert (desk_of.files(FIRST), desk_of.files(SECOND)) == (2, 2)


@pytest.mark.slow
def test_a_digest_after_a_kill_tells_all_that_came_in(desk_of: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    arrive(desk_of, FIRST, "R-1", "R-2")
    desk_of("cycle", "--day", str(FIRST))
    arrive(desk_of, SECOND, "R-1", "R-2")
    with monkeypatch.context() as patch:
        patch.setattr(
            runs.pages, "write_digest", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt)
        )  # at its last step
        main(["-w", str(desk_of.space.root), "cycle", "--day", str(SECOND)])
    assert not (desk_of.space.digests / str(SECOND)).exists()
    desk_of("cycle", "--day", str(SECOND))
    assert desk_of.files(SECOND) == 2


@pytest.mark.slow
def test_every_export_is_told_once(desk_of: Any) -> None:
    for day in desk.DAYS:
        arrive(desk_of, day, "R-1", "R-2")
    desk_of("cycle")
    for day in (FIRST, SECOND, THIRD):
        desk_of("digest", "--day", str(day))
    assert sum(desk_of.files(day) for day in desk.DAYS) == 6
    after = THIRD + timedelta(days=1)
    arrive(desk_of, after, "R-1", "R-2")
    desk_of("cycle", "--day", str(after))
    assert desk_of.files(after) == 2
