"""The analyst's commands: queries, worked questions, and what there is to ask."""

import sys
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from pipeline.commands.options import DONE, Json, SafeCsv, workspace_of
from pipeline.errors import NoonmarkError, RefusedError

if TYPE_CHECKING:
    from pipeline.store.answers import Parameters
    from pipeline.store.relations import Relation
    from pipeline.workspace.places import Workspace

FREE_OPTIONS = {"allow_extra_args": True, "ignore_unknown_options": True}  # a question's own parameters


class SqlForm(StrEnum):
    """How the answer to a query is written."""

    table = "table"
    csv = "csv"
    json = "json"
    parquet = "parquet"
    arrow = "arrow"


FormOf = Annotated[
    SqlForm, typer.Option("--format", help="How to print; Parquet and Arrow are for a file: `> answer.parquet`.")
]


def sql(
    context: typer.Context,
    query: Annotated[
        str | None,
        typer.Argument(
            help="For example: \"SELECT * FROM site_day WHERE day = '2026-03-29'\"; `-` or none: from standard input.",
            show_default=False,
        ),
    ] = None,
    file: Annotated[
        Path | None, typer.Option("--file", metavar="FILE", help="Read the query from a file.", show_default=False)
    ] = None,
    form: FormOf = SqlForm.table,
    is_safe_csv: SafeCsv = False,
    json: Json = False,
) -> int:
    """Asks the analyst's database, read-only. `noonmark relations` lists what it holds."""
    space = workspace_of(context)
    _answer(space, _query(query, file), (), SqlForm.json if json else form, is_safe_csv=is_safe_csv)
    return DONE


def relations(
    context: typer.Context,
    name: Annotated[str | None, typer.Argument(help="A relation; none lists them all.", show_default=False)] = None,
    json: Json = False,
) -> int:
    """The relations of the analyst's database, or one's columns with units and what null means."""
    from pipeline.commands import tables
    from pipeline.store import relations as held

    folder = workspace_of(context).reader
    if name is None:
        known = held.relations(folder).values()
        form = "json" if json else "table"
        tables.rows(("relation", "columns", "grain"), [(one.name, len(one.columns), one.grain) for one in known], form)
        return DONE
    one = held.relation(folder, name)
    if json:
        tables.facts({**one._asdict(), "columns": [column._asdict() for column in one.columns]})
    else:
        _described(one)
    return DONE


def _described(one: "Relation") -> None:
    from pipeline.commands import tables

    print(f"{one.name}: {one.grain}")
    for condition in one.joins:
        print(f"  {condition}")
    heads = ("column", "type", "null means", "meaning")
    tables.table(heads, [(c.name, c.kind, c.null or "never null", c.meaning) for c in one.columns])


def ask(
    context: typer.Context,
    name: Annotated[str | None, typer.Argument(help="A question; none lists them all.", show_default=False)] = None,
    form: FormOf = SqlForm.table,
    is_shown: Annotated[
        bool, typer.Option("--sql", help="Show its query with the parameters' values, for any other client.")
    ] = False,
    is_safe_csv: SafeCsv = False,
    json: Json = False,
) -> int:
    """Answers a worked question, with its own parameters as `--PARAM VALUE`; without a name it lists them."""
    from pipeline.store import questions

    if json:
        form = SqlForm.json
    if name is None:
        _refuse(context.args)
        _listed(form)
        return DONE
    asked = questions.question(name)
    chosen = questions.values(asked, _given(context.args))
    if is_shown:
        print(questions.with_values(asked, chosen), end="")
    else:
        space = workspace_of(context)
        known = questions.looked_up(space.reader, asked, chosen)
        _answer(space, asked.sql, known, form, is_safe_csv=is_safe_csv)
    return DONE


def _listed(form: SqlForm) -> None:
    from pipeline.commands import tables
    from pipeline.store import questions

    heads = ("name", "question", "parameters")
    rows = [
        (one.name, one.question, " ".join(f"{p.option} {p.default or p.kind}" for p in one.parameters))
        for one in questions.questions().values()
    ]
    tables.rows(heads, rows, form if form in ("csv", "json") else "table")


def _refuse(words: Sequence[str]) -> None:
    if words:
        raise RefusedError(f"{words[0]!r} belongs to no question", "ask", "name one: `noonmark ask` lists them")


def _given(words: Sequence[str]) -> dict[str, str]:
    """Values by parameter, from `--name value` and `--name=value`."""
    given: dict[str, str] = {}
    rest = list(words)
    while rest:
        word = rest.pop(0)
        if not word.startswith("--"):
            raise RefusedError(f"{word!r} is no parameter", "ask", "write parameters as --NAME VALUE")
        name, is_joined, value = word[2:].partition("=")
        if not is_joined:
            if not rest:
                raise RefusedError("a value is missing", word, "write it behind the parameter's name")
            value = rest.pop(0)
        given[name.replace("-", "_")] = value
    return given


def _answer(space: "Workspace", query: str, parameters: "Parameters", form: SqlForm, *, is_safe_csv: bool) -> None:
    from pipeline.commands import printing as say
    from pipeline.store import answers

    if form in (SqlForm.parquet, SqlForm.arrow):
        say.for_machines(space, query, parameters, form)
    else:
        say.answer(answers.ask(space.reader, query, parameters), form, is_safe_csv=is_safe_csv)


def _query(query: str | None, file: Path | None) -> str:
    """The text of a query: as typed, of a file, or of standard input."""
    if query is not None and file is not None:
        raise NoonmarkError("a query is typed or in a file, not both", "sql", "leave one out")
    if query not in (None, "-"):
        return str(query)
    if file is None and sys.stdin.isatty():
        raise NoonmarkError("which query?", "sql", "type one, give --file, or send one to standard input")
    where = "standard input" if file is None else str(file)
    try:
        text = sys.stdin.read() if file is None else file.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise NoonmarkError("the query is not UTF-8", where, "save it as UTF-8") from error
    except OSError as error:
        raise NoonmarkError(f"the query cannot be read ({error.strerror})", where, "check the file") from error
    if not text.strip():
        raise NoonmarkError("the query is empty", where, "write one, such as SHOW TABLES")
    return text
