"""What the commands print: for people, or the same facts as JSON."""

import dataclasses
import json
import shutil
import sys
from collections.abc import Mapping, Sequence
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.commands import tables
from pipeline.commands.options import one_line, tell_error
from pipeline.counted import counted
from pipeline.errors import NoonmarkError, RefusedError, alike, what_and_remedy
from pipeline.store import answers, desk_lists
from pipeline.workspace.places import Workspace

if TYPE_CHECKING:  # each command loads what it runs, and no other's
    from pipeline.detection.run_detectors import Judged
    from pipeline.digest import DigestFacts
    from pipeline.ingest.ingest import IngestResult
    from pipeline.runs.check import CheckResult
    from pipeline.runs.clock_corrections import Corrected
    from pipeline.runs.cycle import CycleResult
    from pipeline.runs.preview import Preview

MAX_NAMED = 20  # files named one by one; the rest is counted
WIDE, WIDEST_TERMINAL = 110, 160  # ours: columns from which severity, day and state fit, and the cost


def made(space: Workspace, written: list[Path], *, as_json: bool) -> None:
    """The files that `init` wrote."""
    if as_json:
        tables.facts({"workspace": str(space.root), "written": [str(path) for path in written]})
        return
    print(f"A workspace is ready in {space.root}. Written:")
    for path in written:
        print(f"  {path.relative_to(space.root)}")
    print(
        "Next: fill sites.csv, describe your exports in profiles/, run `noonmark check`, "
        "put exports into inbox/, run `noonmark cycle`."
    )


def texts(files: Mapping[str, str], *, as_json: bool) -> None:
    """Files to be put in their places, each below its name."""
    if as_json:
        tables.facts(files)
        return
    print("\n".join(f"----- {name}\n{text}" for name, text in files.items()), end="")


def corrected(done: "Corrected", *, as_json: bool) -> None:
    """A site's corrections; with the newest in force, what it closed and how many readings collide."""
    if not as_json:
        tables.rows(done.corrections.columns, done.corrections.rows(), "table")
        for row in done.closed.iter_rows(named=True):
            print(f"closed: {row['exception_id']}, {row['kind']}")
        if done.collided:
            fall = "falls" if done.collided == 1 else "fall"
            print(f"{counted(done.collided, 'reading')} {fall} on another's instant, where the corrected one is read")
        return
    newest = done.corrections.filter(done.corrections["undone_at"].is_null())["shift_id"].max()
    tables.facts([
        row | ({"closed": done.closed["exception_id"].to_list(), "collided_readings": done.collided}
               if row["shift_id"] == newest else {})
        for row in done.corrections.to_dicts()
    ])  # fmt: skip


def checked(result: "CheckResult", previews: "Sequence[Preview]", *, as_json: bool) -> None:
    """What `check` found, and the first rows of the exports given; on stderr a line for each fault."""
    for fault in result.faults:
        tell_error(str(fault))
    for one in previews:
        if one.problem is not None:
            what, remedy = what_and_remedy(one.problem)
            tell_error(one_line(f"{what}, {one.path}, {remedy}"))
    if as_json:
        tables.facts({
            "faults": [fault._asdict() for fault in result.faults],
            "notices": [notice._asdict() if hasattr(notice, "_asdict") else str(notice) for notice in result.notices],
            "sites": len(result.register.sites), "profiles": sorted(result.profiles),
            "exports": [
                one._asdict() | {"rejected": [row._asdict() for row in one.rejected], "rows": one.rows.to_dicts()}
                for one in previews
            ],
        })  # fmt: skip
        return
    for notice in result.notices:
        print(f"notice: {notice}")
    if not result.faults:
        sites, profiles = counted(len(result.register.sites), "site"), counted(len(result.profiles), "profile")
        print(f"no fault: {sites}, {profiles}")
    for one in previews:
        _previewed(one)


def _previewed(one: "Preview") -> None:
    if one.problem is not None and one.rows_read == 0:
        return
    print(f"{one.path}: profile {one.profile}, {counted(one.rows_read, 'row')}, {one.rows_rejected} of them rejected")
    for note in one.notes:
        print(f"note: {note}")
    for reject in one.rejected:
        print(f"rejected: {reject}")
    if one.rows_rejected > len(one.rejected):
        print(f"rejected: {one.rows_rejected - len(one.rejected)} more")
    if one.rows.height:
        tables.rows(one.rows.columns, one.rows.rows(), "table")


def taken_in(result: "IngestResult", *, as_json: bool) -> None:
    """What was taken in, and on stderr a line for all that a person must see to."""
    _told_files(result)
    if as_json:
        tables.facts(dataclasses.asdict(result))
        return
    print(
        f"{counted(result.files, 'export')} taken in: {counted(result.rows_read, 'row')} = {result.rows_stored} stored"
        f" + {result.rows_unchanged} unchanged"
        f" + {result.rows_replaced} replaced + {result.rows_rejected} rejected"
    )
    if result.rows_rejected:
        print("why rows were rejected, and what they held: relation rejected_row")
    if result.cells_rejected:
        print(f"{counted(result.cells_rejected, 'optional cell')} left out (relation rejected_cell)")
    _listed(result.copies, "copy of an export taken in before, skipped", "copies of exports taken in before, skipped")
    writing = "still being written, left for the next run"
    _listed(result.still_written, f"file {writing}", f"files {writing}")
    _listed(result.links, "link, not followed", "links, not followed")
    for path, note in result.notes[:MAX_NAMED]:
        print(f"note: {path}: {note}")


def _told_files(result: "IngestResult") -> None:
    """On stderr a line for all files of one reason that a person must see to."""
    for files, reason, _ in alike(result.quarantined):
        what, remedy = what_and_remedy(reason)
        _beside(one_line(f"noonmark: {what}, {files}, {remedy}"))
    for files, reason, _ in alike(result.skipped):
        _beside(one_line(f"noonmark: {reason}, {files}, set its owner and mode so that noonmark may move it"))


def _beside(line: str) -> None:
    """A line on stderr for people; a log in JSON says the same in its own lines."""
    logs = sys.modules.get("pipeline.runs.logs")
    if logs is None or not logs.is_json():
        print(line, file=sys.stderr)


def _listed(names: Sequence[str], one: str, several: str) -> None:
    if names:
        print(f"{counted(len(names), one, several)}: {_named(names)}")


def _named(names: Sequence[str]) -> str:
    more = f" and {len(names) - MAX_NAMED} more" if len(names) > MAX_NAMED else ""
    return f"{', '.join(names[:MAX_NAMED])}{more}"


def judged(result: "Judged", *, as_json: bool) -> None:
    """How many days, findings and detectors without a verdict."""
    if as_json:
        tables.facts(_judged_facts(result))
        return
    if not result.days:
        print("no day waits to be judged")
        return
    span = str(result.days[0]) if len(result.days) == 1 else f"{result.days[0]} to {result.days[-1]}"
    judged, found = counted(len(result.days), "day"), counted(result.findings, "finding")
    print(f"{judged} judged ({span}): {found}, {result.not_judged} not judged")
    if result.sites_not_judged:
        last = f"{result.days[-1]}{' (the last day)' if len(result.days) > 1 else ''}"
        tell_error(
            f"{counted(len(result.sites_not_judged), 'site')} could not be judged on {last} for want of "
            f"readings, {_named(result.sites_not_judged)}, see relation not_judged"
        )


def _judged_facts(result: "Judged") -> dict[str, Any]:
    """What is told of it; the exceptions after it are the digest's to tell."""
    told = dataclasses.asdict(dataclasses.replace(result, folded=None))
    del told["folded"]
    return told


def digest(facts: "DigestFacts", folder: Path | None, *, as_json: bool) -> None:
    """The digest's text (its facts with `as_json`), and where its page lies, if it was written."""
    from pipeline import digest as pages

    if as_json:
        print(pages.to_json(facts), end="")
        return
    print(pages.to_text(facts))
    if folder is not None:
        _beside(f"digest: {folder / 'digest.html'}")


def cycled(result: "CycleResult", *, as_json: bool) -> None:
    """What a cycle took in, judged and wrote."""
    if as_json:
        _told_files(result.taken_in)
        tables.facts({
            "taken_in": dataclasses.asdict(result.taken_in), "judged": _judged_facts(result.judged),
            "headline": None if result.facts is None else result.facts.headline,
            "digest": None if result.folder is None else str(result.folder / "digest.html"),
        })  # fmt: skip
        return
    taken_in(result.taken_in, as_json=False)
    judged(result.judged, as_json=False)
    if result.facts is not None and result.folder is not None:
        print(f"{result.facts.headline}\ndigest: {result.folder / 'digest.html'}")


def demo(space: Workspace, result: "CycleResult", *, as_json: bool) -> None:
    """The digest of the demo's last day, and what to try next."""
    if as_json:
        cycled(result, as_json=True)
        return
    if result.facts is not None and result.folder is not None:
        from pipeline import digest as pages

        print(pages.to_text(result.facts))
        print(f"The workspace is {space.root}")
        print(f"The digest is    {result.folder / 'digest.html'}")
        asked = f"noonmark --workspace {space.root} sql"
        print(f'Ask it in SQL:   {asked} "SELECT kind, count(*) FROM exception GROUP BY kind"')


def answer(found: answers.Answer, form: str, *, is_safe_csv: bool = False) -> None:
    """The answer of a query, in one of the forms of `tables.rows`."""
    tables.rows(found.columns, found.rows, form, is_safe_csv=is_safe_csv)


def for_machines(space: Workspace, query: str, parameters: answers.Parameters, form: str) -> None:
    """The answer as a Parquet or Arrow IPC file on standard output, which has to be a file or a pipe."""
    from io import BytesIO

    from pipeline.store import reader

    if sys.stdout.isatty():
        raise NoonmarkError(f"{form} is not for a terminal", f"--format {form}", f"add `> answer.{form}`")
    written = BytesIO()
    frame = reader.ask(space.reader, query, parameters)
    frame.write_parquet(written) if form == "parquet" else frame.write_ipc(written)
    sys.stdout.buffer.write(written.getvalue())


def revisits(space: Workspace, installer: str | None, form: str, *, is_safe_csv: bool = False) -> None:
    """What an installer (None: everyone) has to see to."""
    if installer is not None and not desk_lists.is_installer(space.reader, installer):
        raise RefusedError("there is no such installer", installer, "see installers.csv, or leave --installer out")
    answer(desk_lists.revisits(space.reader, installer), form, is_safe_csv=is_safe_csv)


def exception_list(space: Workspace, *, as_json: bool) -> None:
    """Every exception, open ones first."""
    found = desk_lists.exceptions(space.reader)
    if as_json or not sys.stdout.isatty():
        answer(found, "json" if as_json else "table")
        return
    from detectors import kinds

    titles = {name: kind.title for name, kind in kinds().items()}
    print(exception_table(found.to_dicts(), titles, shutil.get_terminal_size((100, 24)).columns), end="")


def exception_table(rows: Sequence[Mapping[str, Any]], titles: Mapping[str, str], width: int) -> str:
    """The exceptions within `width` columns: id, site, title and kWh a day always whole, more where there is room."""
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    shown = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    shown.add_column("exception", no_wrap=True)  # to be copied
    shown.add_column("site", overflow="fold")
    shown.add_column("what", overflow="fold")
    shown.add_column("kWh/day", justify="right", no_wrap=True)
    is_wide, is_widest = width >= WIDE, width >= WIDEST_TERMINAL
    for name in (("severity", "since", "state") if is_wide else ()) + (("cost so far",) if is_widest else ()):
        shown.add_column(name, no_wrap=name != "state", overflow="fold")
    for row in rows:
        behind = f" (hidden behind {row['hidden_by']})" if row["hidden_by"] else ""
        person = f", {row['decided_for']}" if row["decided_for"] else ""
        cells = [
            row["exception_id"],
            row["site_name"] or row["site_id"],
            titles.get(row["kind"], row["kind"]) + ("" if is_wide else f", {'hidden' if behind else row['severity']}"),
            f"{row['kwh_per_day']:,.1f}",
        ]
        if is_wide:
            cells += [row["severity"], str(row["first_day"]), f"{row['status']}{person}{behind}"]
        if is_widest:
            cells.append(f"{row['cost']:,.2f} {row['currency'] or ''}")
        shown.add_row(*(Text(cell) for cell in cells))
    console = Console(width=width, color_system=None, file=StringIO(), legacy_windows=False)
    console.print(shown)
    in_view = [row for row in rows if row["status"] in ("open", "acknowledged")]
    hidden = sum(row["hidden_by"] is not None for row in in_view)
    console.print(f"{len(in_view) - hidden} open, {hidden} more hidden behind a cause")
    return console.file.getvalue()  # type: ignore[attr-defined]


def one_exception(space: Workspace, exception_id: str, *, as_json: bool) -> None:
    """The exception, and every decision about it."""
    found = desk_lists.exception(space.reader, exception_id)
    if found is None:
        raise RefusedError("there is no such exception", exception_id, "`noonmark exceptions list` shows them")
    decisions = desk_lists.decisions(space.reader, exception_id)
    evidence = json.loads(found["evidence"] or "{}")
    if as_json:
        tables.facts(found | {"evidence": evidence, "decisions": decisions})
        return
    for name, value in found.items():
        if value not in (None, "") and name != "evidence":
            print(f"{name + ':':18}{tables.table_cell(value)}")
    for one in decisions:
        until = f" until {one['until']}" if one["until"] else ""
        person = f" for {one['decided_for']}" if one["decided_for"] else ""
        note = f": {one['note']}" if one["note"] else ""
        when = f"{one['decided_at']:%Y-%m-%d %H:%M}"
        print(f"{'decision:':18}{when} UTC {one['action']}{until} by {one['decided_by']}{person}{note}")
    print("evidence:")
    for name, value in evidence.items():
        shown = (
            f"{len(value)}, see --json" if isinstance(value, list | dict) else tables.table_cell(value) or "not known"
        )
        print(f"  {name}: {shown}")
