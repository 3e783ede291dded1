"""What several test modules look at and none changes."""

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from filelock import FileLock

from pipeline.workspace import files
from pipeline.workspace.places import Workspace
from tests.support.places import ROOT

LIVED = "NOONMARK_LIVED_DEMO"  # a folder that `noonmark demo` made, to save its minutes while writing tests


@pytest.fixture(scope="session", autouse=True)
def _no_waiting_for_disks() -> Iterator[None]:
    """A killed process loses nothing that it wrote, written through or not; only a power cut does, which no test is."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(files, "sync", lambda _: None)
        yield


@pytest.fixture(scope="session")
def sample_history(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> tuple[Workspace, str]:
    """The sample fleet's workspace as the demo leaves it, and what it said; made once for all tests and workers."""
    if os.environ.get(LIVED):
        return Workspace(Path(os.environ[LIVED])), ""
    base = tmp_path_factory.getbasetemp()
    shared = (base if worker_id == "master" else base.parent) / "demo"  # workers have a folder each, in one of the run
    shared.mkdir(exist_ok=True)
    space, said = Workspace(shared / "desk"), shared / "said.txt"
    with FileLock(shared / "lock"):
        if not said.exists():
            command = [sys.executable, "-m", "pipeline.commands.start", "--workspace", str(space.root), "demo"]
            done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
            assert done.returncode == 0, done.stderr
            assert "Warning" not in done.stderr
            said.write_text(done.stdout, encoding="utf-8")
    return space, said.read_text(encoding="utf-8")
