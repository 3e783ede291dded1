"""What several test modules look at and none changes."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.workspace.places import Workspace
from tests.support.places import ROOT

LIVED = "NOONMARK_LIVED_DEMO"  # a folder that `noonmark demo` made, to save its minutes while writing tests


@pytest.fixture(scope="session")
def sample_history(tmp_path_factory: pytest.TempPathFactory) -> tuple[Workspace, str]:
    """The sample fleet's workspace as the demo leaves it, and what it said; made once for all tests."""
    if os.environ.get(LIVED):
        return Workspace(Path(os.environ[LIVED])), ""
    space = Workspace(tmp_path_factory.mktemp("demo") / "desk")
    command = [sys.executable, "-m", "pipeline.commands.cli", "--workspace", str(space.root), "demo"]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Warning" not in done.stderr
    return space, done.stdout
