"""A workspace, and the command line that runs in it."""

from pathlib import Path

import pytest

from pipeline.workspace.places import Workspace
from tests.support.command_line import Runner
from tests.support.snapshot import Snapshot


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Runner:
    return Runner(capsys, tmp_path / "desk")


@pytest.fixture(scope="module")
def after_a_cycle(tmp_path_factory: pytest.TempPathFactory, desk_after_a_cycle: Path) -> Snapshot:
    return Snapshot.of_copy(desk_after_a_cycle, tmp_path_factory.mktemp("lived") / "desk")


@pytest.fixture
def lived(run: Runner, after_a_cycle: Snapshot) -> Workspace:
    """A workspace after one cycle, in which `run` runs."""
    run.folder = after_a_cycle.restored()
    return Workspace(run.folder)
