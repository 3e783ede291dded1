"""The command line: arguments, printing, exit status. Each command calls one function.

Commands import what they run when they run: `--help`, `status` and `sql` are typed often, and answer at once.
"""

import os
import sys
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer
from typer.exceptions import TyperException

from pipeline.commands import analyst, clock, daily, keeping
from pipeline.commands.exceptions import decisions
from pipeline.commands.options import (
    DONE,
    INTERRUPTED,
    NEEDS_PERSON,
    REFUSED,
    Json,
    SafeCsv,
    one_line,
    tell_error,
    workspace_of,
)
from pipeline.errors import InvalidInputError, NoonmarkError
from pipeline.workspace.places import Workspace

app = typer.Typer(
    name="noonmark",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="""Takes in the exports of PV and battery sites, works out what each site should have done, and tells a
    service desk each morning which sites need a look.

    A workspace is a folder with sites.csv (the register), profiles/ (one TOML file per kind of export) and inbox/
    (where exports arrive). `noonmark init` makes one; `noonmark demo` fills one with an invented fleet.

    Exit status: 0 done; 1 done, but something needs a person (a file in quarantine, a site that could not be judged);
    2 refused, nothing changed; 3 another run holds the workspace; 4 reading or writing failed amid work (disk full,
    no permission, a damaged file); 5 a fault of noonmark itself; 130 interrupted.""",
)


class LogForm(StrEnum):
    """How the log is written."""

    text = "text"
    json = "json"


class Form(StrEnum):
    """How rows are printed."""

    table = "table"
    csv = "csv"
    json = "json"


def _show_version(is_wanted: bool) -> None:
    if is_wanted:
        from importlib.metadata import version

        print(f"noonmark {version('noonmark')}")
        raise typer.Exit


@app.callback()
def workspace(
    context: typer.Context,
    folder: Annotated[
        Path | None,
        typer.Option(
            "--workspace", "-w", metavar="DIR", help="The workspace; else NOONMARK_WORKSPACE, else the current folder."
        ),
    ] = None,
    log_format: Annotated[
        LogForm,
        typer.Option(
            "--log-format",
            envvar="NOONMARK_LOG_FORMAT",
            show_envvar=False,
            help="json: a JSON line per file group and job, on stderr (of `schedule` on stdout), errors too; "
            "else NOONMARK_LOG_FORMAT.",
        ),
    ] = LogForm.text,
    is_version: Annotated[  # noqa: ARG001 - its callback ends the command
        bool, typer.Option("--version", help="Show the version and exit.", is_eager=True, callback=_show_version)
    ] = False,
) -> None:
    named = folder or os.environ.get("NOONMARK_WORKSPACE")
    context.obj = Workspace(Path(named or ".").expanduser().absolute(), is_named=named is not None)
    if log_format is LogForm.json:
        from pipeline.runs import logs

        logs.set_up(logs.JSON, sys.stderr, is_verbose=True)


@app.command()
def init(
    context: typer.Context,
    is_service: Annotated[
        bool,
        typer.Option("--service", help="Print a systemd unit, a container file and a crontab for it; make nothing."),
    ] = False,
    json: Json = False,
) -> int:
    """Makes an empty workspace: settings with every default, an example site, an example profile.

    With --service it prints what lets a machine run it each night: `noonmark -w /srv/desk init --service`.
    """
    from pipeline.commands import printing as say
    from pipeline.runs.init import make_workspace

    space = workspace_of(context, must_exist=False)
    if is_service:
        from pipeline.runs.service_files import service_files

        say.texts(service_files(space), as_json=json)
        return DONE
    say.made(space, make_workspace(space), as_json=json)
    return DONE


@app.command()
def demo(context: typer.Context, json: Json = False) -> int:
    """Lives through the sample fleet day by day in a new workspace, and says where the digest is.

    Without --workspace it makes a folder of its own, noonmark-demo; a folder that is named must be new or empty.
    """
    from pipeline.commands import printing as say
    from pipeline.runs.demo import demo as live_through
    from pipeline.runs.demo import new_demo_folder

    space = workspace_of(context, must_exist=False) if context.obj.is_named else new_demo_folder()
    result = live_through(space)
    say.demo(space, result, as_json=json)
    return DONE


@app.command()
def check(
    context: typer.Context,
    exports: Annotated[
        list[Path] | None, typer.Argument(help="Exports whose first rows are shown as they would be read.")
    ] = None,
    json: Json = False,
) -> int:
    """Validates settings, register and profiles, and shows how exports would be read; every fault with its remedy."""
    from pipeline.commands import printing as say
    from pipeline.runs.check import check as check_workspace
    from pipeline.runs.preview import preview

    result = check_workspace(workspace_of(context))
    previews = preview(result, exports or ()) if not result.faults else []
    say.checked(result, previews, as_json=json)
    if result.faults:
        return REFUSED
    return NEEDS_PERSON if any(one.problem for one in previews) else DONE


for command in (daily.ingest, daily.detect, daily.digest, daily.cycle):
    app.command()(command)


@app.command()
def revisits(
    context: typer.Context,
    installer: Annotated[str | None, typer.Option("--installer", metavar="ID", help="Of one installer.")] = None,
    form: Annotated[Form, typer.Option("--format", help="How to print.")] = Form.table,
    is_safe_csv: SafeCsv = False,
    json: Json = False,
) -> int:
    """The open revisits: what was measured, what to do, by installer."""
    from pipeline.commands import printing as say

    say.revisits(workspace_of(context), installer, Form.json if json else form, is_safe_csv=is_safe_csv)
    return DONE


app.command()(analyst.sql)
app.command()(analyst.relations)
app.command(context_settings=analyst.FREE_OPTIONS)(analyst.ask)
app.command()(keeping.archive)
app.command()(keeping.backup)
app.command()(keeping.restore)
app.add_typer(decisions, name="exceptions")


app.command()(clock.retime)


@app.command()
def status(context: typer.Context, json: Json = False) -> int:
    """How the jobs, the data and the disk stand: last and next runs, lag of data, files waiting; 1 where a job fails.

    Of each profile: how old its newest reading is, and LATE where its next export is late by its own rhythm. Of the
    disk: what the workspace holds, what is free, and in how many days it is full at the present growth.
    """
    from pipeline.commands.quick_status import status_of

    return status_of(workspace_of(context), as_json=json)


app.command()(daily.schedule)


def main(arguments: list[str] | None = None) -> int:
    """The exit status; errors are one line each on stderr."""
    given = sys.argv[1:] if arguments is None else arguments
    try:
        code = app(given or ["--help"], standalone_mode=False)
        if code == INTERRUPTED:  # what the argument parser makes of an interrupt
            raise KeyboardInterrupt
    except InvalidInputError as error:
        for fault in error.faults:
            tell_error(str(fault))
        code = error.exit_status
    except NoonmarkError as error:
        tell_error(one_line(str(error)))
        code = error.exit_status
    except TyperException as error:
        said = error.format_message() if hasattr(error, "format_message") else str(error)
        tell_error(f"{one_line(said)}, the command line, see `noonmark --help`")
        code = REFUSED
    except (BrokenPipeError, SystemExit):
        # Whoever read our output has read enough (Typer turns that into SystemExit); the rest goes nowhere, quietly.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = DONE
    except BaseException as error:
        from pipeline.commands import failures  # loaded here: it knows the errors of heavy libraries

        said, code = failures.in_words(error)
        tell_error(one_line(said))
    return int(code or 0)


def entry() -> None:
    """The console script: runs `main` and exits with its status."""
    sys.exit(main())


if __name__ == "__main__":
    entry()
