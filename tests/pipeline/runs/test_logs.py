"""JSON lines on request: one per file group and job, each an object of its own, errors too."""

import io
import json
import logging
from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.commands.cli import main
from pipeline.runs import logs
from tests.support import desk

pytestmark = pytest.mark.usefixtures("few_detectors")


@pytest.fixture(autouse=True)
def root_logger() -> Iterator[None]:
    """The process's own log as it was."""
    root, known = logging.getLogger(), logging.getLogger().handlers[:]
    level = root.level
    yield
    root.handlers[:] = known
    root.setLevel(level)


def lines(text: str) -> list[dict]:
    return [json.loads(line) for line in text.splitlines()]


def test_a_line_is_one_object_whatever_is_said() -> None:
    stream = io.StringIO()
    logs.set_up(logs.JSON, stream, is_verbose=True)
    logging.getLogger("noonmark").info('two\nlines, "quoted"', extra=logs.event("job", job="ingest", files=2))
    (told,) = lines(stream.getvalue())
    assert told["said"] == 'two lines, "quoted"' and told["level"] == "info" and told["at"].endswith("+00:00")
    assert (told["event"], told["job"], told["files"]) == ("job", "ingest", 2)


def test_an_ingest_has_a_line_per_file_group_and_one_for_itself(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    space = desk.make(tmp_path / "desk", days=desk.DAYS[:1])
    for number in range(190):
        (space.inbox / f"R-9_hourly_{number}.csv").write_text(
            f"time,pv,load,grid,soc,temp\n2026-05-04 00:00,{number},1,1,1,1\n"
        )
    assert main(["--log-format", "json", "-w", str(space.root), "ingest"]) == 1
    told = lines(capsys.readouterr().err)
    groups = [line for line in told if line["event"] == "files"]
    assert [(line["outcome"], line["files"]) for line in groups] == [("taken in", 2), ("quarantined", 190)]
    assert groups[0]["profile"] == "hourly" and groups[0]["rows"] == 192
    assert groups[1]["first"].startswith("R-9_hourly_") and "R-9" in groups[1]["reason"]
    (job,) = [line for line in told if line["event"] == "job"]
    assert (job["job"], job["outcome"]) == ("ingest", "needs a person") and job["seconds"] > 0


def test_an_error_is_a_line_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--log-format", "json", "-w", str(tmp_path / "none"), "cycle"]) == 2
    (told,) = lines(capsys.readouterr().err)
    assert told["level"] == "error" and told["event"] == "error" and "there is no such workspace" in told["said"]
