"""`status` without the parser of the command line, which takes longer to load than the answer to be found."""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from pipeline.workspace.places import Workspace

DONE, NEEDS_PERSON = 0, 1


class Asked(NamedTuple):
    """A plain `[--workspace DIR] status [--json]`."""

    folder: str | None
    as_json: bool


def plainly_asked(words: Sequence[str]) -> Asked | None:
    """What was asked, or None for anything else than the plain form: the parser's to answer."""
    rest, folder = list(words), None
    if rest and rest[0] in ("-w", "--workspace") and len(rest) > 1:
        folder, rest = rest[1], rest[2:]
    elif rest and rest[0].startswith("--workspace="):
        folder, rest = rest[0].partition("=")[2], rest[1:]
    if rest[:1] != ["status"] or rest[1:] not in ([], ["--json"]) or os.environ.get("NOONMARK_LOG_FORMAT"):
        return None
    return Asked(folder, len(rest) == 2)


def answered(words: Sequence[str]) -> int | None:
    """The exit status once the answer is printed; None where the parser is to have the words."""
    asked = plainly_asked(words)
    if asked is None:
        return None
    root = Path(asked.folder or os.environ.get("NOONMARK_WORKSPACE") or ".").expanduser().absolute()
    if not root.is_dir() or set(str(root)) & set("*?["):
        return None  # it has the words for it
    return status_of(Workspace(root), as_json=asked.as_json)


def status_of(workspace: Workspace, *, as_json: bool) -> int:
    """Prints how things stand; 1 where something keeps the jobs from their work."""
    from pipeline.commands import status_text
    from pipeline.runs.status import status

    facts = status(workspace)
    status_text.show(facts, as_json=as_json)
    return NEEDS_PERSON if facts["problems"] else DONE
