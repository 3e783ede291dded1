"""Values as text: for CSV that a spreadsheet opens, for JSON, and for a table's cells."""

import json
import re
from collections.abc import Mapping
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from pathlib import PurePath
from typing import Any
from uuid import UUID

# A spreadsheet takes text that begins so for a formula, or for one behind white space that it skips (the CSV injection
# page of OWASP, from memory). A number is none, whatever its sign.
FORMULA = re.compile(r"^\s*[=+\-@\t\r]")


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
    return table_cell(value) if isinstance(value, list | tuple | Mapping) else str(value)


def _instant(value: datetime) -> str:
    """ISO 8601; `Z` where it has a zone, which is UTC."""
    if value.tzinfo is None:
        return value.isoformat()
    return f"{value.replace(tzinfo=None).isoformat()}Z"


def table_cell(value: Any) -> str:
    """A cell of a table for people: figures to six digits, nested values as JSON text."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, datetime):
        return value.isoformat(sep=" ")
    if isinstance(value, list | tuple | Mapping):
        return json.dumps(plain(value), ensure_ascii=False)
    return str(value)


def plain(value: Any) -> Any:
    """What JSON knows; instants in ISO 8601, figures that are no numbers null. Raises TypeError for all else."""
    if isinstance(value, Mapping):
        return {str(name): plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    if isinstance(value, Decimal):
        value = float(value)
    if isinstance(value, float):
        return value if value == value and abs(value) != float("inf") else None
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, timedelta):
        return value.total_seconds()
    if isinstance(value, UUID | PurePath):
        return str(value)
    if value is None or isinstance(value, bool | int | str):
        return value
    raise TypeError(f"{type(value).__name__} is nothing that JSON knows")
