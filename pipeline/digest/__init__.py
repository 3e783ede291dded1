"""What the service manager reads each morning, as page, text, JSON and the installers' list."""

from pathlib import Path

import polars as pl

from pipeline.digest.facts import build_facts
from pipeline.digest.model import DigestFacts, IngestFacts
from pipeline.digest.page import to_html
from pipeline.digest.text import to_text
from pipeline.frames import REVISITS

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
    # One run at a time writes here, so that one name will do; what a killed run left is written over.
    unfinished = path.with_name(f".{path.name}.unfinished")
    try:
        unfinished.write_text(content, encoding="utf-8", newline="")
        unfinished.chmod(0o644)
        unfinished.replace(path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise
