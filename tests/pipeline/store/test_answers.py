"""`noonmark sql`: every type of DuckDB in every form, queries from files, and CSV that spreadsheets may open."""

import csv
import io
import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from pipeline.commands.cli import main
from pipeline.workspace.places import Workspace


class Out:
    """What a command wrote on standard output."""

    def __init__(self, status: int, data: bytes) -> None:
        self.status, self.data, self.text = status, data, data.decode("utf-8", "replace")


@pytest.fixture(scope="module")
def space(tmp_path_factory: pytest.TempPathFactory, desk_after_a_cycle: Path) -> Workspace:
    return Workspace(shutil.copytree(desk_after_a_cycle, tmp_path_factory.mktemp("sql") / "desk"))


@pytest.fixture
def sql(space, capfdbinary: pytest.CaptureFixture[bytes]) -> Callable[..., Out]:
    def call(*arguments: str) -> Out:
        capfdbinary.readouterr()
        status = main(["-w", str(space.root), "sql", *arguments])
        sys.stdout.flush()
        said = capfdbinary.readouterr()
        assert b"Traceback" not in said.err
        return Out(status, said.out)

    return call


TYPES = {
    "SELECT max(ts_utc) - min(ts_utc) AS x FROM reading": "2 days 23:45:00",
    "SELECT INTERVAL 1 MONTH AS x": "1 month",
    "SELECT DATE 'infinity' AS x": "infinity",
    "SELECT TIMESTAMP '-infinity' AS x": "-infinity",
    "SELECT TIMESTAMPTZ 'infinity' AS x": "infinity",
    "SELECT DATE '20000-01-01' AS x": "20000-01-01",
    "SELECT DATE '9999-12-31' AS x": "9999-12-31",
    "SELECT union_value(a := 1) AS x": {"a": 1},
    "SELECT union_value(a := INTERVAL 1 DAY) AS x": {"a": "1 day"},
    "SELECT [INTERVAL 1 DAY] AS x": ["1 day"],
    "SELECT [1, NULL] AS x": [1, None],
    "SELECT [1, 2]::INT[2] AS x": [1, 2],
    "SELECT {'a': [{'b': DATE 'infinity'}]} AS x": {"a": [{"b": "infinity"}]},
    "SELECT {'a': 'nan'::DOUBLE} AS x": {"a": None},
    "SELECT MAP {1: 'a'} AS x": {"1": "a"},
    "SELECT '\\xAA'::BLOB AS x": "\\xAA",
    "SELECT '101'::BIT AS x": "101",
    "SELECT 1.50::DECIMAL(9, 2) AS x": 1.5,
    "SELECT 'a'::ENUM('a') AS x": "a",
    "SELECT TIMETZ '12:00:00+02' AS x": "12:00:00+02",
    "SELECT TIME '12:00' AS x": "12:00:00",
    "SELECT NULL AS x": None,
    "SELECT 'inf'::DOUBLE AS x": None,
    "SELECT 1 AS x WHERE false; -- nothing": [],
}


@pytest.mark.parametrize("query", TYPES)
def test_every_type_in_every_form(sql: Callable[..., Out], query: str) -> None:
    found = sql(query, "--format", "json")
    assert found.status == 0
    rows = json.loads(found.text)
    assert (rows[0]["x"] if rows else rows) == TYPES[query]
    for form in ("table", "csv"):
        shown = sql(query, "--format", form)
        assert shown.status == 0
        assert shown.text.splitlines()[0] == "x"
        if isinstance(TYPES[query], str):
            assert TYPES[query] in shown.text
    stored = sql(query, "--format", "parquet")
    assert stored.status == 0
    frame = pl.read_parquet(io.BytesIO(stored.data))
    assert (frame.columns, frame.height) == (["x"], len(rows))


def test_columns_of_one_name_stay_apart(sql: Callable[..., Out]) -> None:
    assert sql("SELECT 1 AS a, INTERVAL 1 DAY AS a", "--format", "csv").text == "a,a\n1,1 day\n"


def test_a_query_comes_from_a_file_or_standard_input(
    sql: Callable[..., Out], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "days.sql"
    file.write_text("SELECT count(*) AS n\nFROM reading", encoding="utf-8")
    assert sql("--file", str(file)).text == "n\n576\n"
    for arguments in ((), ("-",)):
        monkeypatch.setattr(sys, "stdin", io.StringIO("SELECT 7 AS n"))
        assert sql(*arguments).text == "n\n7\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(" \n"))
    assert sql().status == 2
    assert sql("--file", str(tmp_path / "nowhere.sql")).status == 2


def test_csv_for_spreadsheets_has_no_formulas(sql: Callable[..., Out]) -> None:
    query = "SELECT '=1+1' AS a, '+x' AS b, '-5.5' AS c, -5.5 AS d, '@x' AS e, ' =1' AS f, 'a=b' AS g, '-1+1' AS \"=h\""
    plain = next(csv.reader(sql(query, "--format", "csv").text.splitlines()[1:]))
    assert plain == ["=1+1", "+x", "-5.5", "-5.5", "@x", " =1", "a=b", "-1+1"]
    heads, safe = csv.reader(sql(query, "--format", "csv", "--safe-csv").text.splitlines())
    assert safe == ["'=1+1", "'+x", "-5.5", "-5.5", "'@x", "' =1", "a=b", "'-1+1"]
    assert heads == [*"abcdefg", "'=h"]
