"""`relations`, `ask`, and the forms for machines: what they print and what they refuse."""

import csv
import io
import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pyarrow.ipc
import pytest

from pipeline.commands.cli import main


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory, desk_after_a_cycle: Path) -> Path:
    return shutil.copytree(desk_after_a_cycle, tmp_path_factory.mktemp("analyst") / "desk")


@pytest.fixture
def run(folder: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> Callable[..., tuple[int, bytes, str]]:
    def call(*arguments: str) -> tuple[int, bytes, str]:
        capfdbinary.readouterr()
        status = main(["-w", str(folder), *arguments])
        sys.stdout.flush()
        said = capfdbinary.readouterr()
        assert b"Traceback" not in said.err
        return status, said.out, said.err.decode()

    return call


def test_arrow_and_parquet_hold_the_same(run: Callable[..., tuple[int, bytes, str]]) -> None:
    query = ("sql", "SELECT site_id, day, pv_kwh FROM site_day ORDER BY ALL")
    arrow, parquet = (run(*query, "--format", form)[1] for form in ("arrow", "parquet"))
    frame = pl.read_parquet(io.BytesIO(parquet))
    assert frame.height == 6
    assert pl.read_ipc(io.BytesIO(arrow)).equals(frame)
    assert pyarrow.ipc.open_file(io.BytesIO(arrow)).read_all().num_rows == 6  # by another library


def test_relations_are_listed_and_described(run: Callable[..., tuple[int, bytes, str]]) -> None:
    listed = json.loads(run("relations", "--json")[1])
    assert {"reading", "site_day", "site_hour", "clock_day"} <= {row["relation"] for row in listed}
    shown = json.loads(run("relations", "reading", "--json")[1])
    by_name = {column["name"]: column for column in shown["columns"]}
    assert by_name["grid_w"]["meaning"].startswith("W: + import")
    assert (by_name["grid_w"]["null"], by_name["ts_utc"]["null"]) == ("not reported", "")
    assert "JOIN site USING (site_id)" in run("relations", "reading")[1].decode()


def test_a_question_takes_its_parameters_in_both_spellings(run: Callable[..., tuple[int, bytes, str]]) -> None:
    def rows(*more: str) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(run("ask", "typical-day", "--format", "csv", *more)[1].decode())))

    assert len(rows()) == 48  # two sites
    assert {row["site_id"] for row in rows("--site", "R-1")} == {"R-1"}
    assert rows("--site=R-1", "--days", "1") == rows("--days=1", "--site", "R-1")
    assert run("ask", "typical_day", "--json")[0] == 0


def test_the_questions_are_listed_with_their_parameters(run: Callable[..., tuple[int, bytes, str]]) -> None:
    listed = json.loads(run("ask", "--json")[1])
    (one,) = [row for row in listed if row["name"] == "worst-sites-by-month"]
    assert one["parameters"] == "--top 5 --from-day DATE"


@pytest.mark.parametrize(
    "arguments",
    [
        ("ask", "no-such-question"),
        ("ask", "--top", "5"),
        ("ask", "worst-sites-by-month", "--bottom", "5"),
        ("ask", "worst-sites-by-month", "--top"),
        ("ask", "worst-sites-by-month", "--top", "many"),
        ("ask", "worst-sites-by-month", "5"),
        ("relations", "no_such_relation"),
    ],
)
def test_wrong_input_is_one_line(run: Callable[..., tuple[int, bytes, str]], arguments: tuple[str, ...]) -> None:
    status, out, err = run(*arguments)
    assert (status, out, err.count("\n")) == (2, b"", 1)
    assert err.startswith("noonmark: ")


@pytest.mark.parametrize(
    ("query", "word"),
    [
        ("SELECT at FROM exception_event", "at"),
        ("SELECT exception_id, by, at FROM exception_event", "by"),
        ("SELECT event FROM exception_event WHERE at > '2026-01-01'", "at"),
        ("SELECT count(*) FROM exception_event GROUP BY by", "by"),
        ("SELECT event FROM exception_event ORDER BY , event", None),
        ("SELEC at", None),
    ],
)
def test_a_column_that_is_a_word_of_sql_is_told_to_be_quoted(
    run: Callable[..., tuple[int, bytes, str]], query: str, word: str | None
) -> None:
    status, _, err = run("sql", query)
    assert (status, err.count("\n")) == (2, 1)
    quoted = [f'SELECT "{one}"' in err for one in ("at", "by")]
    assert quoted == [word == "at", word == "by"]


def test_the_columns_that_are_words_of_sql_say_so_and_can_be_read(
    run: Callable[..., tuple[int, bytes, str]],
) -> None:
    described = {
        one["name"]: one["meaning"] for one in json.loads(run("relations", "exception_event", "--json")[1])["columns"]
    }
    assert all(f'"{name}"' in described[name] for name in ("at", "by"))
    assert json.loads(run("sql", 'SELECT "at", "by" FROM exception_event', "--json")[1])
