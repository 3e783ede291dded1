"""The command that corrects a site's clock."""

from typing import Annotated, Any

import typer

from pipeline.commands.options import Json, day_or_instant_of, ended, workspace_of
from pipeline.errors import NoonmarkError


def retime(
    context: typer.Context,
    site: Annotated[str, typer.Argument(metavar="SITE", help="The site's id.")],
    shift_min: Annotated[
        float | None,
        typer.Option("--shift-min", metavar="N", help="Minutes to add to the stamps; negative where they are late."),
    ] = None,
    rate_s_per_day: Annotated[
        float | None,
        typer.Option(
            "--rate-s-per-day", metavar="R", help="Seconds more to add each day; negative for a clock that gains."
        ),
    ] = None,
    first: Annotated[
        str | None, typer.Option("--from", metavar="T", help="First local day, or local time, as stamped.")
    ] = None,
    last: Annotated[
        str | None, typer.Option("--to", metavar="T", help="Last local day, or local time; else until further notice.")
    ] = None,
    is_tried: Annotated[
        bool, typer.Option("--dry-run", help="Show before and after, and what would close; change nothing.")
    ] = False,
    is_undone: Annotated[bool, typer.Option("--undo", help="Take the newest correction that fits back.")] = False,
    json: Json = False,
) -> int:
    """Corrects a site's stamps for a known clock error; raw stamps stay, and --undo takes it back.

    Stamps 60 minutes late since 12 March, 14:00: `noonmark retime SITE --shift-min -60 --from 2026-03-12T14:00`.
    A clock that gains 90 s a day since 1 May: `noonmark retime SITE --rate-s-per-day -90 --from 2026-05-01`.
    """
    from pipeline.commands import printing as say
    from pipeline.commands import tables
    from pipeline.runs import clock_corrections, clock_preview, session

    start, end = day_or_instant_of(first, "--from"), day_or_instant_of(last, "--to")
    if is_undone and is_tried:
        raise NoonmarkError("--dry-run shows a correction, not its end", "retime", "leave --undo or --dry-run out")
    if is_undone:
        with session.opened(workspace_of(context)) as run, session.published(run, "retime") as said:
            corrected = clock_corrections.undo_retime(
                run, site, shift_min=shift_min, first=start, last=end, rate_s_per_day=rate_s_per_day
            )
            said += ["done", f"{site} undone"]
        say.corrected(corrected, as_json=json)
        return ended(run)
    if (shift_min is None and rate_s_per_day is None) or start is None:
        raise NoonmarkError(
            "a correction needs --shift-min or --rate-s-per-day, and --from", "retime", "see `noonmark retime --help`"
        )
    given: dict[str, Any] = {
        "shift_min": shift_min or 0.0, "first": start, "last": end, "rate_s_per_day": rate_s_per_day or 0.0,
    }  # fmt: skip
    if is_tried:
        with session.opened(workspace_of(context)) as run:
            shown = clock_preview.preview(run, site, clock_corrections.checked(run, site, **given))
        tables.rows(shown.columns, shown.rows(), "json" if json else "table")
        return ended(run)
    with session.opened(workspace_of(context)) as run, session.published(run, "retime") as said:
        corrected = clock_corrections.retime(run, site, **given)
        said += ["done", f"{site} {clock_corrections.summed_up(corrected)}"]
    say.corrected(corrected, as_json=json)
    return ended(run)
