"""Records of a CSV text that has quotes: line by line, so that a quote left open costs its own line only."""

import csv
from collections.abc import Iterator
from typing import NamedTuple

from pipeline.counted import counted

RECORDS_AT_ONCE = 20_000  # ours: lines; a row of text objects takes some ten times its text
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
    """Some rows of a file, and those that can't be told apart into cells."""

    rows: list[Record]
    faults: list[Fault]


def header_cells(line: str, delimiter: str) -> list[str]:
    """The names in a header line, without blanks around them."""
    try:
        cells = next(csv.reader([line], delimiter=delimiter), []) if '"' in line else line.split(delimiter)
    except csv.Error:
        cells = line.split(delimiter)
    return [cell.strip() for cell in cells]


def read_records(body: str, file_no: int, first_line: int, header: list[str], delimiter: str) -> Iterator[Records]:
    """The rows below the header, so many lines at a time; blank lines and repeated headers are no rows."""
    lines = body.split("\n")
    at = 0
    while at < len(lines):
        found = _whole(lines, at, delimiter)
        if found is None:
            found = list(_one_by_one(lines, at, delimiter, len(header)))
        yield _records(found, file_no, first_line, header)
        at, raw, _ = found[-1]
        at += raw.count("\n") + 1


def _records(found: "list[Found]", file_no: int, first_line: int, header: list[str]) -> Records:
    rows: list[Record] = []
    faults: list[Fault] = []
    for at, raw, cells in found:
        if isinstance(cells, str):
            faults.append((file_no, first_line + at, None, None, cells, raw))
        elif not raw.strip() or [cell.strip() for cell in cells] == header:
            continue
        elif len(cells) != len(header):
            count = counted(len(cells), "field")
            faults.append((file_no, first_line + at, None, None, f"{count}, the header has {len(header)}", raw))
        else:
            rows.append(Record(file_no, first_line + at, raw, cells))
    return Records(rows, faults)


Found = tuple[int, str, list[str] | str]  # place of the first line, the text, its cells or what is wrong


def _whole(lines: list[str], at: int, delimiter: str) -> list[Found] | None:
    """The next lines at once, if no record spans lines and no quote is out of place; else None."""
    some = lines[at : at + RECORDS_AT_ONCE]
    try:
        cells = list(csv.reader(some, delimiter=delimiter, strict=True))
    except csv.Error:
        return None
    return list(zip(range(at, at + len(some)), some, cells, strict=True)) if len(cells) == len(some) else None


def _one_by_one(lines: list[str], at: int, delimiter: str, width: int) -> Iterator[Found]:
    """The records that begin in the next lines; the last one may end beyond them."""
    end = min(at + RECORDS_AT_ONCE, len(lines))
    while at < end:
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
