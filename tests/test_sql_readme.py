"""sql/README.md: its lists are those of the program, what null means is true of the sample, and its commands run."""

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.store import answers, relations
from pipeline.workspace.places import Workspace
from tests import sql_readme

README = sql_readme.README


def test_the_lists_are_those_of_the_program() -> None:
    text = README.read_text(encoding="utf-8")
    assert sql_readme.written_anew(text) == text, "run `python -m tests.sql_readme`"


def test_every_relation_says_what_joins_it_and_every_column_its_meaning() -> None:
    known = sql_readme.empty_relations()
    assert "JOIN site USING (site_id)" in known["site_day"].joins
    assert any(one.startswith("JOIN site_day ON") for one in known["reading"].joins)
    assert all(column.meaning for one in known.values() for column in one.columns)


def test_every_join_runs(sample_history: tuple[Workspace, str]) -> None:
    for one in relations.relations(sample_history[0].reader).values():
        for condition in one.joins:
            query = f"SELECT count(*) AS n FROM (SELECT 1 FROM {one.name} {condition} LIMIT 1)"
            answers.ask(sample_history[0].reader, query)


def test_a_column_that_holds_null_says_what_it_means(sample_history: tuple[Workspace, str]) -> None:
    folder = sample_history[0].reader
    silent = set()
    for one in relations.relations(folder).values():
        columns = [column.name for column in one.columns if not column.null]
        if columns:
            counts = ", ".join(f'count(*) - count("{name}")' for name in columns)
            row = answers.ask(folder, f"SELECT {counts} FROM {one.name}").rows[0]
            silent |= {f"{one.name}.{name}" for name, count in zip(columns, row, strict=True) if count}
    assert not silent


def test_the_tutorial_prints_what_it_says(sample_history: tuple[Workspace, str]) -> None:
    found = sql_readme.COMMAND.findall(README.read_text(encoding="utf-8"))
    assert len(found) >= 8
    for typed, said in found:
        printed = sql_readme.printed(typed, sample_history[0].root)
        assert FIGURE.split(printed) == FIGURE.split(said), typed
        assert _figures(printed) == pytest.approx(_figures(said), rel=SAME, abs=SAME), typed


FIGURE = re.compile(r"(?<![\w.-])-?\d+\.\d+(?![\w.])")
SAME = 1e-5  # ours: the last digits of a sum depend on the order in which a processor's lanes add


def _figures(text: str) -> list[float]:
    return [float(figure) for figure in FIGURE.findall(text)]


def _python(name: str) -> str:
    found = re.search(rf"<!-- {name} -->\n```python\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    assert found is not None
    return found[1]


@pytest.mark.parametrize("place", ["there", "moved"])
def test_python_opens_it_from_another_folder_also_a_copy(
    sample_history: tuple[Workspace, str], tmp_path: Path, place: str, copied: Callable[[Path, Path], Path]
) -> None:
    folder = sample_history[0].reader if place == "there" else copied(sample_history[0].reader, tmp_path / "elsewhere")
    names: dict[str, object] = {}
    for part in ("python", "polars"):
        exec(_python(part).replace("desk/reader", str(folder)), names)
    table, by_site = names["table"], names["by_site"]
    assert table.num_rows == 45  # type: ignore[attr-defined]
    assert isinstance(by_site, pl.DataFrame)
    with duckdb.connect(str(folder / answers.DATABASE), read_only=True) as con:
        wanted = dict(con.execute("SELECT site_id, max(pv_w) FROM reading GROUP BY site_id").fetchall())
    assert dict(by_site.rows()) == wanted


@pytest.fixture
def copied() -> Callable[[Path, Path], Path]:
    def copy(source: Path, target: Path) -> Path:
        return Path(shutil.copytree(source, target))

    return copy
