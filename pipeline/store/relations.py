"""What the analyst's database holds, from its own comments: relations, columns, what null means, what joins what."""

from pathlib import Path
from typing import NamedTuple

from pipeline.config.suggestions import name_remedy
from pipeline.errors import RefusedError
from pipeline.store import answers

SQL = """
SELECT r.name, r.comment, c.column_name, c.data_type, c.comment
FROM (
    SELECT table_name AS name, comment FROM duckdb_tables() WHERE NOT internal
    UNION ALL
    SELECT view_name, comment FROM duckdb_views() WHERE NOT internal
) AS r
JOIN duckdb_columns() AS c ON c.table_name = r.name AND NOT c.internal
ORDER BY r.name, c.column_index"""
KEYS = {  # the relations that others look things up in, by the columns that tell their rows apart
    "site": ("site_id",),
    "installer": ("installer_id",),
    "exception": ("exception_id",),
    "export_file": ("export_id",),
    "device": ("site_id", "device_id"),
    "site_day": ("site_id", "day"),
    "site_month": ("site_id", "month"),
}
SPANS = {  # the relations whose rows hold instants of others: their key, the column of the instant, and what of it
    "site_day": ("day", "ts_local", "CAST({}.ts_local AS DATE)"),
    "site_hour": ("ts_utc", "ts_utc", "date_trunc('hour', {}.ts_utc)"),
}
NULL = "null = "  # what follows it in a comment; in a relation's own, it holds for its measures
MEASURES = ("DOUBLE", "DOUBLE[]")


class Column(NamedTuple):
    name: str
    kind: str  # DuckDB's type
    meaning: str  # with its unit
    null: str  # what null means; "" = it is never null


class Relation(NamedTuple):
    """One relation as its comments describe it."""

    name: str
    grain: str
    columns: tuple[Column, ...]
    joins: tuple[str, ...]  # conditions, ready to be typed


def relations(folder: Path) -> dict[str, Relation]:
    """Every relation of the analyst's database by name. Raises QueryError as `answers.ask` does."""
    rows: dict[tuple[str, str], list[tuple[str, str, str]]] = {}
    for name, about, column, kind, comment in answers.ask(folder, SQL).rows:
        rows.setdefault((name, about or ""), []).append((column, kind, comment or ""))
    found = {}
    for (name, about), columns in rows.items():
        grain, default = _apart(about)
        read = tuple(Column(column, kind, *_column(comment, kind, default)) for column, kind, comment in columns)
        found[name] = Relation(name, grain, read, _joins(name, {one.name for one in read}))
    return found


def relation(folder: Path, name: str) -> Relation:
    """The relation of that name. Raises RefusedError if there is none."""
    known = relations(folder)
    if name not in known:
        remedy = name_remedy(name, known, "`noonmark relations` lists them")
        raise RefusedError(f"there is no relation {name!r}", "relations", remedy)
    return known[name]


def _apart(comment: str) -> tuple[str, str]:
    """(what a comment says, what it says null means)."""
    for part in (pieces := [piece.strip() for piece in comment.split(";")]):
        if NULL in part:
            said, _, null = part.partition(NULL)
            rest = [other for other in pieces if other is not part]
            if said.strip(" :"):
                rest.insert(pieces.index(part), said.strip(" :("))
            return "; ".join(rest), null.strip()
    return comment, ""


def _column(comment: str, kind: str, default: str) -> tuple[str, str]:
    meaning, null = _apart(comment)
    return meaning, null or (default if kind in MEASURES else "")


def _joins(name: str, columns: set[str]) -> tuple[str, ...]:
    found = [
        f"JOIN {other} USING ({', '.join(keys)})"
        for other, keys in KEYS.items()
        if other != name and {*keys} <= columns
    ]
    if "ts_utc" in columns:
        found += [
            f"JOIN {other} ON {other}.site_id = {name}.site_id AND {other}.{key} = {expression.format(name)}"
            for other, (key, instant, expression) in SPANS.items()
            if other != name and instant in columns
        ]
    return tuple(found)
