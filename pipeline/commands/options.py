"""What several commands take: options, the workspace, days; and the exit statuses."""

import sys
from datetime import date, datetime
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.errors import NoonmarkError
from pipeline.workspace.places import Workspace

if TYPE_CHECKING:
    from pipeline.runs.session import Opened

DONE, NEEDS_PERSON, REFUSED, INTERRUPTED = 0, 1, 2, 130
FIRST_DAY, LAST_DAY = date(1970, 1, 1), date(2199, 12, 31)  # ours: what instants and windows around days can hold

Json = Annotated[bool, typer.Option("--json", help="The same facts as JSON.")]
Day = Annotated[str | None, typer.Option("--day", metavar="YYYY-MM-DD", help="A local day.")]
Note = Annotated[str, typer.Option("--note", metavar="TEXT", help="Why; kept with the decision.")]
By = Annotated[
    str | None, typer.Option("--by", metavar="NAME", help="Who decides; else who is logged in.", show_default=False)
]
For = Annotated[
    str | None, typer.Option("--for", metavar="NAME", help="The person who is to see to it.", show_default=False)
]
Id = Annotated[str, typer.Argument(metavar="ID", help="Its ID, as `exceptions list` shows it.", show_default=False)]
SafeCsv = Annotated[
    bool, typer.Option("--safe-csv", help="In CSV, put an apostrophe before text that a spreadsheet would compute.")
]


def ended(run: "Opened", needs_person: bool = False) -> int:
    """The exit status of a command that did its work: a history that came back from its copy needs a person too."""
    return NEEDS_PERSON if needs_person or run.was_recovered else DONE


def workspace_of(context: typer.Context, *, must_exist: bool = True) -> Workspace:
    """The workspace that the command line names. Raises NoonmarkError where it cannot be one."""
    found = context.obj
    assert isinstance(found, Workspace)
    if wild := sorted(set(str(found.root)) & set("*?[")):
        raise NoonmarkError(
            f"a workspace's path cannot hold {' '.join(wild)}", str(found.root), "rename the folder, or choose another"
        )
    try:
        is_there = found.root.is_dir()
    except OSError as error:
        raise NoonmarkError(
            f"the workspace cannot be looked into ({error.strerror})", str(found.root), "set its owner and mode"
        ) from error
    if must_exist and not is_there:
        raise NoonmarkError(
            "there is no such workspace", str(found.root), "check --workspace, or make one: `noonmark init`"
        )
    return found


def day_or_instant_of(text: str | None, option: str) -> date | datetime | None:
    """The day or the instant that an option names; without a zone it is local time. Raises NoonmarkError."""
    if text is None or "T" not in text.strip():
        return day_of(text, option)
    try:
        found = datetime.fromisoformat(text.strip())
    except ValueError as error:
        remedy = "write a day as YYYY-MM-DD, an instant as YYYY-MM-DDTHH:MM"
        raise NoonmarkError(f"not an instant: {text!r}", option, remedy) from error
    day_of(found.strftime("%Y-%m-%d"), option)
    return found


def day_of(text: str | None, option: str = "--day") -> date | None:
    """The day that an option names, if it was given. Raises NoonmarkError if it is none."""
    if text is None:
        return None
    try:
        found = datetime.strptime(text, "%Y-%m-%d").date()  # noqa: DTZ007 - a calendar day has no zone
    except ValueError as error:
        raise NoonmarkError(f"not a day: {text!r}", option, "write it as YYYY-MM-DD") from error
    if not FIRST_DAY <= found <= LAST_DAY:
        raise NoonmarkError(f"no site has readings of {found}", option, f"a day from {FIRST_DAY} to {LAST_DAY}")
    return found


def tell_error(said: str) -> None:
    """One line on stderr; as JSON where the log is."""
    logs = sys.modules.get("pipeline.runs.logs")
    if logs is not None and logs.is_json():
        logs.error_line(said)
    else:
        print(f"noonmark: {said}", file=sys.stderr)


def one_line(text: str) -> str:
    """Text of several lines on one, without its last full stop."""
    return " ".join(text.split()).rstrip(".")
