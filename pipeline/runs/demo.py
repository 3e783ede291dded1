"""The sample fleet, lived through day by day."""

import re
import shutil
from collections import defaultdict
from datetime import date, timedelta
from itertools import count
from pathlib import Path

from pipeline import progress
from pipeline.errors import NoonmarkError
from pipeline.runs.cycle import CycleResult, cycle
from pipeline.runs.session import opened, publish, recorded
from pipeline.workspace import resources
from pipeline.workspace.places import Workspace

DAY_IN_NAME = re.compile(r"(20\d\d)-?([01]\d)-?([0-3]\d)")


def demo(workspace: Workspace) -> CycleResult:
    """A workspace made from the samples, after a cycle for each of their days.

    Each morning brings the exports of the day before. Raises NoonmarkError if the workspace exists and is not empty.
    """
    samples = resources.folder("sample_exports")
    if workspace.root.exists() and any(workspace.root.iterdir()):
        raise NoonmarkError(
            "the demo needs a folder of its own, and this one is not empty",
            str(workspace.root),
            "choose another with --workspace",
        )
    workspace.root.mkdir(parents=True, exist_ok=True)
    for name in ("sites.csv", "arrays.csv", "devices.csv", "installers.csv", "noonmark.toml"):
        if (samples / name).exists():
            shutil.copy(samples / name, workspace.root / name)
    shutil.copytree(samples / "profiles", workspace.profiles)
    by_day = deliveries(samples / "exports")
    result: CycleResult | None = None
    with progress.shown("living through", len(by_day), "days") as advance:
        for day, files in sorted(by_day.items()):
            for file in files:
                target = workspace.inbox / file.relative_to(samples / "exports")
                target.parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(file, target)
            with opened(workspace, is_quiet=True) as run, recorded(run.store, "cycle") as said:
                result = cycle(run, day=day)
                said.append("needs a person" if result.needs_person else "done")
            advance(1)
    if result is None:
        raise NoonmarkError("the samples hold no export", str(samples), "install noonmark again")
    with opened(workspace, is_quiet=True) as run:
        publish(run)
    return result


def new_demo_folder() -> Workspace:
    """noonmark-demo in the current folder, numbered where there is one already."""
    names = (f"noonmark-demo{'' if n == 1 else f'-{n}'}" for n in count(1))
    return Workspace(next(path for name in names if not (path := Path.cwd() / name).exists()))


def deliveries(folder: Path) -> dict[date, list[Path]]:
    """Files by the day in their name; those without one come with the last day."""
    by_day: dict[date, list[Path]] = defaultdict(list)
    undated: list[Path] = []
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            found = DAY_IN_NAME.search(path.name)
            (by_day[date(*map(int, found.groups()))] if found else undated).append(path)
    if undated:
        by_day[max(by_day) if by_day else date.min + timedelta(days=1)] += undated
    return dict(by_day)
