"""From the bytes of a CSV export to its header line and the text below it, and that text in pieces of bounded size."""

import codecs
from collections.abc import Iterable, Iterator
from typing import NamedTuple

from pipeline.exports.opening import ExportPart
from pipeline.profiles.model import CsvFormat

SPOILT = "\ufffd"  # Unicode's replacement character
PIECE_CHARS = 4 * 2**20  # ours: split into cells at once, which takes some twenty times as many bytes


class Text(NamedTuple):
    file_no: int
    first_line: int  # physical number of the body's first line
    body: str  # everything after the header line, lines parted by \n
    is_open: bool  # no newline ends the last line
    is_cut: bool  # the bytes are known to end early
    is_spoilt: bool  # holds SPOILT where bytes can't be decoded


def decode(data: bytes, encoding: str, *, truncated: bool) -> tuple[str, bool] | str:
    """The text without a byte order mark, and whether its last character is cut; or why it is not of this encoding."""
    known = {"utf-8": "utf-8-sig", "utf-16": "utf-16"}.get(encoding, encoding)
    if data.startswith(codecs.BOM_UTF8):
        known = "utf-8-sig"  # no other encoding's text starts so
    elif known == "utf-16" and not data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        known = "utf-16-le"
    try:
        return data.decode(known), False
    except UnicodeDecodeError as error:
        if error.reason in ("unexpected end of data", "truncated data") and (error.start > 0 or truncated):
            return data[: error.start].decode(known) + "\ufffd", True  # so that the cut character's row is not lost
        shown = data[error.start : error.start + 1].hex()
        return (
            f"not {encoding}: byte 0x{shown} at offset {error.start} can't be read; "
            f"set encoding in the profile to the one the file is written in"
        )


def open_text(part: ExportPart, file_no: int, csv: CsvFormat) -> tuple[str, Text] | str:
    """The header line and the text after it, or why there is none."""
    decoded = decode(part.data, csv.encoding, truncated=part.truncated)
    is_spoilt, problem = isinstance(decoded, str), ""
    if isinstance(decoded, str):
        by_line = _decode_by_line(part.data, csv.encoding)
        if by_line is None:
            return decoded
        problem, decoded = decoded, (by_line, False)
    text, is_cut = decoded
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    if "\n\ufeff" in text:
        text = text.replace("\n\ufeff", "\n")  # exports that were joined keep a byte order mark each
    if not text.strip():
        return "the file is empty"
    at, line = 0, 1
    while line <= csv.skip_lines or not text[at : _line_end(text, at)].strip():
        at, line = _line_end(text, at) + 1, line + 1
        if at >= len(text):
            return (
                f"no header: the file ends before line {max(line, csv.skip_lines + 1)}; see skip_lines in the profile"
            )
    end = _line_end(text, at)
    if is_spoilt and SPOILT in text[at:end]:
        return problem
    is_open = not text.endswith("\n")
    body = text[end + 1 :] if is_open else text[end + 1 : -1]
    return text[at:end], Text(file_no, line + 1, body, is_open, is_open and (is_cut or part.truncated), is_spoilt)


def _decode_by_line(data: bytes, encoding: str) -> str | None:
    """The text with SPOILT for each byte that can't be decoded; None of UTF-16, whose lines a lost byte shifts."""
    if encoding == "utf-16" or data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return None
    known = "utf-8-sig" if encoding == "utf-8" or data.startswith(codecs.BOM_UTF8) else encoding
    return data.decode(known, errors="replace")


def _line_end(text: str, at: int) -> int:
    end = text.find("\n", at)
    return len(text) if end < 0 else end


def portions(texts: Iterable[Text]) -> Iterator[list[Text]]:
    """The texts side by side, so many characters at a time; a large one is cut between its lines."""
    portion: list[Text] = []
    size = 0
    for text in texts:
        for piece in _pieces(text):
            if portion and size + len(piece.body) > PIECE_CHARS:
                yield portion
                portion, size = [], 0
            portion.append(piece)
            size += len(piece.body)
    if portion:
        yield portion


def _pieces(text: Text) -> Iterator[Text]:
    """The last one ends as the text does."""
    at, line = 0, text.first_line
    while len(text.body) - at > PIECE_CHARS and (end := text.body.find("\n", at + PIECE_CHARS)) >= 0:
        body = text.body[at:end]
        yield text._replace(first_line=line, body=body, is_open=False, is_cut=False)
        line, at = line + body.count("\n") + 1, end + 1
    yield text if at == 0 else text._replace(first_line=line, body=text.body[at:])
