"""From the bytes of JSON and NDJSON exports to the same sheet of cells as CSV, a record a row.

A channel that holds JSON numbers alone is a column of floats; every other column is text, of which one rule says what
is a number, whatever the format. Stamps that are numbers stay the text that they were written as.
"""

import codecs
import json
from collections.abc import Iterable
from contextlib import suppress
from operator import itemgetter
from typing import Any

import polars as pl

from pipeline.counted import counted
from pipeline.exports.csv_cells import CELL, CUT, Opened
from pipeline.exports.csv_text import decode
from pipeline.exports.opening import ExportPart
from pipeline.exports.rejects import RAW_MAX
from pipeline.frames import REJECTED
from pipeline.profiles.model import ExportProfile

SITE = "site"  # the sheet's column with what a record, or the document around it, calls the site
Fault = tuple[int, int, str | None, str | None, str, str | None]  # as REJECTED


class _KeyTwiceError(json.JSONDecodeError):
    """An object names a key twice, of which readers keep one value and lose the other."""


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise _KeyTwiceError(f"the key '{twice}' stands twice in one object", "", 0)
    return found


_EXACT = json.JSONDecoder(  # numbers as they are written
    parse_float=str, parse_int=str, parse_constant=str, object_pairs_hook=_unique
)
_QUICK = json.JSONDecoder(parse_constant=str, object_pairs_hook=_unique)
_ABSENT = object()
_NUMBERS = {float, int, type(None)}  # bool is a type of its own here


def read_json(parts: list[ExportPart], profile: ExportProfile, columns: tuple[str, ...]) -> Opened:
    """Text cells of all files that can be read as the profile says; the rest with the reason."""
    opened = Opened()
    names = [CELL + column for column in columns] + ([SITE] if profile.site.from_ == "json path" else [])
    words = {SITE, CELL + (profile.site.column or ""), *(CELL + column for column in profile.timestamp.columns)}
    words |= {CELL + profile.long.channel_column} if profile.long else set()
    decoder = _EXACT if profile.timestamp.is_epoch else _QUICK
    held: dict[str, list[Any]] = {name: [] for name in ("file_no", "line", "raw", *names)}
    faults: list[Fault] = []
    for file_no, part in enumerate(parts):
        found = part.problem or _records(part, file_no, profile, decoder, faults, opened)
        if isinstance(found, str):
            opened.quarantine[file_no] = found
            faults = [fault for fault in faults if fault[0] != file_no]
            continue
        document, lines, raws, records = found
        cells = {CELL + column: _column(records, column) for column in columns}
        if problem := _absent_columns(cells, profile, opened, file_no):
            opened.quarantine[file_no] = problem
            faults = [fault for fault in faults if fault[0] != file_no]
            continue
        if SITE in held:
            outside = _at(document, str(profile.site.path))
            inside = _column(records, str(profile.site.path))
            cells[SITE] = [outside if site is _ABSENT else site for site in inside]
        held["file_no"] += [file_no] * len(records)
        held["line"] += lines
        held["raw"] += raws
        for name, values in cells.items():
            held[name] += [None if value is _ABSENT else value for value in values] if _ABSENT in values else values
    opened.sheets.append(
        pl.DataFrame(
            [
                pl.Series("file_no", held.pop("file_no"), dtype=pl.Int32),
                pl.Series("line", held.pop("line"), dtype=pl.Int64),
                pl.Series("raw", held.pop("raw"), dtype=pl.String),
                *(_series(name, values, is_word=name in words) for name, values in held.items()),
            ]
        )
    )
    opened.rejected.append(pl.DataFrame(faults, REJECTED, orient="row"))
    return opened


def raw_records(part: ExportPart, profile: ExportProfile, places: Iterable[int]) -> dict[int, str]:
    """The records of a JSON document at some places (from 1), as one line of JSON each."""
    text = _decoded(part)[0]
    try:
        document = json.loads(text)
    except ValueError:  # a whole number too long for Python's taste
        document = _EXACT.decode(text.strip())
    records = document if profile.json_.records is None else _at(document, profile.json_.records)
    dumped = {place: json.dumps(records[place - 1], ensure_ascii=False)[:RAW_MAX] for place in places}
    return {place: _whole_characters(text) for place, text in dumped.items()}


def _decoded(part: ExportPart) -> tuple[str, bool] | str:
    utf_16 = part.data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    return decode(part.data, "utf-16" if utf_16 else "utf-8", truncated=part.truncated)


Read = tuple[Any, list[int], list[str | None], list[dict[str, Any]]]  # document, lines, raw texts, records


def _records(
    part: ExportPart,
    file_no: int,
    profile: ExportProfile,
    decoder: json.JSONDecoder,
    faults: list[Fault],
    opened: Opened,
) -> Read | str:
    """The records that are what the profile says, or why the file has none; the others go to `faults`."""
    decoded = _decoded(part)
    if isinstance(decoded, str):
        return decoded
    text = decoded[0]
    if not text.strip():
        return "the file is empty"
    if profile.format == "ndjson":
        if part.truncated:
            opened.notes[file_no].append("the compressed file ends early; the rows before its end were kept")
        document, found = None, _lines(text, file_no, decoder, faults)
    else:
        try:
            document = _decode(text.strip(), decoder)
        except _KeyTwiceError as error:
            return f"{error.msg}, so that one of its values would be lost; have it sent again"
        except json.JSONDecodeError as error:
            early = "; the compressed file ends early" if part.truncated else ""
            return f"broken JSON at line {error.lineno} column {error.colno} ({error.msg}){early}; have it sent again"
        except RecursionError:
            return "broken JSON: nested too deeply"
        path = profile.json_.records
        records = document if path is None else _at(document, path)
        if not isinstance(records, list):
            where = "the top level" if path is None else f"'{path}'"
            what = "is missing" if records is _ABSENT else "is no list"
            return f"records not found: {where} {what}; fix records in the profile's [json]"
        found = [(place, None, record) for place, record in enumerate(records, 1)]
    lines, raws, good = [], [], []
    for line, raw, record in found:
        shaped = _shaped(record, profile)
        if isinstance(shaped, str):
            faults.append((file_no, line, None, None, shaped, raw and raw[:RAW_MAX]))
        else:
            lines.append(line)
            raws.append(raw)
            good.append(shaped)
    return document, lines, raws, good


def _decode(text: str, decoder: json.JSONDecoder) -> Any:
    """The value; raises JSONDecodeError (or RecursionError) where there is none."""
    try:
        value, end = decoder.raw_decode(text)
    except json.JSONDecodeError:
        raise
    except ValueError:  # a whole number too long for Python's taste
        value, end = _EXACT.raw_decode(text)
    if end != len(text):
        raise json.JSONDecodeError("Extra data", text, end)
    return value


def _lines(
    text: str, file_no: int, decoder: json.JSONDecoder, faults: list[Fault]
) -> list[tuple[int, str | None, Any]]:
    """The records of an NDJSON text; a broken line costs itself."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    numbered = [(number, line) for number, line in enumerate(lines, 1) if line.strip()]
    found: list[tuple[int, str | None, Any]] = []
    for number, line in numbered:
        try:
            found.append((number, line, _decode(line.strip(), decoder)))
        except _KeyTwiceError as error:
            faults.append((file_no, number, None, None, error.msg, line[:RAW_MAX]))
        except json.JSONDecodeError as error:
            is_last = number == len(lines)
            reason = CUT if is_last else f"broken JSON at column {error.colno} ({error.msg})"
            faults.append((file_no, number, None, None, reason, line[:RAW_MAX]))
        except RecursionError:
            faults.append((file_no, number, None, None, "broken JSON: nested too deeply", line[:RAW_MAX]))
    return found


def _shaped(record: Any, profile: ExportProfile) -> dict[str, Any] | str:
    """The record by its columns' names, or what is wrong with its shape."""
    if not profile.json_.arrays:
        return record if isinstance(record, dict) else "the record is no object"
    fields = profile.json_.fields
    if not isinstance(record, list):
        return "the record is no list"
    if len(record) != len(fields):
        return f"{counted(len(record), 'value')}, the profile names {counted(len(fields), 'field')}"
    return dict(zip(fields, record, strict=True))


def _at(value: Any, path: str) -> Any:
    """What stands at a dotted path, _ABSENT if nothing does; a key with dots in it comes first."""
    if isinstance(value, dict) and path in value:
        return value[path]
    for key in path.split("."):
        if not isinstance(value, dict) or key not in value:
            return _ABSENT
        value = value[key]
    return value


def _column(records: list[dict[str, Any]], path: str) -> list[Any]:
    """What stands at a path in each record."""
    try:
        return list(map(itemgetter(path), records))
    except KeyError:
        return [_at(record, path) for record in records]


def _absent_columns(cells: dict[str, list[Any]], profile: ExportProfile, opened: Opened, file_no: int) -> str | None:
    """Why a file that has records lacks what no row can do without; columns that only some need become a note."""
    absent = {
        name.removeprefix(CELL) for name, values in cells.items() if values and values.count(_ABSENT) == len(values)
    }
    if not absent:
        return None
    long = profile.long
    needed = {*profile.timestamp.columns, *((long.channel_column, long.value_column) if long else ())}
    channels = set(cells) - {CELL + name for name in (*needed, profile.site.column or "")}
    named = ", ".join(f"'{name}'" for name in sorted(absent))
    if absent & needed or (channels and channels <= {CELL + name for name in absent}):
        return f"no record has {named}; fix the column names in the profile"
    opened.notes[file_no].append(f"no record has {named}")
    return None


def _series(name: str, values: list[Any], *, is_word: bool) -> pl.Series:
    """Cells as numbers if all are and the column may be, else as text; null is missing."""
    if not is_word and _NUMBERS.issuperset(map(type, values)):
        with suppress(OverflowError):  # a whole number beyond the largest float is left to the text's rule
            return pl.Series(name, [None if value is None else float(value) for value in values], dtype=pl.Float64)
    texts = [value if isinstance(value, str) else _text(value) for value in values]
    try:
        return pl.Series(name, texts, dtype=pl.String)
    except UnicodeEncodeError:  # half a surrogate pair, which JSON can write and UTF-8 can't
        return pl.Series(name, [text and _whole_characters(text) for text in texts], dtype=pl.String)


def _text(value: Any) -> str | None:
    if value is None:
        return None
    try:
        return json.dumps(value)[:RAW_MAX]
    except ValueError:  # a whole number too long for Python's taste
        return "a whole number of too many digits"


def _whole_characters(text: str) -> str:
    return text.encode("utf-8", "replace").decode()
