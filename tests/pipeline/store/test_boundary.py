"""The store keeps its connection to itself: who else needs the history calls a named function of pipeline/store.

The source is read, since a query that is written elsewhere works as well as one that is not.
"""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
OPEN_TO_ALL = {"sites", "planes", "transaction", "start_run", "end_run", "close"}  # of a Store; all else is its own
SHOWN = "pipeline/digest/"  # queries that are printed beside the figures, for the desk to run itself
STATEMENT = re.compile(r"\s*(SELECT|INSERT INTO|UPDATE|DELETE FROM|MERGE INTO|COPY|ATTACH|DETACH|CHECKPOINT|CREATE)\s")


def sources() -> list[Path]:
    every = [path for package in ("pipeline", "detectors") for path in sorted((ROOT / package).rglob("*.py"))]
    return [path for path in every if path.parent != ROOT / "pipeline" / "store"]


def uses(source: str) -> Iterator[str]:
    """Lines that touch what is the store's own."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Attribute) and node.attr == "con":
            yield f"line {node.lineno}: .con"
        elif isinstance(node, ast.Attribute) and node.attr not in OPEN_TO_ALL:
            owner = node.value
            name = owner.id if isinstance(owner, ast.Name) else owner.attr if isinstance(owner, ast.Attribute) else ""
            if name == "store":
                yield f"line {node.lineno}: store.{node.attr}"


def statements(source: str) -> Iterator[str]:
    """Lines with the text of an SQL statement."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and STATEMENT.match(node.value):
            yield f"line {node.lineno}: {node.value.strip()[:40]}"


def test_no_other_module_uses_the_connection() -> None:
    assert {str(path.relative_to(ROOT)): found for path in sources() if (found := list(uses(path.read_text())))} == {}


def test_no_other_module_holds_the_text_of_a_query() -> None:
    named = {str(path.relative_to(ROOT)): path for path in sources()}
    found = {name: list(statements(path.read_text())) for name, path in named.items() if not name.startswith(SHOWN)}
    assert {name: lines for name, lines in found.items() if lines} == {}


@pytest.mark.parametrize(
    "line",
    ["run.store.con.execute(text)", "store.frame(text)", "x = run.store.value", "with store.offered(a=b): pass"],
)
def test_a_use_is_seen(line: str) -> None:
    assert list(uses(line))


@pytest.mark.parametrize("line", ["run.store.sites()", "history.dirty_days(store)", "register.frame()"])
def test_a_named_function_is_not_a_use(line: str) -> None:
    assert not list(uses(line))


def test_a_query_is_seen_in_a_formatted_string() -> None:
    assert list(statements('ask(f"""\n    SELECT * FROM {table}\n""")'))
    assert not list(statements('help = "Select what you want"'))
