"""From the bytes of CSV exports to text cells with their line numbers, a whole batch of files at once.

No CSV reader is asked: typed readers pad short rows, let an open quote swallow what follows, and drop a row for a
cell. Files are decoded one by one, grouped by their header line, and split into lines and cells together in Polars.
Files with quotes take a slower way, line by line (`csv_quotes`). Text is split a bounded portion at a time, and cells
are made as small as they can be before the next: memory follows the numbers of a large file, not its text.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import polars as pl

from pipeline.exports.csv_quotes import Records, header_cells, read_records
from pipeline.exports.csv_text import SPOILT, Text, open_text, portions
from pipeline.exports.opening import ExportPart
from pipeline.exports.rejects import capped
from pipeline.frames import REJECTED
from pipeline.profiles.model import CsvFormat, ExportProfile

CELL = "c:"  # prefix of the columns that hold an export's cells, so that no export's name can clash with ours
CUT = "the file ends inside this row"
SHOWN_CELLS = 6  # of a header that lacks a column
Compact = Callable[[pl.DataFrame], pl.DataFrame]  # a sheet whose cells take less memory and say the same


@dataclass
class Opened:
    """What a batch of files holds, and what is to be said of each."""

    sheets: list[pl.DataFrame] = field(
        default_factory=list
    )  # file_no, line, raw (null: JSON), a column of text per cell (JSON: or floats)
    rejected: list[pl.DataFrame] = field(default_factory=list)  # REJECTED
    quarantine: dict[int, str] = field(default_factory=dict)
    notes: defaultdict[int, list[str]] = field(default_factory=lambda: defaultdict(list))


def read_cells(
    parts: list[ExportPart], profile: ExportProfile, columns: tuple[str, ...], compact: Compact = lambda sheet: sheet
) -> Opened:
    """Cells of all files that can be read as the profile says, as `compact` leaves them; the rest with the reason."""
    opened = Opened()
    by_header: defaultdict[str, list[Text]] = defaultdict(list)
    for file_no, part in enumerate(parts):
        if part.problem is not None:
            opened.quarantine[file_no] = part.problem
            continue
        found = open_text(part, file_no, profile.csv)
        if isinstance(found, str):
            opened.quarantine[file_no] = found
            continue
        if part.truncated:
            opened.notes[file_no].append("the compressed file ends early; the rows before its end were kept")
        by_header[found[0]].append(found[1])
    for header_line, texts in by_header.items():
        header = header_cells(header_line, profile.csv.delimiter)
        if isinstance(problem := _places(header, columns, profile.csv), str):
            opened.quarantine |= {text.file_no: problem for text in texts}
            continue
        _read_group(texts, header_line, header, problem, profile.csv, opened, compact)
        texts.clear()
    return opened


def _without_spoilt_rows(sheet: pl.DataFrame, files: list[int], csv: CsvFormat, opened: Opened) -> pl.DataFrame:
    """The sheet without the rows of these files in which a byte can't be decoded; each costs its line alone."""
    is_spoilt = pl.col("file_no").is_in(files) & pl.col("raw").str.contains(SPOILT, literal=True)
    bad = sheet.filter(is_spoilt)
    if bad.is_empty():
        return sheet
    reason = f"a byte is not {csv.encoding}; set encoding in the profile to the one the file is written in"
    faults = bad.select(
        "file_no",
        "line",
        pl.lit(None, pl.String).alias("column_name"),
        pl.lit(None, pl.String).alias("value"),
        pl.lit(reason).alias("reason"),
        capped(pl.col("raw")),
    )
    opened.rejected.append(faults)
    return sheet.filter(~is_spoilt)


def _places(header: list[str], columns: tuple[str, ...], csv: CsvFormat) -> dict[str, int] | str:
    """Where each mapped column stands, or what is wrong with the header."""
    if missing := [column for column in columns if column not in header]:
        named = ", ".join(f"'{column}'" for column in missing)
        start = ", ".join(f"'{cell[:40]}'" for cell in header[:SHOWN_CELLS])
        one = "column" if len(missing) == 1 else "columns"
        return (
            f"{one} {named} not in the header, which starts {start} (delimiter '{csv.delimiter}'); "
            f"fix the column names, delimiter, encoding or skip_lines in the profile"
        )
    if twice := [column for column in columns if header.count(column) > 1]:
        return f"column '{twice[0]}' stands {header.count(twice[0])} times in the header; the export must name it once"
    return {column: header.index(column) for column in columns}


def _read_group(
    texts: list[Text],
    header_line: str,
    header: list[str],
    places: dict[str, int],
    csv: CsvFormat,
    opened: Opened,
    compact: Compact,
) -> None:
    """Split the files of one header and add what they hold to `opened`."""
    quoted = [text for text in texts if '"' in text.body]
    hard = _with_hard_quotes(quoted, header, csv) if quoted and len(header) > 1 else {text.file_no for text in quoted}
    groups: defaultdict[str, list[Text]] = defaultdict(list)
    for text in texts:
        kind = "wrapped" if '"' in text.body else "plain"
        groups["one by one" if text.file_no in hard or len(header) == 1 else kind].append(text)
    for kind, group in groups.items():
        sheets = []
        if kind == "one by one":
            for text in group:
                read = read_records(text.body, text.file_no, text.first_line, header, csv.delimiter)
                for records in read:
                    sheet = _from_records(records, places, opened)
                    if text.is_spoilt:
                        sheet = _without_spoilt_rows(sheet, [text.file_no], csv, opened)
                    sheets.append(compact(sheet))
        else:
            for some in portions(group):
                sheet = _split(some, header_line, len(header), places, csv, opened, is_wrapped=kind == "wrapped")
                if spoilt := [text.file_no for text in some if text.is_spoilt]:
                    sheet = _without_spoilt_rows(sheet, spoilt, csv, opened)
                if not any(text.is_open for text in group):
                    sheet = sheet.drop("last")  # asked for below, of a file whose last row may be cut
                sheets.append(compact(sheet.with_columns(raw=pl.lit(None, pl.String))))
        sheet = pl.concat(sheets, how="diagonal") if len(sheets) > 1 else sheets[0]
        del sheets
        if is_open := [text for text in group if text.is_open]:
            sheet = _without_cut_rows(sheet, is_open, opened)
        opened.sheets.append(sheet.drop("last", strict=False))


def raw_lines(part: ExportPart, csv: CsvFormat, wanted: pl.Series) -> dict[int, str]:
    """Line number -> text of some lines of a file that was read: they are not kept, as few are asked for."""
    found = open_text(part, 0, csv)
    assert not isinstance(found, str)  # it was read before
    texts: dict[int, str] = {}
    for some in portions([found[1]]):
        lines = _lines(some).filter(pl.col("line").is_in(wanted.implode()))
        texts |= dict(lines.select("line", capped(pl.col("raw"))).iter_rows())
    return texts


def _lines(texts: list[Text]) -> pl.DataFrame:
    """[file_no, line, raw]: every physical line below the headers."""
    bodies = pl.Series([text.body for text in texts], dtype=pl.String).str.split("\n")
    counts = bodies.list.len().to_numpy().astype(np.int64)
    starts = np.cumsum(counts) - counts
    first = np.array([text.first_line for text in texts], np.int64)
    line = np.arange(counts.sum(), dtype=np.int64) + np.repeat(first - starts, counts)
    file_no = np.repeat(np.array([text.file_no for text in texts], np.int32), counts)
    return pl.DataFrame({"file_no": file_no, "line": line, "raw": bodies.explode(empty_as_null=False)})


def _with_hard_quotes(texts: list[Text], header: list[str], csv: CsvFormat) -> set[int]:
    """The files whose quotes do more than stand around whole cells without quotes or delimiters in them.

    In a line of the header's width whose quotes are twice its wrapped cells, every quote is a wrapper.
    """
    return set().union(*(_hard_among(some, header, csv) for some in portions(texts)))


def _hard_among(texts: list[Text], header: list[str], csv: CsvFormat) -> set[int]:
    lines = _lines(texts).filter(pl.col("raw").str.contains('"', literal=True))
    cells = lines["raw"].str.split_exact(csv.delimiter, len(header) - 1).struct.unnest()
    wrapped = cells.select(
        pl.sum_horizontal(
            pl.col(name).str.starts_with('"') & pl.col(name).str.ends_with('"') & (pl.col(name).str.len_bytes() > 1)
            for name in cells.columns
        )
    ).to_series()
    quotes = lines["raw"].str.count_matches('"', literal=True)
    width = lines["raw"].str.count_matches(csv.delimiter, literal=True) + 1
    return set(lines["file_no"].filter((quotes != 2 * wrapped) | (width != len(header))))


def _split(
    texts: list[Text],
    header_line: str,
    width: int,
    places: dict[str, int],
    csv: CsvFormat,
    opened: Opened,
    *,
    is_wrapped: bool,
) -> pl.DataFrame:
    """[file_no, line, raw, last, cells...] of lines whose cells no delimiter stands in. See `raw_lines` for null raws.

    Rows of another width go to `opened.rejected`. `is_wrapped`: cells may stand in quotes.
    """
    sheet = _lines(texts)
    lines = sheet["raw"]
    found = lines.str.count_matches(csv.delimiter, literal=True).to_numpy() + 1
    fits = found == width
    is_row = fits & (lines != header_line).to_numpy()
    if not fits.all():
        odd = sheet.with_columns(found=pl.Series(found, dtype=pl.Int64)).filter(pl.Series(~fits))
        opened.rejected.append(_of_other_width(odd.filter(pl.col("raw").str.strip_chars() != ""), width, texts))
    if not is_row.all():
        sheet = sheet.filter(pl.Series(is_row))
    cells = sheet["raw"].str.split_exact(csv.delimiter, width - 1).struct
    names = cells.fields
    wanted = {"last": width - 1} | {CELL + column: place for column, place in places.items()}
    found_cells = [cells.field(names[place]).alias(name) for name, place in wanted.items()]
    return (
        sheet.with_columns(cell.str.strip_chars('"') for cell in found_cells)
        if is_wrapped
        else sheet.with_columns(found_cells)
    )


def _last_lines(texts: list[Text]) -> dict[int, int]:
    """The physical number of each file's last line."""
    return {text.file_no: text.first_line + text.body.count("\n") for text in texts}


def _of_other_width(odd: pl.DataFrame, width: int, texts: list[Text]) -> pl.DataFrame:
    open_ends = _last_lines([text for text in texts if text.is_open])
    at_end = pl.col("line") == pl.col("file_no").replace_strict(open_ends, default=0, return_dtype=pl.Int64)
    one = pl.when(pl.col("found") == 1).then(pl.lit(" field")).otherwise(pl.lit(" fields"))
    return odd.select(
        "file_no",
        "line",
        pl.lit(None, pl.String).alias("column_name"),
        pl.lit(None, pl.String).alias("value"),
        pl.when(at_end & (pl.col("found") < width))
        .then(pl.lit(CUT))
        .otherwise(pl.col("found").cast(pl.String) + one + f", the header has {width}")
        .alias("reason"),
        capped(pl.col("raw")),
    )


def _from_records(read: Records, places: dict[str, int], opened: Opened) -> pl.DataFrame:
    """The same frame from a file that was read line by line."""
    rows = read.rows
    opened.rejected.append(pl.DataFrame(read.faults, REJECTED, orient="row").with_columns(capped(pl.col("raw"))))
    cells = [row.cells for row in rows]
    return pl.DataFrame(
        {
            "file_no": pl.Series([row.file_no for row in rows], dtype=pl.Int32),
            "line": pl.Series([row.line for row in rows], dtype=pl.Int64),
            "raw": pl.Series([row.raw for row in rows], dtype=pl.String),
            "last": pl.Series([row[-1] for row in cells], dtype=pl.String),
            **{CELL + name: pl.Series([row[at] for row in cells], dtype=pl.String) for name, at in places.items()},
        }
    )


def _without_cut_rows(sheet: pl.DataFrame, texts: list[Text], opened: Opened) -> pl.DataFrame:
    """The sheet without last rows that may be cut: no newline ends them and their last cell looks like no other's.

    Two cells look alike if they differ in the digits of their whole part only: `12.34` and `-5.01` do, `12.3` doesn't;
    a whole number must have no fewer digits than the shortest other one. A file's only row has none to be compared
    with, and is kept.
    """
    last_lines = _last_lines(texts)
    certain = [text.file_no for text in texts if text.is_cut]
    shape = pl.col("last").str.replace(r"^[+-]?[0-9]+", "#").str.replace_all(r"[0-9]", "9")
    rows = sheet.select("file_no", "line", shape=shape, length=pl.col("last").str.len_chars()).with_row_index("row")
    rows = rows.filter(pl.col("file_no").is_in(list(last_lines)))
    at_end = pl.col("line") == pl.col("file_no").replace_strict(last_lines, return_dtype=pl.Int64)
    others = rows.filter(~at_end)
    ends = rows.filter(at_end)
    shortest = others.group_by("file_no", "shape").agg(pl.col("length").min().alias("shortest"))
    fits = (pl.col("shape") != "#") | (pl.col("length") >= pl.col("shortest"))
    alike = ends.join(shortest, on=["file_no", "shape"]).filter(fits)["row"]
    alone = ends.join(others, on="file_no", how="anti")["row"]
    is_cut = pl.col("file_no").is_in(certain) | ~pl.col("row").is_in(pl.concat([alike, alone]).implode())
    cut = ends.filter(is_cut)["row"]
    if len(cut) == 0:
        return sheet
    opened.rejected.append(
        sheet[cut].select(
            "file_no",
            "line",
            pl.lit(None, pl.String).alias("column_name"),
            capped(pl.col("last")).alias("value"),
            pl.lit(CUT).alias("reason"),
            capped(pl.col("raw")),
        )
    )
    keep = np.ones(len(sheet), bool)
    keep[cut.to_numpy()] = False
    return sheet.filter(pl.Series(keep))
