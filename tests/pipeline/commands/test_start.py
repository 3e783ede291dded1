"""Commands that are typed often load no more than they need: no frames, models or schedulers."""

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
