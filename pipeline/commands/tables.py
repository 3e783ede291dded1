"""Frames and facts on standard output: tables for people, CSV and JSON for programs."""

import json
import sys
from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

import polars as pl
from rich import box
from rich.console import Console
from rich.markup import escape
from rich.table import Table

WIDEST = 80  # characters of a cell in a table; CSV and JSON hold it whole


def frame(rows: pl.DataFrame, form: str) -> None:
    """The rows as `table`, `csv` or `json` (a list of objects)."""
    if form == "csv":
        sys.stdout.write(_flat(rows).write_csv())
    elif form == "json":
        facts([_plain(row) for row in rows.to_dicts()])
    else:
        table(rows.columns, [[_cell(value) for value in row] for row in rows.iter_rows()])


def facts(value: Any) -> None:
    """JSON, as one document."""
    print(json.dumps(_plain(value), ensure_ascii=False, indent=1))


def table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Ruled on a terminal; in a pipe cells set apart by tabs, one row a line."""
    if not sys.stdout.isatty():
        for row in [heads, *rows]:
            print("\t".join(cell.replace("\t", " ").replace("\n", " ") for cell in row))
        return
    shown = Table(*map(escape, heads), box=box.SIMPLE_HEAD, show_edge=False)
    for row in rows:
        shown.add_row(*(escape(cell if len(cell) <= WIDEST else cell[: WIDEST - 1] + "…") for cell in row))
    Console().print(shown)


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, list | dict):
        return json.dumps(_plain(value), ensure_ascii=False)
    return str(value)


def _plain(value: Any) -> Any:
    """What JSON knows; instants in ISO 8601, figures that are no numbers null."""
    if isinstance(value, Mapping):
        return {str(name): _plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, float):
        return value if value == value and abs(value) != float("inf") else None
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, timedelta):
        return value.total_seconds()
    return value if value is None or isinstance(value, bool | int | str) else str(value)


def _flat(rows: pl.DataFrame) -> pl.DataFrame:
    """CSV has no nesting: lists and structs as JSON text, instants with their zone."""
    nested = [name for name, kind in rows.schema.items() if kind.is_nested() or isinstance(kind, pl.Object)]
    zoned = [name for name, kind in rows.schema.items() if isinstance(kind, pl.Datetime) and kind.time_zone is not None]
    return rows.with_columns(
        *(pl.Series(name, [_cell(value) for value in rows[name].to_list()]) for name in nested),
        *(pl.col(name).dt.strftime("%Y-%m-%dT%H:%M:%S%.fZ").alias(name) for name in zoned),
    )
