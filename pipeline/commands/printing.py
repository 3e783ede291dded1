"""What the commands print: for people, or the same facts as JSON."""

import dataclasses
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline import digest as pages
from pipeline.commands import tables
from pipeline.detection.run_detectors import Judged
from pipeline.errors import NoonmarkError
from pipeline.ingest.ingest import IngestResult
from pipeline.runs.check import CheckResult
from pipeline.runs.cycle import CycleResult
from pipeline.runs.preview import Preview
from pipeline.store import reader
from pipeline.workspace.places import Workspace

MOST = 20  # files named one by one; the rest is counted


def made(space: Workspace, written: list[Path], *, as_json: bool) -> None:
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


def checked(result: CheckResult, previews: Sequence[Preview], *, as_json: bool) -> None:
    if as_json:
        tables.facts({
            "faults": [fault._asdict() for fault in result.faults],
            "notices": [notice._asdict() if hasattr(notice, "_asdict") else str(notice) for notice in result.notices],
            "sites": len(result.register.sites), "profiles": sorted(result.profiles),
            "exports": [one._asdict() | {"rows": one.rows.to_dicts()} for one in previews],
        })  # fmt: skip
        return
    for notice in result.notices:
        print(f"notice: {notice}")
    for fault in result.faults:
        print(f"noonmark: {fault}", file=sys.stderr)
    if not result.faults:
        print(f"sound: {len(result.register.sites)} sites, {len(result.profiles)} profiles")
    for one in previews:
        _previewed(one)


def _previewed(one: Preview) -> None:
    if one.problem is not None:
        print(f"{one.path}: can't be read: {one.problem}")
        return
    print(f"{one.path}: profile {one.profile}, {one.rows_read} rows, {one.rows_rejected} of them rejected")
    for note in one.notes:
        print(f"note: {note}")
    tables.frame(one.rows, "table")


def taken_in(result: IngestResult, *, as_json: bool) -> None:
    if as_json:
        tables.facts(dataclasses.asdict(result))
        return
    print(
        f"{result.files} exports taken in: {result.rows_read} rows = {result.rows_stored} stored"
        f" + {result.rows_unchanged} unchanged"
        f" + {result.rows_replaced} replaced + {result.rows_rejected} rejected"
    )
    if result.cells_rejected:
        print(f"{result.cells_rejected} optional cells left out (relation rejected_cell)")
    _listed("copies of exports taken in before, skipped", result.copies)
    _listed("still being written, left for the next run", result.still_written)
    _listed("links, not followed", result.links)
    for path, note in result.notes[:MOST]:
        print(f"note: {path}: {note}")
    for file, reason in result.quarantined:
        print(f"noonmark: {reason}, {file}, mend it and put it back into inbox/", file=sys.stderr)


def _listed(what: str, names: list[str]) -> None:
    if names:
        more = f" and {len(names) - MOST} more" if len(names) > MOST else ""
        print(f"{len(names)} {what}: {', '.join(names[:MOST])}{more}")


def judged(result: Judged, *, as_json: bool) -> None:
    if as_json:
        tables.facts(dataclasses.asdict(result))
        return
    if not result.days:
        print("no day waits to be judged")
        return
    span = str(result.days[0]) if len(result.days) == 1 else f"{result.days[0]} to {result.days[-1]}"
    print(f"{len(result.days)} days judged ({span}): {result.findings} findings, {result.not_judged} not judged")
    if result.sites_not_judged:
        print(
            f"noonmark: {len(result.sites_not_judged)} sites could not be judged at all, "
            f"{', '.join(result.sites_not_judged[:MOST])}, see not_judged",
            file=sys.stderr,
        )


def digest(facts: pages.DigestFacts, folder: Path, *, as_json: bool) -> None:
    if as_json:
        print(pages.to_json(facts), end="")
        return
    print(pages.to_text(facts))
    print(f"digest: {folder / 'digest.html'}", file=sys.stderr)


def cycled(result: CycleResult, *, as_json: bool) -> None:
    if as_json:
        tables.facts({
            "taken_in": dataclasses.asdict(result.taken_in), "judged": dataclasses.asdict(result.judged),
            "headline": None if result.facts is None else result.facts.headline,
            "digest": None if result.folder is None else str(result.folder / "digest.html"),
        })  # fmt: skip
        return
    taken_in(result.taken_in, as_json=False)
    judged(result.judged, as_json=False)
    if result.facts is not None and result.folder is not None:
        print(f"{result.facts.headline}\ndigest: {result.folder / 'digest.html'}")


def demo(space: Workspace, result: CycleResult, *, as_json: bool) -> None:
    if as_json:
        cycled(result, as_json=True)
        return
    if result.facts is not None and result.folder is not None:
        print(pages.to_text(result.facts))
        print(f"The workspace is {space.root}")
        print(f"The digest is    {result.folder / 'digest.html'}")
        query = "SELECT kind, count(*) FROM exception GROUP BY kind"
        print(f'Ask it in SQL:   noonmark --workspace {space.root} sql "{query}"')


def revisits(space: Workspace, installer: str | None, form: str) -> None:
    rows = reader.ask(space.reader, "SELECT * FROM revisit ORDER BY installer_id NULLS LAST, since, exception_id")
    if installer is not None:
        rows = rows.filter(rows["installer_id"] == installer)
    tables.frame(rows, form)


LIST = """
    SELECT exception_id, severity, status, kind, site_id, opened_on, first_day, days_open,
    round(loss_kwh, 1) AS loss_kwh, round(cost, 2) AS cost, currency, summary FROM exception
    ORDER BY status = 'closed', array_position(['urgent', 'soon', 'watch'], severity),
    cost / greatest(finding_days, 1) DESC, opened_on, exception_id"""


def exception_list(space: Workspace, *, as_json: bool) -> None:
    tables.frame(reader.ask(space.reader, LIST), "json" if as_json else "table")


def one_exception(space: Workspace, exception_id: str, *, as_json: bool) -> None:
    rows = reader.ask(space.reader, "SELECT * FROM exception").filter(exception_id=exception_id)
    if rows.is_empty():
        raise NoonmarkError("there is no such exception", exception_id, "`noonmark exceptions list` shows them")
    decided(rows.row(0, named=True), as_json=as_json)


def decided(row: dict[str, Any], *, as_json: bool) -> None:
    if as_json:
        tables.facts(row)
        return
    for name, value in row.items():
        if value not in (None, "") and name != "evidence":
            print(f"{name + ':':16}{value}")
    print(f"{'evidence:':16}{row['evidence']}")


def status(facts: dict[str, Any], *, as_json: bool) -> None:
    if as_json:
        tables.facts(facts)
        return
    held = facts["history"]
    print(f"workspace        {facts['workspace']}: {facts['sites']} sites, {len(facts['profiles'])} profiles")
    print(
        f"history          {held['readings']} readings of {held['exports']} exports, "
        f"{held['first_day']} to {held['last_day']}, {held['bytes'] / 1e6:.1f} MB"
    )
    print(f"last judged day  {held['last_judged_day']}")
    print(f"exceptions open  {', '.join(f'{n} {severity}' for severity, n in facts['exceptions'].items()) or 'none'}")
    print(f"files waiting    {facts['waiting']}")
    print(f"quarantined      {len(facts['quarantined'])}")
    for one in facts["quarantined"]:
        print(f"                 {one['file']}: {one['reason']}")
    print(f"without data     {', '.join(facts['sites_without_data']) or 'none'}")
    for run in facts["runs"]:
        print(
            f"run {run['run_id']:<13}{run['started_at']:%Y-%m-%d %H:%M:%S} {run['job']}: {run['outcome']}"
            f"{', ' + run['detail'] if run['detail'] else ''}"
        )
    for fault in facts["faults"]:
        print(f"noonmark: {fault}", file=sys.stderr)
    for notice in facts["notices"]:
        print(f"notice: {notice}")
