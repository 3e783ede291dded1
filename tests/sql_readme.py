"""sql/README.md's lists, made from the program: `python -m tests.sql_readme [WORKSPACE]` writes them anew.

With a workspace that `noonmark demo` made, what the tutorial's commands print is written anew too.
"""

import contextlib
import io
import re
import shlex
import sys
import tempfile
from functools import cache
from pathlib import Path

from pipeline.commands.cli import main
from pipeline.detection import resolver
from pipeline.store import Store, reader
from pipeline.store.questions import Question, questions
from pipeline.store.relations import Relation, relations

README = Path(__file__).parents[1] / "sql" / "README.md"


@cache
def empty_relations() -> dict[str, Relation]:
    """The relations of a history without a row, as the program makes them."""
    with tempfile.TemporaryDirectory() as place:
        with Store(Path(place) / "history.duckdb") as store:
            resolver.prepare(store)
            reader.publish(store, Path(place) / "reader", keep_h=1)
        return relations(Path(place) / "reader")


def listed_relations() -> str:
    return "\n".join(_relation(one) for one in empty_relations().values())


def _relation(one: Relation) -> str:
    rows = "\n".join(f"| {c.name} | {c.kind} | {_cell(c.meaning)} | {_cell(c.null) or '-'} |" for c in one.columns)
    joins = "".join(f"- `{condition}`\n" for condition in one.joins)
    joins = f"{joins}\n" if joins else ""
    return (
        f"### {one.name}\n\n{one.grain[0].upper()}{one.grain[1:]}.\n\n{joins}"
        f"| column | type | meaning, unit | null means |\n| --- | --- | --- | --- |\n{rows}\n"
    )


def listed_questions() -> str:
    return "\n".join(_question(one) for one in questions().values())


def _question(one: Question) -> str:
    options = "; ".join(
        f"`{p.option}` ({p.kind}{', ' + p.default if p.default else ''}) {p.meaning}" for p in one.parameters
    )
    return f"- **`noonmark ask {one.name}`**: {one.question} {one.reading}" + (
        f" Parameters: {options}." if options else ""
    )


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def written_anew(text: str) -> str:
    """The text with its generated lists as they should be."""
    for name, rows in (("relations", listed_relations()), ("questions", listed_questions())):
        head, tail = re.escape(f"<!-- {name} -->\n"), re.escape(f"<!-- end {name} -->")
        text = re.sub(
            f"({head}).*?({tail})", lambda found, rows=rows: f"{found[1]}{rows}\n{found[2]}", text, flags=re.DOTALL
        )
    return text


COMMAND = re.compile(r"^\$ noonmark (?P<typed>.+)\n(?P<said>(?:(?!\$ |```).*\n)*)", re.MULTILINE)


def printed(typed: str, workspace: Path) -> str:
    """What a command of the tutorial prints; its own `--workspace desk` gives way to the workspace."""
    out = io.StringIO()
    with contextlib.redirect_stdout(out):
        status = main(["--workspace", str(workspace), *shlex.split(typed)[2:]])
    assert status == 0, typed
    return out.getvalue()


def _tutorial_anew(text: str, workspace: Path) -> str:
    return COMMAND.sub(lambda found: f"$ noonmark {found['typed']}\n{printed(found['typed'], workspace)}", text)


if __name__ == "__main__":
    anew = written_anew(README.read_text(encoding="utf-8"))
    README.write_text(_tutorial_anew(anew, Path(sys.argv[1])) if sys.argv[1:] else anew, encoding="utf-8")
