"""What the last check found, kept beside the workspace: `status` need not read the register again while it stands."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from pipeline.workspace.files import replace_file
from pipeline.workspace.places import Workspace

if TYPE_CHECKING:
    from pipeline.runs.check import CheckResult

Stamp = dict[str, list[int]]


class Checked(NamedTuple):
    """Faults and notices as text, and whom the register names."""

    faults: list[str]
    notices: list[str]
    sites: int
    watched: list[str]  # sites' ids, in order
    profiles: list[str]  # names, in order


def stamp(workspace: Workspace) -> Stamp:
    """Time and size of every file that a check reads, and of the check itself: a new release checks anew."""
    files = [
        workspace.settings_file, workspace.sites_file, workspace.arrays_file, workspace.devices_file,
        workspace.installers_file, *sorted(workspace.profiles.glob("*.toml")), Path(__file__).with_name("check.py"),
    ]  # fmt: skip
    found: Stamp = {}
    for file in files:
        try:
            state = file.stat()
        except OSError:
            continue  # it is missing now, and the stamp differs once it is there
        found[str(file)] = [state.st_mtime_ns, state.st_size]
    return found


def note_checked(workspace: Workspace, before: Stamp, result: "CheckResult") -> None:
    """Keeps the result of a check without faults; `before` is the stamp taken before the files were read."""
    text = json.dumps({"stamp": before, "found": _summed_up(result)._asdict()}) + "\n"
    if _read(workspace) != json.loads(text):
        replace_file(workspace.checked_file, text)


def last_checked(workspace: Workspace) -> Checked:
    """What the last check found if nothing changed since, else what one finds now."""
    known = _read(workspace)
    if known is not None and known.get("stamp") == stamp(workspace):
        return Checked(**known["found"])
    from pipeline.runs.check import check

    return _summed_up(check(workspace))


def _summed_up(result: "CheckResult") -> Checked:
    return Checked(
        [str(fault) for fault in result.faults],
        [str(notice) for notice in result.notices],
        len(result.register.sites),
        sorted(site.site_id for site in result.register.sites.values() if site.watched),
        sorted(result.profiles),
    )


def _read(workspace: Workspace) -> dict[str, Any] | None:
    try:
        known = json.loads(workspace.checked_file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    is_known = isinstance(known, dict) and isinstance(known.get("found"), dict)
    return known if is_known and known["found"].keys() == set(Checked._fields) else None
