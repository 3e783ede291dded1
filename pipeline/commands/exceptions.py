"""The commands about exceptions: what is open, and what a person decides about it."""

from typing import Annotated, Any

import typer

from pipeline.commands.options import DONE, By, For, Id, Json, Note, day_of, ended, workspace_of

decisions = typer.Typer(invoke_without_command=True, no_args_is_help=False)


@decisions.callback()
def exceptions(context: typer.Context, json: Json = False) -> int | None:
    """What is open, and what a person decides about it; without an action: the list."""
    if context.invoked_subcommand is None:
        return list_exceptions(context, json)
    context.meta["json"] = json
    return None


@decisions.command("list")
def list_exceptions(context: typer.Context, json: Json = False) -> int:
    """Lists the exceptions: open ones first, the most urgent and costly at the top."""
    from pipeline.commands import printing as say

    say.exception_list(workspace_of(context), as_json=json or context.meta.get("json", False))
    return DONE


@decisions.command()
def show(context: typer.Context, exception_id: Id, json: Json = False) -> int:
    """Shows one exception: what was measured, what was expected, and every decision about it."""
    from pipeline.commands import printing as say

    say.one_exception(workspace_of(context), exception_id, as_json=json or context.meta.get("json", False))
    return DONE


@decisions.command()
def acknowledge(
    context: typer.Context, exception_id: Id, note: Note = "", by: By = None, person: For = None, json: Json = False
) -> int:
    """Keeps it open, as known: somebody sees to it."""
    return _decide(context, exception_id, "acknowledge", json, note=note, by=by, person=person)


@decisions.command()
def snooze(
    context: typer.Context,
    exception_id: Id,
    until: Annotated[
        str,
        typer.Option("--until", metavar="YYYY-MM-DD", help="The day on which it is open again.", show_default=False),
    ],
    note: Note = "",
    by: By = None,
    person: For = None,
    json: Json = False,
) -> int:
    """Takes it out of the digest's lists until a day."""
    day = day_of(until, "--until")
    return _decide(context, exception_id, "snooze", json, until=day, note=note, by=by, person=person)


@decisions.command()
def close(
    context: typer.Context, exception_id: Id, note: Note = "", by: By = None, person: For = None, json: Json = False
) -> int:
    """Closes it by decision, whatever the detectors go on to find."""
    return _decide(context, exception_id, "close", json, note=note, by=by, person=person)


@decisions.command()
def reopen(
    context: typer.Context, exception_id: Id, note: Note = "", by: By = None, person: For = None, json: Json = False
) -> int:
    """Opens a closed exception again, or ends an acknowledgement or a snooze."""
    return _decide(context, exception_id, "reopen", json, note=note, by=by, person=person)


def _decide(context: typer.Context, exception_id: str, action: str, as_json: bool, **said: Any) -> int:
    from pipeline.commands import printing as say
    from pipeline.runs import decisions as decide
    from pipeline.runs import session
    from pipeline.runs.digest_pages import rewrite_digest

    space = workspace_of(context)
    with session.opened(space) as run, session.published(run, f"exceptions {action}") as outcome:
        decide.decide(run, exception_id, action, **said)
        rewrite_digest(run)
        outcome += ["done", exception_id]
    say.one_exception(space, exception_id, as_json=as_json or context.meta.get("json", False))
    return ended(run)
