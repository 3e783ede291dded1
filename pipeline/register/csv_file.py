"""The register's CSV files as text cells with the lines they stand on, and every fault of their form."""

import csv
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from pipeline.config.suggestions import nearest_name
from pipeline.counted import counted
from pipeline.errors import Fault


class Row(NamedTuple):
    """A row's cells by column, trimmed; a quoted cell may hold line breaks, `line` is where the row begins."""

    line: int  # 1-based, the header's is 1 unless blank lines stand before it
    cells: dict[str, str]


class Table(NamedTuple):
    """A file's rows, as far as they could be told apart."""

    shown: str  # the file's name
    rows: list[Row]
    faults: list[Fault]
    unread: Sequence[Row] = ()  # rows of another length than the header: their first cells alone may stand in place


def read_table(path: Path, known: Sequence[str], required: Sequence[str]) -> Table:
    """The rows that have as many cells as the header, and the faults of encoding, header and row lengths.

    An error in the header is told once, not at every row: names unknown here that no row has cells for are passed over.
    """
    shown = path.name
    try:
        content = path.read_bytes()
    except OSError as error:
        fault = Fault(shown, None, None, None, f"cannot be read ({error.strerror})", "check that it is there")
        return Table(shown, [], [fault])
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return Table(shown, [], [Fault(shown, 1, None, None, "UTF-16, not UTF-8", "save the file as CSV UTF-8")])
    text, faults = _decode(content, shown)
    lines = list(_records(text, shown, faults))
    if not lines:
        faults.append(Fault(shown, 1, None, None, "no header", f"begin with a line {','.join(known)}"))
        return Table(shown, [], faults)
    header_line, header = lines[0]
    faults += _header_faults(shown, header_line, header, known, required)
    records = [(line, cells) for line, cells in lines[1:] if any(cells) or len(cells) != len(header)]
    columns = _columns(header, known, records)
    rows: list[Row] = []
    misfits: list[Row] = []
    for line, cells in records:
        is_fit = len(cells) == len(columns)
        (rows if is_fit else misfits).append(Row(line, dict(zip(columns, cells, strict=is_fit))))
    lengths = {len(cells) for _, cells in records}
    if len(misfits) > 1 and len(misfits) == len(records) and len(lengths) == 1:
        faults.append(_header_length_fault(shown, header_line, header, lengths.pop()))
    else:
        faults += [_length_fault(shown, line, cells, header) for line, cells in records if len(cells) != len(columns)]
    return Table(shown, rows, faults, misfits)


def _columns(header: list[str], known: Sequence[str], records: list[tuple[int, list[str]]]) -> list[str]:
    """The columns that the rows have cells for: where an unknown name was added to the header alone, the others."""
    expected = [name for name in header if name in known]
    return expected if {len(cells) for _, cells in records} == {len(expected)} else header


def _decode(content: bytes, shown: str) -> tuple[str, list[Fault]]:
    """The text, and a fault for each line that isn't UTF-8."""
    faults = []
    for number, line in enumerate(content.split(b"\n"), start=1):
        try:
            line.decode("utf-8")
        except UnicodeDecodeError as error:
            remedy = "save the file as CSV UTF-8"
            faults.append(Fault(shown, number, None, _cell_around(line, error), "not UTF-8", remedy))
    return content.decode("utf-8-sig", errors="replace").replace("\r\n", "\n").replace("\r", "\n"), faults


def _cell_around(line: bytes, error: UnicodeDecodeError) -> str:
    """The cell that holds the first bytes that can't be read, so that it can be found in an editor."""
    begin = line.rfind(b",", 0, error.start) + 1
    end = line.find(b",", error.start)
    return line[begin : end if end >= 0 else None].decode("utf-8", errors="replace").strip()


def _records(text: str, shown: str, faults: list[Fault]) -> Iterator[tuple[int, list[str]]]:
    """(line, trimmed cells) of each row that isn't blank; a quote that never ends costs its own line only."""
    lines = text.split("\n")
    at = 0  # lines that are done with
    while at < len(lines):
        reader = csv.reader((line + "\n" for line in lines[at:]), strict=True)
        begun = 0
        try:
            for cells in reader:
                line, begun = at + begun + 1, reader.line_num
                if cells:
                    yield line, [cell.strip() for cell in cells]
            return
        except csv.Error as error:
            broken = at + begun
            faults.append(_quote_fault(shown, broken + 1, lines[broken], error))
            at = broken + 1


def _quote_fault(shown: str, line: int, content: str, error: csv.Error) -> Fault:
    if "unexpected end" in str(error) or "larger than field limit" in str(error):
        problem, remedy = "a quote that is never closed", "close it; a quote inside a quoted cell is written twice"
    else:
        problem, remedy = "a quote out of place", "quote the whole cell; a quote inside it is written twice"
    return Fault(shown, line, None, content.strip(), problem, remedy)


def _header_faults(
    shown: str, line: int, header: list[str], known: Sequence[str], required: Sequence[str]
) -> Iterator[Fault]:
    for sign, name in ((";", "semicolons"), ("\t", "tabs")):
        if len(header) == 1 and sign in header[0]:
            yield Fault(shown, line, None, header[0], f"cells set apart by {name}", "save the file with commas")
            return
    renamed = set()
    for n, column in enumerate(header):
        if not column:
            yield Fault(shown, line, f"number {n + 1}", "", "a column without a name", "name it, or remove the column")
        elif column in header[:n]:
            yield Fault(shown, line, column, column, "column named twice", "keep one of the two")
        elif column not in known:
            meant = nearest_name(column, [name for name in known if name not in header])
            renamed.add(meant)
            remedy = f"write {meant}" if meant else f"remove it; known are {', '.join(known)}"
            yield Fault(shown, line, column, column, "unknown column", remedy)
    for column in required:
        if column not in header and column not in renamed:
            yield Fault(shown, line, column, None, "column missing", "add it to the header")


def _header_length_fault(shown: str, line: int, header: list[str], cells: int) -> Fault:
    problem = f"{counted(len(header), 'column')} where every row has {counted(cells, 'cell')}"
    remedy = (
        "remove the column that no row has, or add its commas"
        if cells < len(header)
        else "name the column that the header lacks"
    )
    return Fault(shown, line, None, None, problem, remedy)


def _length_fault(shown: str, line: int, cells: list[str], header: list[str]) -> Fault:
    counts = f"{counted(len(cells), 'cell')} where the header has {len(header)}"
    if len(cells) < len(header):
        return Fault(shown, line, header[len(cells)], None, f"too few cells: {counts}", "add the missing commas")
    remedy = "numbers take a decimal point; quote a text that holds a comma"
    return Fault(shown, line, None, cells[len(header)], f"too many cells: {counts}", remedy)
