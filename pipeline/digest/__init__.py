"""What the service manager reads each morning, as page, text, JSON and the installers' list."""

import os
import tempfile
from pathlib import Path

import polars as pl

from pipeline.digest.facts import build_facts
from pipeline.digest.model import DigestFacts, IngestFacts
from pipeline.digest.page import to_html
from pipeline.digest.text import to_text
from pipeline.exceptions import REVISITS

__all__ = ["DigestFacts", "IngestFacts", "build_facts", "to_html", "to_json", "to_text", "write_digest"]


def to_json(facts: DigestFacts) -> str:
    """The facts for machines, on one line; figures that are no numbers are null."""
    return facts.model_dump_json() + "\n"


def to_revisits_csv(facts: DigestFacts) -> str:
    """The revisits of all installers, columns as the relation `revisit` has them."""
    rows = [r.model_dump(include=set(REVISITS)) for group in facts.revisits for r in group.revisits]
    return pl.DataFrame(rows, schema=REVISITS, orient="row").write_csv()


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
        _replace(folder / name, content)
    return [folder / name for name in contents]


def _replace(path: Path, content: str) -> None:
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            file.write(content)
        Path(temporary).chmod(0o644)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
