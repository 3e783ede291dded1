"""What an installer works from: one printed page per visit, one file per installer, and a list for the planner."""

import csv
from collections.abc import Iterator, Sequence
from io import StringIO

from pipeline.digest.charts import Picture, pictures
from pipeline.digest.links import BELOW, installer_file
from pipeline.digest.model import DigestFacts, ExceptionFacts, Revisit
from pipeline.digest.rendering import environment
from pipeline.frames import REVISITS
from pipeline.workspace import cell_text

PLANNER_COLUMNS = (*REVISITS, "site_name", "severity", "address", "contact", "phone", "access_note")


def to_sheet(facts: DigestFacts, revisits: Sequence[Revisit], heading: str) -> str:
    """A page with a sheet per visit, each on a printed page of its own."""
    by_id = {one.exception_id: one for one in facts.exceptions}
    sheets: list[tuple[Revisit, ExceptionFacts, list[Picture]]] = []
    for revisit in revisits:
        one = by_id[revisit.exception_id]
        sheets.append((revisit, one, pictures(one)[:1]))
    return environment().get_template("sheet.html.j2").render(facts=facts, sheets=sheets, heading=heading, links=BELOW)


def all_sheets(facts: DigestFacts) -> Iterator[tuple[str, str]]:
    """(file name below revisits/, page): one per visit, and one per installer with all of theirs."""
    for group in facts.revisits:
        for revisit in group.revisits:
            yield f"{revisit.exception_id}.html", to_sheet(facts, [revisit], revisit.site_name)
        yield installer_file(group.installer_id), to_sheet(facts, group.revisits, group.name)


def to_revisits_csv(facts: DigestFacts) -> str:
    """The visits of all installers, for a planner: the columns of the relation `revisit`, then whom and where."""
    rows = [r.model_dump(include=set(PLANNER_COLUMNS)) for group in facts.revisits for r in group.revisits]
    written = StringIO(newline="")
    writer = csv.writer(written, lineterminator="\n")
    writer.writerow(PLANNER_COLUMNS)
    # Installers open it in a spreadsheet, and names come from the register: no cell may be taken for a formula.
    for row in rows:
        writer.writerow([cell_text.neutral(cell_text.csv_cell(row[name])) for name in PLANNER_COLUMNS])
    return written.getvalue()
