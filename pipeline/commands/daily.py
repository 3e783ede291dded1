"""The commands of a day's work: take in, judge, tell, and the service that does so by itself."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.commands.options import DONE, NEEDS_PERSON, Day, Json, day_of, ended, one_line, workspace_of
from pipeline.counted import counted
from pipeline.errors import NoonmarkError

if TYPE_CHECKING:
    from pipeline.digest import DigestFacts
    from pipeline.ingest.ingest import IngestResult
    from pipeline.runs.session import Opened


def ingest(
    context: typer.Context,
    paths: Annotated[
        list[Path] | None, typer.Argument(help="Files or folders; else the inbox.", show_default=False)
    ] = None,
    is_rebuild: Annotated[bool, typer.Option("--rebuild", help="Make the history again from archive/.")] = False,
    json: Json = False,
) -> int:
    """Takes in exports: rows become readings, files go to archive/, unreadable ones to quarantine/ with a reason."""
    from pipeline.commands import printing as say
    from pipeline.runs import cycle as runs
    from pipeline.runs import session
    from pipeline.runs.rebuild import rebuild

    space = workspace_of(context)
    if is_rebuild:
        if paths:
            raise NoonmarkError("a rebuild reads archive/ alone", "ingest --rebuild", "leave the paths out")
        result = rebuild(space)
        _log_files(result)
        code = NEEDS_PERSON if result.needs_person else DONE
    else:
        with session.opened(space) as run, session.published(run, "ingest") as said:
            result = runs.take_in(run, paths or ())
            _log_files(result)
            said += [
                _outcome(result.needs_person),
                f"{counted(result.files, 'file')}, {counted(result.rows_read, 'row')}",
            ]
        code = ended(run, result.needs_person)
    say.taken_in(result, as_json=json)
    return code


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
    from pipeline.commands import printing as say
    from pipeline.runs import cycle as runs
    from pipeline.runs import session

    days = runs.days_between(day_of(day), day_of(first, "--from"), day_of(last, "--to"))
    with session.opened(workspace_of(context)) as run, session.published(run, "detect") as said:
        result = runs.detect(run, days)
        said += [
            _outcome(result.needs_person),
            f"{counted(len(result.days), 'day')}, {counted(result.findings, 'finding')}",
        ]
    say.judged(result, as_json=json)
    return ended(run, result.needs_person)


def digest(
    context: typer.Context,
    day: Day = None,
    is_mailed: Annotated[bool, typer.Option("--mail", help="Send it too, by the settings' [mail], once.")] = False,
    is_again: Annotated[bool, typer.Option("--again", help="With --mail: also if that day's was sent.")] = False,
    installer: Annotated[
        str | None, typer.Option("--installer", metavar="ID", help="Show one installer's sites.")
    ] = None,
    kind: Annotated[str | None, typer.Option("--kind", metavar="KIND", help="Show exceptions of one kind.")] = None,
    region: Annotated[str | None, typer.Option("--region", metavar="NAME", help="Show one region's sites.")] = None,
    without_watch: Annotated[bool, typer.Option("--no-watch", help="Leave out what is only watched.")] = False,
    json: Json = False,
) -> int:
    """Writes the digest of a day (the last judged one) to digests/YYYY-MM-DD/, and shows its text.

    With --installer, --kind, --region or --no-watch it shows that part of it, and writes nothing.
    """
    from pipeline.commands import printing as say
    from pipeline.digest.narrowing import Narrowed
    from pipeline.runs import digest_pages, session

    wanted, space, narrowed = day_of(day), workspace_of(context), Narrowed(installer, kind, region, without_watch)
    if is_again and not is_mailed:
        raise NoonmarkError("--again goes with --mail", "digest", "add --mail")
    if not narrowed.is_whole:
        if is_mailed:
            raise NoonmarkError("a part of the digest is shown, not mailed", "digest", "leave --mail out")
        with session.opened(space) as run:
            say.digest(digest_pages.part_of_digest(run, wanted, narrowed), None, as_json=json)
        return ended(run)
    with session.opened(space) as run:
        _refuse_unaddressed(run, is_mailed=is_mailed)
        with session.published(run, "digest") as said:
            facts, folder = digest_pages.write_digest(run, wanted)
            said += ["done", facts.headline]
    say.digest(facts, folder, as_json=json)
    if is_mailed:
        _mail(run, facts, is_again=is_again)
    return ended(run)


def cycle(
    context: typer.Context,
    day: Day = None,
    is_mailed: Annotated[bool, typer.Option("--mail", help="Send the digest too, once a day.")] = False,
    json: Json = False,
) -> int:
    """Ingest, detect, digest, once: for cron. With --day, days up to it are judged even if nothing arrived of them."""
    from pipeline.commands import printing as say
    from pipeline.runs import cycle as runs
    from pipeline.runs import session

    wanted = day_of(day)
    with session.opened(workspace_of(context)) as run:
        _refuse_unaddressed(run, is_mailed=is_mailed)
        with session.published(run, "cycle") as said:
            result = runs.cycle(run, day=wanted)
            _log_files(result.taken_in)
            said += [_outcome(result.needs_person), "" if result.facts is None else result.facts.headline]
    say.cycled(result, as_json=json)
    if is_mailed and result.facts is not None:
        _mail(run, result.facts)
    return ended(run, result.needs_person)


def _refuse_unaddressed(run: "Opened", *, is_mailed: bool) -> None:
    """Before anything is done of what is to be mailed, and could not be."""
    if is_mailed:
        from pipeline.digest import mail

        mail.addressed(run.settings.mail, run.settings.mail.recipients)


def _mail(run: "Opened", facts: "DigestFacts", *, is_again: bool = False) -> None:
    """Sends what was published, once the workspace is no longer held. Raises MailError where that does not succeed."""
    from pipeline.runs import mailing

    def report(said: str) -> None:
        print(f"noonmark: {one_line(said)}", file=sys.stderr, flush=True)

    patience = mailing.Patience(mailing.COMMAND_PATIENCE_S, report=report)
    sent = mailing.mail_digest(run.workspace, run.settings, facts, is_again=is_again, patience=patience)
    print(sent.said, file=sys.stderr)


def schedule(context: typer.Context) -> int:
    """The long-running service: takes in every few minutes, judges and writes the digest once a day.

    Times are in noonmark.toml under [schedule]. SIGTERM ends it at the next safe point.
    """
    from pipeline.runs import logs
    from pipeline.runs.schedule import serve

    serve(workspace_of(context), log_format=logs.JSON if logs.is_json() else logs.TEXT)
    return DONE


def _log_files(result: "IngestResult") -> None:
    """For machines; people are told by what the command prints."""
    from pipeline.runs import logs

    if logs.is_json():
        logs.tell_files(result)


def _outcome(needs_person: bool) -> str:
    return "needs a person" if needs_person else "done"
