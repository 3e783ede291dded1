"""Rows and facts on standard output: tables for people, CSV and JSON for programs."""

import csv
import json
import sys
from collections.abc import Sequence
from typing import Any

from pipeline.workspace.cell_text import csv_cell, neutral, plain, table_cell

WIDEST = 80  # characters of a cell in a table; CSV and JSON hold it whole


def rows(columns: Sequence[str], cells: Sequence[Sequence[Any]], form: str, *, is_safe_csv: bool = False) -> None:
    """The rows as `table`, `csv` or `json` (objects; of columns with one name the second is `name_1`)."""
    if form == "csv":
        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow([neutral(name) for name in columns] if is_safe_csv else columns)
        for row in cells:
            flat = [csv_cell(value) for value in row]
            writer.writerow([neutral(cell) for cell in flat] if is_safe_csv else flat)
    elif form == "json":
        names = _told_apart(columns)
        facts([dict(zip(names, row, strict=True)) for row in cells])
    else:
        table(columns, [[table_cell(value) for value in row] for row in cells])


def _told_apart(columns: Sequence[str]) -> list[str]:
    """As DuckDB names them in a Parquet file: a name that stands before it is numbered."""
    names: list[str] = []
    for column in columns:
        name, number = column, 0
        while name in names:
            number += 1
            name = f"{column}_{number}"
        names.append(name)
    return names


def facts(value: Any) -> None:
    """JSON, as one document."""
    print(json.dumps(plain(value), ensure_ascii=False, indent=1))


def table(heads: Sequence[str], cells: Sequence[Sequence[str]]) -> None:
    """Ruled on a terminal; in a pipe cells set apart by tabs, one row a line."""
    if not sys.stdout.isatty():
        for row in [heads, *cells]:
            print("\t".join(cell.replace("\t", " ").replace("\n", " ") for cell in row))
        return
    from rich import box
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    shown = Table(*map(escape, heads), box=box.SIMPLE_HEAD, show_edge=False)
    for row in cells:
        shown.add_row(*(escape(cell if len(cell) <= WIDEST else cell[: WIDEST - 1] + "…") for cell in row))
    Console().print(shown)
