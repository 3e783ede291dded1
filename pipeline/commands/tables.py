"""Rows and facts on standard output: tables for people, CSV and JSON for programs."""

import csv
import json
import re
import sys
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any

WIDEST = 80  # characters of a cell in a table; CSV and JSON hold it whole
# A spreadsheet takes text that begins so for a formula, or for one behind white space that it skips (the CSV injection
# page of OWASP, from memory). A number is none, whatever its sign.
FORMULA = re.compile(r"^\s*[=+\-@\t\r]")


def rows(columns: Sequence[str], cells: Sequence[Sequence[Any]], form: str, *, is_safe_csv: bool = False) -> None:
    """The rows as `table`, `csv` or `json` (a list of objects; of columns with one name the last is shown)."""
    if form == "csv":
        writer = csv.writer(sys.stdout, lineterminator="\n")
        writer.writerow([neutral(name) for name in columns] if is_safe_csv else columns)
        for row in cells:
            flat = [csv_cell(value) for value in row]
            writer.writerow([neutral(cell) for cell in flat] if is_safe_csv else flat)
    elif form == "json":
        facts([dict(zip(columns, row, strict=True)) for row in cells])
    else:
        table(columns, [[_cell(value) for value in row] for row in cells])


def facts(value: Any) -> None:
    """JSON, as one document."""
    print(json.dumps(_plain(value), ensure_ascii=False, indent=1))


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


def neutral(text: str) -> str:
    """The text, behind an apostrophe where a spreadsheet would take it for a formula; numbers as they are."""
    if not FORMULA.match(text):
        return text
    try:
        float(text)
    except ValueError:
        return "'" + text
    return text


def csv_cell(value: Any) -> str:
    """A cell of CSV, which has no nesting: lists and structs as JSON text, instants in ISO 8601."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return _instant(value)
    return _cell(value) if isinstance(value, list | tuple | Mapping) else str(value)


def _instant(value: datetime) -> str:
    """ISO 8601; `Z` where it has a zone, which is UTC."""
    if value.tzinfo is None:
        return value.isoformat(timespec="microseconds")
    return f"{value.replace(tzinfo=None).isoformat()}Z"


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, list | tuple | Mapping):
        return json.dumps(_plain(value), ensure_ascii=False)
    return str(value)


def _plain(value: Any) -> Any:
    """What JSON knows; instants in ISO 8601, figures that are no numbers null."""
    if isinstance(value, Mapping):
        return {str(name): _plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    if isinstance(value, Decimal):
        value = float(value)
    if isinstance(value, float):
        return value if value == value and abs(value) != float("inf") else None
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        return value.total_seconds()
    return value if value is None or isinstance(value, bool | int | str) else str(value)
