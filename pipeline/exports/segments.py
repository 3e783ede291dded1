"""A large CSV export as a run of small ones, so that reading it takes memory for one of them.

Each segment has the header of the whole and the next lines of it. It is cut where no quote is open, and not within
some hours of a change of clocks, where the order of rows tells which pass of the repeated hour each belongs to.
"""

import codecs
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.exports.csv_quotes import header_cells
from pipeline.exports.opening import ExportPart
from pipeline.exports.stamps import parse
from pipeline.exports.streams import UnreadableError
from pipeline.profiles.model import CsvFormat, ExportProfile
from pipeline.timezones.conversion import transitions

SEGMENT_BYTES = 16 * 2**20  # ours: as much as is read at once of small exports; no line may be longer
GROWN = 4  # ours: a segment is at most so many times as long, where it would end amid a change of clocks
AROUND_CHANGE_S = 3 * 3600  # ours: the repeated hour lasts one, rows of several sites may be an hour apart
STEP_BACK = 0.03  # ours: share of a segment by which the cut is moved back at a time


class Segment(NamedTuple):
    """Some lines of an export, as an export."""

    part: ExportPart
    lines_before: int  # added to a line's number here, its number in the whole


class _Layout(NamedTuple):
    newline: bytes
    head: bytes  # what stands before the first row, ends with a newline
    head_lines: int
    zones: tuple[str, ...]  # whose changes of clocks are told by the order of rows
    places: tuple[int, ...]  # of the stamp's columns; () = not known


def segments(part: ExportPart, profile: ExportProfile, zones: Sequence[str]) -> Iterator[Segment]:
    """The export's segments, in their order; `zones` are the export zones of the sites that it may speak of.

    Raises UnreadableError for what can't be cut: a line without an end, no header, bytes that are not of the encoding.
    """
    chunks = _in_utf_8(part, profile)
    held = _filled(bytearray(), chunks, SEGMENT_BYTES)
    layout = _layout(bytes(held), profile, zones)
    del held[: len(layout.head)]
    before, size = 0, SEGMENT_BYTES
    while len(_filled(held, chunks, size + 1)) > size:
        cut = _cut(bytes(held[:size]), layout, profile)
        if cut is None and size < GROWN * SEGMENT_BYTES:
            size += SEGMENT_BYTES
            continue
        cut = cut or held.rfind(layout.newline, 0, size) + 1
        if cut == 0:
            raise UnreadableError(
                f"line {layout.head_lines + before + 1} is longer than {SEGMENT_BYTES // 2**20} MiB; "
                "have the file sent with a line a row"
            )
        body = bytes(held[:cut])
        del held[:cut]
        yield _segment(part, layout, body, before, is_last=False)
        before, size = before + body.count(layout.newline), SEGMENT_BYTES
    yield _segment(part, layout, bytes(held), before, is_last=True)


def _filled(held: bytearray, chunks: Iterator[bytes], size: int) -> bytearray:
    """Takes chunks until so much is held, or nothing is left."""
    while len(held) < size and (chunk := next(chunks, None)) is not None:
        held += chunk
    return held


def _segment(part: ExportPart, layout: _Layout, body: bytes, before: int, *, is_last: bool) -> Segment:
    return Segment(part._replace(data=layout.head + body, stream=None, truncated=part.truncated and is_last), before)


def _in_utf_8(part: ExportPart, profile: ExportProfile) -> Iterator[bytes]:
    """The bytes; of UTF-16 as UTF-8 behind a byte order mark, which is how such bytes are known."""
    chunks = part.chunks()
    first = next(chunks, b"")
    is_utf_16 = first.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    if not is_utf_16 and profile.csv.encoding != "utf-16":
        yield first
        yield from chunks
        return
    decoder = codecs.getincrementaldecoder("utf-16" if is_utf_16 else "utf-16-le")()
    yield codecs.BOM_UTF8
    try:
        yield decoder.decode(first).encode("utf-8")
        for chunk in chunks:
            yield decoder.decode(chunk).encode("utf-8")
    except UnicodeError as error:
        raise UnreadableError(f"not utf-16 ({error}); have it sent again") from error
    try:
        decoder.decode(b"", final=True)
    except UnicodeError:
        yield "\ufffd".encode()  # the last character is cut: so that its row is not taken for a whole one


def _layout(start: bytes, profile: ExportProfile, zones: Sequence[str]) -> _Layout:
    newline = b"\n" if b"\n" in start else b"\r"
    csv, at, line = profile.csv, 0, 1
    while True:
        end = start.find(newline, at)
        if end < 0:
            raise UnreadableError(
                f"no header: no line ends within {SEGMENT_BYTES // 2**20} MiB after line {line - 1}; "
                "see skip_lines in the profile"
            )
        text = start[at:end].removeprefix(codecs.BOM_UTF8).decode("utf-8", "replace")
        if line > csv.skip_lines and text.strip():
            break
        at, line = end + len(newline), line + 1
    header = header_cells(text.strip("\r"), csv.delimiter)
    columns = profile.timestamp.columns
    is_known = all(column in header for column in columns)
    places = tuple(header.index(column) for column in columns) if is_known else ()
    return _Layout(newline, start[: end + len(newline)], line, _zones_by_order(profile, zones), places)


def _zones_by_order(profile: ExportProfile, zones: Sequence[str]) -> tuple[str, ...]:
    timestamp = profile.timestamp
    if timestamp.is_epoch or timestamp.zone == "in value" or timestamp.spring_hour == "standard time":
        return ()
    named = sorted(set(zones)) if timestamp.zone == "export_timezone" else [timestamp.zone]
    return tuple(zone for zone in named if len(transitions(zone).offset_s) > 1)


def _cut(held: bytes, layout: _Layout, profile: ExportProfile) -> int | None:
    """Where the segment may end, behind a line; None = nowhere in its second half."""
    share = 1.0
    while share > 0.5:
        end = held.rfind(layout.newline, 0, int(share * len(held))) + len(layout.newline)
        end = _outside_quotes(held, end, layout.newline)
        if end <= 0:
            return None
        start = held.rfind(layout.newline, 0, end - len(layout.newline)) + len(layout.newline)
        if not layout.zones or not _is_near_change(held[start:end], layout, profile.csv, profile.timestamp.format):
            return end
        share -= STEP_BACK
    return None


def _outside_quotes(held: bytes, end: int, newline: bytes) -> int:
    """The last end of a line up to `end` before which every quote was closed; `end` itself where there is none."""
    at, quotes = end, held.count(b'"', 0, max(end, 0))
    while quotes % 2 and at > 0:
        former = held.rfind(newline, 0, at - len(newline)) + len(newline)
        if former <= 0 or end - former > 2**20:
            return end  # a quote that nobody closed: it costs its own line
        quotes -= held.count(b'"', former, at)
        at = former
    return at


def _is_near_change(line: bytes, layout: _Layout, csv: CsvFormat, form: str) -> bool:
    """Whether the row's stamp lies around a change of clocks; a stamp that can't be read does not."""
    cells = header_cells(line.decode("utf-8", "replace").strip("\r\n"), csv.delimiter)
    if not layout.places or max(layout.places) >= len(cells):
        return False
    stamp = parse(pl.Series([" ".join(cells[place] for place in layout.places)]), form)
    if not stamp.is_stamp[0]:
        return False
    wall_s = int(stamp.wall_us[0]) // 1_000_000
    for zone in layout.zones:
        table = transitions(zone)
        offsets = table.offset_s.astype(np.int64)
        low = table.from_utc_s[1:] + np.minimum(offsets[:-1], offsets[1:]) - AROUND_CHANGE_S
        high = table.from_utc_s[1:] + np.maximum(offsets[:-1], offsets[1:]) + AROUND_CHANGE_S
        if ((low < wall_s) & (wall_s < high)).any():
            return True
    return False
