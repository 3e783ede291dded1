"""Records of a CSV text that has quotes: line by line, so that a quote left open costs its own line only."""

import csv
from collections.abc import Iterator
from typing import NamedTuple

RECORD_LINES_MAX = 20  # ours: a cell that spans more lines is a quote left open
OPEN_QUOTE = "a quote is opened and not closed"


class Record(NamedTuple):
    """The cells of one row, and the text that it stood in."""

    file_no: int
    line: int  # physical line where it starts
    raw: str
    cells: list[str]


Fault = tuple[int, int, str | None, str | None, str, str]  # as rejects.REJECTED


class Records(NamedTuple):
    """The rows of a file, and those that can't be told apart into cells."""

    rows: list[Record]
    faults: list[Fault]


def header_cells(line: str, delimiter: str) -> list[str]:
    """The names in a header line, without blanks around them."""
    try:
        cells = next(csv.reader([line], delimiter=delimiter), []) if '"' in line else line.split(delimiter)
    except csv.Error:
        cells = line.split(delimiter)
    return [cell.strip() for cell in cells]


def read_records(body: str, file_no: int, first_line: int, header: list[str], delimiter: str) -> Records:
    """The rows below the header; blank lines and repeated headers are no rows."""
    rows: list[Record] = []
    faults: list[Fault] = []
    lines = body.split("\n")
    for at, raw, cells in _whole(lines, delimiter) or _one_by_one(lines, delimiter, len(header)):
        if isinstance(cells, str):
            faults.append((file_no, first_line + at, None, None, cells, raw))
        elif not raw.strip() or [cell.strip() for cell in cells] == header:
            continue
        elif len(cells) != len(header):
            count = f"{len(cells)} field{'' if len(cells) == 1 else 's'}"
            faults.append((file_no, first_line + at, None, None, f"{count}, the header has {len(header)}", raw))
        else:
            rows.append(Record(file_no, first_line + at, raw, cells))
    return Records(rows, faults)


Found = tuple[int, str, list[str] | str]  # place of the first line, the text, its cells or what is wrong


def _whole(lines: list[str], delimiter: str) -> list[Found] | None:
    """All lines at once, if no record spans lines and no quote is out of place; else None."""
    try:
        cells = list(csv.reader(lines, delimiter=delimiter, strict=True))
    except csv.Error:
        return None
    return list(zip(range(len(lines)), lines, cells, strict=True)) if len(cells) == len(lines) else None


def _one_by_one(lines: list[str], delimiter: str, width: int) -> Iterator[Found]:
    at = 0
    while at < len(lines):
        cells = _cells(lines[at], delimiter)
        taken = 1
        if cells == OPEN_QUOTE:
            for more in range(2, min(RECORD_LINES_MAX, len(lines) - at) + 1):
                joined = _cells("\n".join(lines[at : at + more]), delimiter)
                if joined != OPEN_QUOTE:
                    if not isinstance(joined, str) and len(joined) == width:
                        cells, taken = joined, more
                    break
        yield at, "\n".join(lines[at : at + taken]), cells
        at += taken


def _cells(text: str, delimiter: str) -> list[str] | str:
    """The cells of one record, or what is wrong with its quotes."""
    try:
        return next(csv.reader([text], delimiter=delimiter, strict=True), [])
    except csv.Error as error:
        return OPEN_QUOTE if "unexpected end of data" in str(error) else f"can't be split into cells ({error})"
