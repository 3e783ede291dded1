"""Questions to the analyst's database, read-only, without frames, so that a command answers fast."""

import contextlib
import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any, NamedTuple

import duckdb

from pipeline.errors import QueryError, UnreadablePartError

DATABASE = "noonmark.duckdb"
EXPLAIN = re.compile(r"^\s*EXPLAIN\s+(ANALYZE\s+)?(\([^()]*\)\s*)?", re.IGNORECASE)
COLUMNS_LIKE_SQL = "at|by"  # reserved words that relations have as columns
WHERE_IT_STOPPED = re.compile(r"^Parser Error: .*\n(?P<line>LINE \d+: .*)\n(?P<pad> *)\^", re.DOTALL)
COLUMN_BEGINS = re.compile(rf"(?P<word>{COLUMNS_LIKE_SQL})\b", re.IGNORECASE)
COLUMN_ENDS = re.compile(
    rf"(?<!\border )(?<!\bgroup )(?<!\bpartition )(?<![\w\".])(?P<word>{COLUMNS_LIKE_SQL})\s*$", re.IGNORECASE
)
OF_A_PART = re.compile(r"\.parquet|parquet file|snappy|zstd|thrift|no files found|magic bytes", re.IGNORECASE)
PLAIN = {  # types, by DuckDB's ids, that frames, Parquet and Python hold as they are
    "boolean", "tinyint", "smallint", "integer", "bigint", "hugeint", "utinyint", "usmallint", "uinteger", "ubigint",
    "uhugeint", "float", "double", "decimal", "varchar", "uuid", "enum", "null", "time",
}  # fmt: skip
CALENDAR = {"date", "timestamp", "timestamp with time zone", "timestamp_s", "timestamp_ms"}
NESTED = {"list", "array", "struct", "map", "union", "variant"}
Parameters = Sequence[object] | Mapping[str, object]  # of a query: by place ($1) or by name ($day)
LIMITS = (date.min, date.max)  # Python has no infinity: DuckDB gives these days for it


class Answer(NamedTuple):
    """Columns and rows of a query.

    A cell is None, bool, int, float, Decimal, str, UUID, date, time, datetime (in UTC where it has a zone), or a list
    or dict of what JSON knows. All else (intervals, infinite dates, bytes) is text as DuckDB writes it.
    """

    columns: list[str]
    rows: list[tuple[Any, ...]]

    def to_dicts(self) -> list[dict[str, Any]]:
        """The rows, each by its columns' names."""
        return [dict(zip(self.columns, row, strict=True)) for row in self.rows]


def ask(folder: Path, sql: str, parameters: Parameters = ()) -> Answer:
    """The result of one query on the analyst's database. Raises QueryError as `answered` does."""
    with asking(folder) as put:
        return put(sql, parameters)


@contextlib.contextmanager
def asking(folder: Path) -> Iterator[Callable[[str, Parameters], Answer]]:
    """A function that answers one query after the other, as `ask` does, over one connection."""
    with _connected(folder) as con:
        yield lambda sql, parameters: _answer(con, sql, parameters)


@contextlib.contextmanager
def answered(folder: Path, sql: str, parameters: Parameters = ()) -> Iterator[duckdb.DuckDBPyRelation | None]:
    """The relation that a query gives, to be fetched inside the block; it reads nothing else of this machine.

    Raises QueryError if nothing was published yet, if the text does more than read, or if DuckDB refuses it.
    """
    with _connected(folder) as con, _refusals():
        _refuse_more_than_reading(sql)
        yield _relation(con, sql, parameters)


def _answer(con: duckdb.DuckDBPyConnection, sql: str, parameters: Parameters) -> Answer:
    with _refusals():
        _refuse_more_than_reading(sql)
        relation = _relation(con, sql, parameters)
        if relation is None:
            return Answer([], [])
        columns = list(relation.columns)
        rows = _as_text(relation, [_form(kind) for kind in relation.types]).fetchall()
        limits = {n for row in rows for n, cell in enumerate(row) if _is_limit(cell)}
        if limits:
            forms = ["text" if n in limits else _form(kind) for n, kind in enumerate(relation.types)]
            rows = _as_text(relation, forms).fetchall()
        nested = [n for n, kind in enumerate(relation.types) if _form(kind) == "json"]
    return Answer(columns, [_with_json(row, nested) for row in rows] if nested else rows)


def _relation(con: duckdb.DuckDBPyConnection, sql: str, parameters: Parameters) -> duckdb.DuckDBPyRelation | None:
    if not parameters:
        return con.sql(sql)
    return con.sql(sql, params=dict(parameters) if isinstance(parameters, Mapping) else list(parameters))


@contextlib.contextmanager
def _connected(folder: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    """A connection that reads the analyst's database, and nothing else of this machine."""
    database = folder.resolve() / DATABASE  # its views look for their parts beside it, whatever link led here
    if not database.exists():
        where = f"{database.parent.name}/{database.name}"
        if (database.parent.parent / DATABASE).exists():
            raise QueryError("the analyst's database is missing", where, "`noonmark cycle` makes it from the history")
        raise QueryError("there is no history to ask yet", where, "take in exports first: `noonmark ingest`")
    with contextlib.closing(_opened(database)) as con:
        for setting in (
            "SET TimeZone = 'UTC'",
            "SET enable_progress_bar = false",
            f"SET allowed_directories = ['{str(database.parent).replace(chr(39), chr(39) * 2)}/']",
            "SET enable_external_access = false",
            "SET lock_configuration = true",
        ):
            con.execute(setting)
        yield con


def _opened(database: Path) -> duckdb.DuckDBPyConnection:
    try:
        return duckdb.connect(str(database), read_only=True)
    except duckdb.Error as error:
        said = str(error).splitlines()[0]
        where = f"{database.parent.name}/{database.name}"
        if "lock" in said or "different configuration" in said:
            raise QueryError(
                "a client has the analyst's database open for writing", where,
                "close that client and open it read-only; `noonmark cycle` writes the database anew",
            ) from error  # fmt: skip
        raise UnreadablePartError(
            f"the analyst's database cannot be read ({said})", where, "`noonmark cycle` writes it anew"
        ) from error


@contextlib.contextmanager
def _refusals() -> Iterator[None]:
    """What DuckDB refuses inside the block, as QueryError on one line; UnreadablePartError where a part is damaged."""
    try:
        yield
    except duckdb.Error as error:
        if OF_A_PART.search(str(error)):
            raise UnreadablePartError(
                f"a part of the reader is missing or damaged ({str(error).splitlines()[0]})", "reader",
                "`noonmark cycle` writes it anew; if it does not, remove the file that is named and run it again",
            ) from error  # fmt: skip
        lines = [line.strip() for line in str(error).splitlines() if line.strip() and not set(line.strip()) <= {"^"}]
        remedy = '`noonmark sql "SHOW TABLES"` lists the relations'
        if (word := _column_taken_for_sql(str(error))) is not None:
            remedy = f"as a column {word} has to be quoted: 'SELECT \"{word}\" FROM exception_event'"
        raise QueryError(" ".join(lines), "the query", remedy) from error


def _column_taken_for_sql(said: str) -> str | None:
    """The column among COLUMNS_LIKE_SQL at which a query could not be read: where the error is, or just before it."""
    if (found := WHERE_IT_STOPPED.search(said)) is None:
        return None
    line, at = found["line"], len(found["pad"])
    word = COLUMN_BEGINS.match(line, at) or COLUMN_ENDS.search(line[:at])
    return word["word"].lower() if word else None


def for_frames(relation: duckdb.DuckDBPyRelation) -> duckdb.DuckDBPyRelation:
    """The relation with what frames and Parquet do not hold (intervals, unions, bits, also inside lists) as text."""
    return _as_text(relation, ["" if _is_framed(kind) else _form(kind) for kind in relation.types])


def _form(kind: Any) -> str:
    """How cells of a type are fetched: "" as they are, else as "text" or as "json"."""
    if kind.id in NESTED:
        return "json"
    return "" if kind.id in PLAIN or kind.id in CALENDAR else "text"


def _is_framed(kind: Any) -> bool:
    if kind.id in ("list", "array", "struct", "map"):
        return all(_is_framed(child) for _, child in kind.children if not isinstance(child, int))
    return kind.id in PLAIN or kind.id in CALENDAR or kind.id == "blob"


def _as_text(relation: duckdb.DuckDBPyRelation, forms: Sequence[str]) -> duckdb.DuckDBPyRelation:
    """The relation with some columns cast; by their places, since names may be there twice."""
    if not any(forms):
        return relation
    casts = {"": "c{0}", "text": "CAST(c{0} AS VARCHAR)", "json": "CAST(to_json(c{0}) AS VARCHAR)"}
    names = ['"' + name.replace('"', '""') + '"' for name in relation.columns]
    wanted = ", ".join(f"{casts[form].format(n)} AS {names[n]}" for n, form in enumerate(forms))
    places = ", ".join(f"c{n}" for n in range(len(forms)))
    cast = relation.query("answer", f"SELECT {wanted} FROM answer AS answer({places})")
    assert cast is not None  # a SELECT gives a relation
    return cast


def _is_limit(cell: object) -> bool:
    return isinstance(cell, date) and (cell.date() if isinstance(cell, datetime) else cell) in LIMITS


def _with_json(row: tuple[Any, ...], nested: Sequence[int]) -> tuple[Any, ...]:
    cells = list(row)
    for n in nested:
        if cells[n] is not None:
            cells[n] = json.loads(cells[n])
    return tuple(cells)


def _refuse_more_than_reading(sql: str) -> None:
    """Raises QueryError unless the text is one SELECT, WITH, FROM, SHOW, DESCRIBE, SUMMARIZE or EXPLAIN of these.

    DuckDB itself says what a statement is: it takes all of these but EXPLAIN for a SELECT. What EXPLAIN explains is
    looked at too, since EXPLAIN ANALYZE does it.
    """
    statements = duckdb.extract_statements(sql)
    if not statements:
        raise QueryError("the query is empty", "what was given", "write one: `noonmark sql 'FROM site'`")
    if len(statements) != 1:
        raise QueryError("one query at a time, please", f"{len(statements)} statements were given", "ask one by one")
    kind = statements[0].type
    if kind == duckdb.StatementType.EXPLAIN:
        explained = EXPLAIN.sub("", statements[0].query, count=1)
        kinds = (
            {one.type for one in duckdb.extract_statements(explained)} if explained != statements[0].query else set()
        )
        if kinds == {duckdb.StatementType.SELECT}:
            return
    if kind != duckdb.StatementType.SELECT:
        raise QueryError(
            f"the analyst's database is for reading, and this is {kind.name}", "the query",
            "begin with SELECT, FROM, WITH, SHOW, DESCRIBE, SUMMARIZE or EXPLAIN",
        )  # fmt: skip
