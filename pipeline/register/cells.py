"""From a register's text cells to values: one small function per kind of cell."""

import math
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from datetime import date
from typing import Any, NamedTuple

from pipeline.config.addresses import is_address
from pipeline.config.suggestions import zone_remedy
from pipeline.errors import Fault
from pipeline.register.csv_file import Row
from pipeline.timezones.zones import is_fixed_offset, is_zone, zone_names

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")
_DECIMAL_COMMA = re.compile(r"[+-]?[0-9]*,[0-9]+")
_ID = re.compile(r"[A-Za-z0-9._-]*[A-Za-z0-9][A-Za-z0-9._-]*")  # at least one letter or digit: never "." or ".."
MAX_ID = 100  # ours: with a fault's kind and a date it names files, of which most systems allow 255 bytes
_ISO_DATE = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
_CURRENCY = re.compile(r"[A-Z]{3}")


class CellError(ValueError):
    """A cell that can't be taken: the problem, and the remedy."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem, self.remedy = problem, remedy
        super().__init__(problem)


Parse = Callable[[str], Any]


class Cell(NamedTuple):
    """How a column's cells are read."""

    parse: Parse
    required: bool = False


class Values(NamedTuple):
    """What could be read of a row: columns that are empty or faulty are left out."""

    line: int
    cells: Mapping[str, str]  # as written
    values: dict[str, Any]
    is_valid: bool


def read_row(row: Row, columns: Mapping[str, Cell], shown: str) -> tuple[Values, list[Fault]]:
    """The row's values by column, and a fault for each cell that can't be taken."""
    values, faults = {}, []
    for column, cell in columns.items():
        text = row.cells.get(column, "")
        if not text:
            if cell.required and column in row.cells:
                faults.append(Fault(shown, row.line, column, "", "empty cell", f"write the {column}"))
            continue
        try:
            values[column] = cell.parse(text)
        except CellError as error:
            remedy = error.remedy if cell.required else f"{error.remedy}, or leave the cell empty"
            faults.append(Fault(shown, row.line, column, text, error.problem, remedy))
    is_complete = all(column in values for column, cell in columns.items() if cell.required)
    return Values(row.line, row.cells, values, not faults and is_complete), faults


def any_text(text: str) -> str:
    """The text as it is."""
    return text


def one_line(text: str) -> str:
    """The text with its line breaks and runs of blanks as single blanks; other control characters are refused."""
    if found := [one for one in text if unicodedata.category(one) == "Cc" and not one.isspace()]:
        raise CellError(f"the control character U+{ord(found[0]):04X}", "remove it")
    return " ".join(text.split())


def identifier(text: str) -> str:
    """Letters, digits, `-`, `_` and `.`, with a letter or a digit among them; MAX_ID characters at most."""
    if not _ID.fullmatch(text):
        raise CellError("not an identifier", "use letters A-Z, digits, - _ and . only")
    if len(text) > MAX_ID:
        raise CellError(f"an identifier of {len(text)} characters", f"use {MAX_ID} characters at most")
    return text


def number(low: float = -math.inf, high: float = math.inf, *, above: float = -math.inf) -> Parse:
    """A parser of finite numbers with a decimal point: low <= number <= high, number > above."""

    def parse(text: str) -> float:
        if _DECIMAL_COMMA.fullmatch(text):
            raise CellError("a decimal comma", f"write {text.replace(',', '.')}")
        if not _NUMBER.fullmatch(text) or not math.isfinite(float(text)):
            raise CellError("not a number", "write digits with a decimal point, without a unit")
        value = float(text)
        if not low <= value <= high or value <= above:
            raise CellError("number out of range", _range_remedy(low, high, above))
        return value + 0.0  # no negative zero

    return parse


def _range_remedy(low: float, high: float, above: float) -> str:
    if above > -math.inf:
        return f"write a number above {above:g}"
    if high < math.inf:
        return f"write a number from {low:g} to {high:g}"
    return f"write {low:g} or more"


def azimuth(text: str) -> float:
    """Degrees clockwise from north, 0 <= azimuth < 360; 360 is north too."""
    try:
        return float(number(0, 360)(text)) % 360
    except CellError as error:
        if error.problem == "number out of range":
            raise CellError(error.problem, "write degrees clockwise from north, 0 to 360: 90 east, 180 south") from None
        raise


def battery_size(text: str) -> float | None:
    """kWh; a battery of 0 kWh is none."""
    return number(0)(text) or None


def phases(text: str) -> int:
    """1 or 3."""
    if text not in ("1", "3"):
        raise CellError("not a number of phases", "write 1 or 3")
    return int(text)


def yes_no(text: str) -> bool:
    """Yes is true, no is false, capitals aside."""
    if text.casefold() not in ("yes", "no"):
        raise CellError("neither yes nor no", "write yes or no")
    return text.casefold() == "yes"


def zone(text: str) -> str:
    """A name of the pinned IANA database, to the letter, or a fixed offset such as +01:00 or UTC+01:00."""
    if is_fixed_offset(offset := text.removeprefix("UTC")):
        return offset
    if not is_zone(text):
        otherwise = "write an IANA name such as Europe/Vienna, or an offset such as +01:00"
        raise CellError("unknown zone", zone_remedy(text, (), zone_names(), otherwise))
    return text


def currency(text: str) -> str:
    """The shape of an ISO 4217 code."""
    if not _CURRENCY.fullmatch(text):
        remedy = f"write {text.upper()}" if _CURRENCY.fullmatch(text.upper()) else "write three capitals, as in EUR"
        raise CellError("not a currency code", remedy)
    return text


def iso_date(text: str) -> date:
    """Year, month and day as 2026-05-31."""
    if not _ISO_DATE.fullmatch(text):
        raise CellError("not an ISO date", "write year-month-day, as in 2026-05-31")
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise CellError("no such day", "write year-month-day, as in 2026-05-31") from None


def address(text: str) -> str:
    """A mail address."""
    if not is_address(text):
        raise CellError("not a mail address", "write one address, as in someone@example.org")
    return text


def read_rows(rows: list[Row], columns: Mapping[str, Cell], shown: str) -> tuple[list[Values], list[Fault]]:
    """read_row over a file."""
    read = [read_row(row, columns, shown) for row in rows]
    return [values for values, _ in read], [fault for _, faults in read for fault in faults]


def repeated(rows: list[Values], column: str) -> Iterator[tuple[Values, int]]:
    """Each row whose cell was there before, with the line where it was first."""
    first: dict[str, int] = {}
    for row in rows:
        text = row.cells.get(column, "")
        if text and first.setdefault(text, row.line) != row.line:
            yield row, first[text]
