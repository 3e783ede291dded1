"""The command line: arguments, printing, exit status. Each command calls one function."""

import os
import sys
from datetime import date, datetime
from enum import StrEnum
from importlib.metadata import version
from pathlib import Path
from typing import Annotated

import typer
from typer.exceptions import TyperException

from pipeline.commands import printing as say
from pipeline.commands import tables
from pipeline.errors import InvalidInputError, NoonmarkError
from pipeline.runs import cycle as runs
from pipeline.runs import decisions
from pipeline.runs.check import check as check_workspace
from pipeline.runs.demo import demo as live_through
from pipeline.runs.demo import new_demo_folder
from pipeline.runs.init import make_workspace
from pipeline.runs.preview import preview
from pipeline.runs.rebuild import rebuild
from pipeline.runs.schedule import serve
from pipeline.runs.status import status as look_at
from pipeline.store import reader
from pipeline.workspace.places import Workspace

DONE, NEEDS_PERSON, REFUSED = 0, 1, 2

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
    2 refused, nothing changed; 3 another run holds the workspace.""",
)


class Form(StrEnum):
    """How rows are printed."""

    table = "table"
    csv = "csv"
    json = "json"


Json = Annotated[bool, typer.Option("--json", help="The same facts as JSON.")]
Day = Annotated[str | None, typer.Option("--day", metavar="YYYY-MM-DD", help="A local day.")]
Note = Annotated[str, typer.Option("--note", help="Why; kept with the decision.")]


def _show_version(is_wanted: bool) -> None:
    if is_wanted:
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
    is_version: Annotated[  # noqa: ARG001 - its callback ends the command
        bool, typer.Option("--version", help="Show the version and exit.", is_eager=True, callback=_show_version)
    ] = False,
) -> None:
    named = folder or os.environ.get("NOONMARK_WORKSPACE")
    context.obj = Workspace(Path(named or ".").expanduser().absolute(), is_named=named is not None)


def _of(context: typer.Context, *, must_exist: bool = True) -> Workspace:
    found = context.obj
    assert isinstance(found, Workspace)
    if must_exist and not found.root.is_dir():
        raise NoonmarkError(
            "there is no such workspace", str(found.root), "check --workspace, or make one: `noonmark init`"
        )
    return found


def _day(text: str | None, option: str = "--day") -> date | None:
    if text is None:
        return None
    try:
        return datetime.strptime(text, "%Y-%m-%d").date()  # noqa: DTZ007 - a calendar day has no zone
    except ValueError as error:
        raise NoonmarkError(f"not a day: {text!r}", option, "write it as YYYY-MM-DD") from error


@app.command()
def init(context: typer.Context, json: Json = False) -> int:
    """Makes an empty workspace: settings with every default, an example site, an example profile."""
    space = _of(context, must_exist=False)
    say.made(space, make_workspace(space), as_json=json)
    return DONE


@app.command()
def demo(context: typer.Context, json: Json = False) -> int:
    """Lives through the sample fleet day by day in a new workspace, and says where the digest is.

    Without --workspace it makes a folder of its own, noonmark-demo; a folder that is named must be new or empty.
    """
    space = _of(context, must_exist=False) if context.obj.is_named else new_demo_folder()
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
    """Validates settings, register and profiles, and shows how exports would be read; every fault with its mend."""
    result = check_workspace(_of(context))
    previews = preview(result, exports or ()) if not result.faults else []
    say.checked(result, previews, as_json=json)
    if result.faults:
        return REFUSED
    return NEEDS_PERSON if any(one.problem for one in previews) else DONE


@app.command()
def ingest(
    context: typer.Context,
    paths: Annotated[
        list[Path] | None, typer.Argument(help="Files or folders; else the inbox.", show_default=False)
    ] = None,
    is_rebuild: Annotated[bool, typer.Option("--rebuild", help="Make the history again from archive/.")] = False,
    json: Json = False,
) -> int:
    """Takes in exports: rows become readings, files go to archive/, unreadable ones to quarantine/ with a reason."""
    space = _of(context)
    if is_rebuild:
        if paths:
            raise NoonmarkError("a rebuild reads archive/ alone", "ingest --rebuild", "leave the paths out")
        result = rebuild(space)
    else:
        with runs.opened(space) as run:
            with runs.recorded(run.store, "ingest") as said:
                result = runs.take_in(run, paths or ())
                said += [_outcome(result.needs_person), f"{result.files} files, {result.rows_read} rows"]
            runs.publish(run)
    say.taken_in(result, as_json=json)
    return NEEDS_PERSON if result.needs_person else DONE


@app.command()
def detect(
    context: typer.Context,
    day: Day = None,
    first: Annotated[
        str | None, typer.Option("--from", metavar="YYYY-MM-DD", help="The first of several days.")
    ] = None,
    last: Annotated[str | None, typer.Option("--to", metavar="YYYY-MM-DD", help="The last of them.")] = None,
    json: Json = False,
) -> int:
    """Runs the detectors over a day, over several, or over every day not yet judged."""
    days = runs.days_between(_day(day), _day(first, "--from"), _day(last, "--to"))
    with runs.opened(_of(context)) as run:
        with runs.recorded(run.store, "detect") as said:
            result = runs.detect(run, days)
            said += [_outcome(result.needs_person), f"{len(result.days)} days, {result.findings} findings"]
        runs.publish(run)
    say.judged(result, as_json=json)
    return NEEDS_PERSON if result.needs_person else DONE


@app.command()
def digest(
    context: typer.Context,
    day: Day = None,
    is_mailed: Annotated[bool, typer.Option("--mail", help="Send it too, by the settings' [mail].")] = False,
    json: Json = False,
) -> int:
    """Writes the digest of a day (the last judged one) to digests/YYYY-MM-DD/, and shows its text."""
    wanted = _day(day)
    with runs.opened(_of(context)) as run:
        with runs.recorded(run.store, "digest") as said:
            facts, folder = runs.write_digest(run, wanted, is_mailed=is_mailed)
            said += ["done", facts.headline]
        runs.publish(run)
    say.digest(facts, folder, as_json=json)
    return DONE


@app.command()
def cycle(
    context: typer.Context,
    day: Day = None,
    is_mailed: Annotated[bool, typer.Option("--mail", help="Send the digest too.")] = False,
    json: Json = False,
) -> int:
    """Ingest, detect, digest, once: for cron. With --day, days up to it are judged even if nothing arrived of them."""
    wanted = _day(day)
    with runs.opened(_of(context)) as run:
        with runs.recorded(run.store, "cycle") as said:
            result = runs.cycle(run, day=wanted, is_mailed=is_mailed)
            said += [_outcome(result.needs_person), "" if result.facts is None else result.facts.headline]
        runs.publish(run)
    say.cycled(result, as_json=json)
    return NEEDS_PERSON if result.needs_person else DONE


@app.command()
def revisits(
    context: typer.Context,
    installer: Annotated[str | None, typer.Option("--installer", metavar="ID", help="Of one installer.")] = None,
    form: Annotated[Form, typer.Option("--format", help="How to print.")] = Form.table,
    json: Json = False,
) -> int:
    """The open revisits: what was measured, what to do, by installer."""
    say.revisits(_of(context), installer, Form.json if json else form)
    return DONE


@app.command()
def sql(
    context: typer.Context,
    query: Annotated[str, typer.Argument(help="For example: \"SELECT * FROM site_day WHERE day = '2026-03-29'\".")],
    form: Annotated[Form, typer.Option("--format", help="How to print.")] = Form.table,
    json: Json = False,
) -> int:
    """Asks the analyst's database, read-only. `SHOW TABLES` lists the relations, `DESCRIBE reading` one's columns."""
    tables.frame(reader.ask(_of(context).reader, query), "json" if json else form)
    return DONE


@app.command()
def exceptions(
    context: typer.Context,
    action: Annotated[str, typer.Argument(help="list, show, acknowledge, snooze or close.")] = "list",
    exception_id: Annotated[str | None, typer.Argument(metavar="ID", help="Which one.", show_default=False)] = None,
    until: Annotated[str | None, typer.Option("--until", metavar="YYYY-MM-DD", help="End of a snooze.")] = None,
    note: Note = "",
    json: Json = False,
) -> int:
    """What is open, and what a person decides about it."""
    space = _of(context)
    if action == "list" and exception_id is None:
        say.exception_list(space, as_json=json)
        return DONE
    if action not in ("show", "acknowledge", "snooze", "close"):
        raise NoonmarkError(
            f"no such action: {action!r}", "exceptions", "one of list, show, acknowledge, snooze, close"
        )
    if exception_id is None:
        raise NoonmarkError(
            "which exception?", f"exceptions {action}", "give its ID, as `noonmark exceptions list` shows it"
        )
    if action == "show":
        say.one_exception(space, exception_id, as_json=json)
        return DONE
    with runs.opened(space) as run:
        with runs.recorded(run.store, f"exceptions {action}") as said:
            row = decisions.decide(run, exception_id, action, until=_day(until, "--until"), note=note)
            said += ["done", exception_id]
        runs.publish(run)
    say.decided(row, as_json=json)
    return DONE


@app.command()
def retime(
    context: typer.Context,
    site: Annotated[str, typer.Argument(metavar="SITE", help="The site's id.")],
    shift_min: Annotated[
        float | None,
        typer.Option("--shift-min", metavar="N", help="Minutes to add to the stamps; negative where they are late."),
    ] = None,
    first: Annotated[
        str | None, typer.Option("--from", metavar="YYYY-MM-DD", help="First local day, as stamped.")
    ] = None,
    last: Annotated[
        str | None, typer.Option("--to", metavar="YYYY-MM-DD", help="Last local day; else until further notice.")
    ] = None,
    is_undone: Annotated[bool, typer.Option("--undo", help="Take the newest correction that fits back.")] = False,
    json: Json = False,
) -> int:
    """Corrects a site's stamps for a known clock error; raw stamps stay, and --undo takes it back.

    A site whose stamps are 60 minutes late since 12 March: `noonmark retime SITE --shift-min -60 --from 2026-03-12`.
    """
    start, end = _day(first, "--from"), _day(last, "--to")
    with runs.opened(_of(context)) as run:
        with runs.recorded(run.store, "retime") as said:
            if is_undone:
                rows = decisions.undo_retime(run, site, shift_min=shift_min, first=start, last=end)
            elif shift_min is None or start is None:
                raise NoonmarkError(
                    "a correction needs --shift-min and --from", "retime", "see `noonmark retime --help`"
                )
            else:
                rows = decisions.retime(run, site, shift_min=shift_min, first=start, last=end)
            said += ["done", f"{site} {'undone' if is_undone else shift_min}"]
        runs.publish(run)
    tables.frame(rows, "json" if json else "table")
    return DONE


@app.command()
def status(context: typer.Context, json: Json = False) -> int:
    """Last runs, files waiting, quarantined files, sites without data, size of the history."""
    say.status(look_at(_of(context)), as_json=json)
    return DONE


@app.command()
def schedule(context: typer.Context) -> int:
    """The long-running service: takes in every few minutes, judges and writes the digest once a day.

    Times are in noonmark.toml under [schedule]. SIGTERM ends it at the next safe point.
    """
    serve(_of(context))
    return DONE


def _outcome(needs_person: bool) -> str:
    return "needs a person" if needs_person else "done"


def main(arguments: list[str] | None = None) -> int:
    """The exit status; errors are one line each on stderr."""
    given = sys.argv[1:] if arguments is None else arguments
    try:
        code = app(given or ["--help"], standalone_mode=False)
    except InvalidInputError as error:
        for fault in error.faults:
            print(f"noonmark: {fault}", file=sys.stderr)
        code = error.exit_status
    except NoonmarkError as error:
        print(f"noonmark: {_one_line(str(error))}", file=sys.stderr)
        code = error.exit_status
    except TyperException as error:
        said = error.format_message() if hasattr(error, "format_message") else str(error)
        print(f"noonmark: {_one_line(said)}, the command line, see `noonmark --help`", file=sys.stderr)
        code = REFUSED
    except (BrokenPipeError, SystemExit):
        # Whoever read our output has read enough (Typer turns that into SystemExit); the rest goes nowhere, quietly.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = DONE
    except (KeyboardInterrupt, typer.Abort):
        print("noonmark: interrupted, nothing is lost, run the command again", file=sys.stderr)
        code = 130
    except OSError as error:
        print(
            f"noonmark: {_one_line(str(error.strerror or error))}, {error.filename or 'the file system'}, "
            "mend it and run the command again",
            file=sys.stderr,
        )
        code = REFUSED
    return int(code or 0)


def _one_line(text: str) -> str:
    return " ".join(text.split()).rstrip(".")


def entry() -> None:
    sys.exit(main())


if __name__ == "__main__":
    entry()
