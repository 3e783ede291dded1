"""Commands that are typed often load no more than they need: no frames, models or schedulers."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.commands.cli import main
from pipeline.runs.status import status
from pipeline.workspace.places import Workspace
from tests.support.places import ROOT

HEAVY = ("polars", "pvlib", "scipy", "jinja2", "apscheduler", "pyarrow", "pandas", "tenacity", "rich.table")
RUN = """
import sys
from pipeline.commands.cli import main
print(main(sys.argv[1:]), *sys.modules, file=sys.stderr)
"""


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory, desk_after_a_cycle: Path) -> Workspace:
    made = Workspace(shutil.copytree(desk_after_a_cycle, tmp_path_factory.mktemp("start") / "desk"))
    assert main(["-w", str(made.root), "ingest"]) == 0  # its files are new: they are checked once more
    return made


@pytest.mark.parametrize(
    "arguments",
    [
        ["--help"],
        ["--version"],
        ["status"],
        ["sql", "FROM site_day"],
        ["exceptions"],
        ["exceptions", "snooze", "--help"],
    ],
)
def test_what_is_not_needed_is_not_loaded(space: Workspace, arguments: list[str]) -> None:
    command = [sys.executable, "-c", RUN, "-w", str(space.root), *arguments]
    ran = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True)
    code, *modules = ran.stderr.splitlines()[-1].split()
    assert code == "0"
    assert [name for name in HEAVY if name in modules] == []


def test_status_sees_what_was_changed_since_the_last_check(space: Workspace) -> None:
    before = space.sites_file.read_text(encoding="utf-8")
    assert (status(space)["faults"], status(space)["sites"]) == ([], 2)
    space.sites_file.write_text(before.replace("Europe/Vienna,10,,", "Europe/Vienna,ten,,"), encoding="utf-8")
    assert len(status(space)["faults"]) == 1
    assert main(["-w", str(space.root), "status"]) == 1
    space.sites_file.write_text(before, encoding="utf-8")
    assert status(space)["faults"] == []
    extra = space.profiles / "other.toml"
    extra.write_text("format = 5\n", encoding="utf-8")
    assert status(space)["faults"]
    extra.unlink()


LOADING = """
import os, signal, sys
from pipeline.commands import start
interrupt = start._Interrupt()
interrupt.is_loaded = True
signal.signal(signal.SIGINT, interrupt)
try:
    if sys.argv[1] == "loading":
        import interrupted_while_loaded
    os.kill(os.getpid(), signal.SIGINT)
except KeyboardInterrupt:
    print("unwound")
"""


def test_an_interrupt_while_a_library_is_loaded_ends_the_process_and_later_unwinds_its_work(tmp_path: Path) -> None:
    """An extension whose beginning is interrupted aborts with a traceback of its own."""
    (tmp_path / "interrupted_while_loaded.py").write_text(
        "import os, signal\ntry:\n    os.kill(os.getpid(), signal.SIGINT)\nexcept KeyboardInterrupt:\n    os.abort()\n"
    )
    path = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{tmp_path}"}
    told = {
        name: subprocess.run(
            [sys.executable, "-c", LOADING, name], env=path, capture_output=True, text=True, check=False
        )
        for name in ("loading", "working")
    }
    assert (told["loading"].returncode, told["loading"].stdout) == (130, "")
    assert told["loading"].stderr.startswith("noonmark: interrupted")
    assert (told["working"].returncode, told["working"].stdout) == (0, "unwound\n")
