"""What the service manager reads each morning, as page, text, JSON and the installers' list."""

import csv
from io import StringIO
from pathlib import Path

from pipeline.digest.facts import build_facts
from pipeline.digest.model import DigestFacts, IngestFacts
from pipeline.digest.page import to_html
from pipeline.digest.text import to_text
from pipeline.frames import REVISITS
from pipeline.workspace import cell_text
from pipeline.workspace.files import replace_file

__all__ = ["DigestFacts", "IngestFacts", "build_facts", "to_html", "to_json", "to_text", "write_digest"]


def to_json(facts: DigestFacts) -> str:
    """The facts for machines, on one line; figures that are no numbers are null."""
    return facts.model_dump_json() + "\n"


def to_revisits_csv(facts: DigestFacts) -> str:
    """The revisits of all installers, columns as the relation `revisit` has them."""
    rows = [r.model_dump(include=set(REVISITS)) for group in facts.revisits for r in group.revisits]
    written = StringIO(newline="")
    writer = csv.writer(written, lineterminator="\n")
    writer.writerow(REVISITS)
    # Installers open it in a spreadsheet, and names come from the register: no cell may be taken for a formula.
    writer.writerows([cell_text.neutral(cell_text.csv_cell(row[name])) for name in REVISITS] for row in rows)
    return written.getvalue()


def write_digest(folder: Path, facts: DigestFacts) -> list[Path]:
    """The four files in `folder`, which is made; each replaces its former self in one step."""
    contents = {
        "digest.html": to_html(facts),
        "digest.txt": to_text(facts),
        "digest.json": to_json(facts),
        "revisits.csv": to_revisits_csv(facts),
    }
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in contents.items():
        replace_file(folder / name, content)
    return [folder / name for name in contents]
