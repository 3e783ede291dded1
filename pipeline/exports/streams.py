"""The content of a file or of a zip's member, opened a piece at a time and as often as it is asked for.

What is compressed may stand for a thousand times its size, so nothing is opened at once, and nothing beyond a limit.
"""

import hashlib
import stat
import zipfile
import zlib
from collections.abc import Generator, Iterable, Iterator
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import NamedTuple

import zstandard

GZIP_MAGIC, ZSTD_MAGIC, ZIP_MAGIC = b"\x1f\x8b", b"\x28\xb5\x2f\xfd", b"PK\x03\x04"
ZIP_ENDING, GZIP_ENDING, ZSTD_ENDING = ".zip", ".gz", ".zst"
CHUNK = 1 << 20
ZSTD_CHUNK = 1 << 12  # a block of 4 bytes may stand for 128 KiB (RFC 8878), so little is fed at a time
ZSTD_WINDOW_MAX = 1 << 27  # 128 MiB, what the format's own tool accepts by default


class UnreadableError(Exception):
    """Carries the sentence that says why content can't be read."""


class TooLargeError(UnreadableError):
    """The content is larger than was allowed."""


class Stream(NamedTuple):
    """Content that is not held: where it lies, and what it was when it was looked through."""

    path: Path
    member: int | None  # place in the zip's list; None = the file itself
    name: str  # whose ending says how it is compressed
    size: int = 0  # bytes when opened

    def chunks(self) -> Generator[bytes, None, bool]:
        """The content, opened; at its end, whether the compressed stream ended early. Raises UnreadableError."""
        return opened(self._raw(), self.name)

    def whole(self) -> bytes:
        """The content at once. Raises UnreadableError."""
        return collect(self.chunks(), self.size)[0]

    def looked_through(self, max_bytes: int) -> tuple["Stream", str, bool]:
        """With its size; the SHA-256 of the content, hex; whether it ends early. Raises UnreadableError."""
        digest, size, chunks = hashlib.sha256(), 0, self.chunks()
        while True:
            try:
                chunk = next(chunks)
            except StopIteration as end:
                return self._replace(size=size), digest.hexdigest(), bool(end.value)
            digest.update(chunk)
            if (size := size + len(chunk)) > max_bytes:
                raise too_large(max_bytes)

    def _raw(self) -> Iterator[bytes]:
        if self.member is None:
            with self.path.open("rb") as file:
                yield from iter(lambda: file.read(CHUNK), b"")
            return
        state = self.path.stat()
        archive = _archive(self.path, state.st_mtime_ns, state.st_size)
        yield from member_chunks(archive, archive.infolist()[self.member])


@lru_cache(maxsize=1)
def _archive(path: Path, _mtime_ns: int, _size: int) -> zipfile.ZipFile:
    """A zip that stays open until another is asked for: its list may be long, and its members come one by one."""
    return zipfile.ZipFile(path)


def too_large(max_bytes: int) -> TooLargeError:
    """The error of content beyond the limit."""
    return TooLargeError(
        f"larger than {max_bytes / 2**20:.6g} MiB when opened; raise max_export_mib in noonmark.toml if it is genuine"
    )


def collect(chunks: Generator[bytes, None, bool], max_bytes: int) -> tuple[bytes, bool]:
    """All of the content, and whether it ends early. Raises TooLargeError."""
    pieces: list[bytes] = []
    held = 0
    while True:
        try:
            piece = next(chunks)
        except StopIteration as end:
            return b"".join(pieces), bool(end.value)
        pieces.append(piece)
        if (held := held + len(piece)) > max_bytes:
            raise too_large(max_bytes)


def opened(raw: Iterable[bytes], name: str) -> Generator[bytes, None, bool]:
    """The decompressed content of some bytes; plain ones as they are. At its end, whether it ends early."""
    waiting = iter(raw)
    first = next(waiting, b"")
    while len(first) < len(ZSTD_MAGIC) and (more := next(waiting, b"")):
        first += more
    ending = PurePosixPath(name.lower()).suffix
    if first.startswith(GZIP_MAGIC):
        chunks = _gunzipped(first, waiting)
    elif first.startswith(ZSTD_MAGIC):
        chunks = _unzstd(first, waiting)
    elif ending in (GZIP_ENDING, ZSTD_ENDING):
        kind = "gzip" if ending == GZIP_ENDING else "zstd"
        raise UnreadableError(f"named {ending} but holds no {kind} data; rename it or have it sent again")
    else:
        yield first
        yield from waiting
        return False
    is_empty, truncated = True, False
    while True:
        try:
            chunk = next(chunks)
        except StopIteration as end:
            truncated = bool(end.value)
            break
        is_empty = is_empty and not chunk
        yield chunk
    if truncated and is_empty:
        raise UnreadableError("the compressed file ends before its first byte of content; have it sent again")
    return truncated


def _gunzipped(rest: bytes, waiting: Iterator[bytes]) -> Generator[bytes, None, bool]:
    while True:  # a gzip file may be several streams end to end; padding after them is let be
        while len(rest) < len(GZIP_MAGIC) and (more := next(waiting, b"")):
            rest += more
        if not rest.startswith(GZIP_MAGIC):
            return False
        stream = zlib.decompressobj(wbits=31)
        while not stream.eof:
            rest = rest or next(waiting, b"")
            if not rest:
                yield stream.flush()
                return True
            try:
                yield stream.decompress(rest, CHUNK)
            except zlib.error as error:
                raise UnreadableError(f"damaged gzip data ({error}); have it sent again") from error
            rest = stream.unconsumed_tail
        rest = stream.unused_data


def _unzstd(first: bytes, waiting: Iterator[bytes]) -> Generator[bytes, None, bool]:
    opener = zstandard.ZstdDecompressor(max_window_size=ZSTD_WINDOW_MAX)
    stream, data = None, first
    while data:
        at = 0
        while at < len(data):
            if stream is None:
                stream = opener.decompressobj()
            chunk = data[at : at + ZSTD_CHUNK]
            at += len(chunk)
            try:
                yield stream.decompress(chunk)
            except zstandard.ZstdError as error:
                raise UnreadableError(f"damaged zstd data ({error}); have it sent again") from error
            if stream.eof:  # several frames may stand end to end
                at -= len(stream.unused_data)
                stream = None
        data = next(waiting, b"")
    return stream is not None


def member_chunks(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> Iterator[bytes]:
    """The bytes of a zip's member. Raises UnreadableError."""
    if info.flag_bits & 0x1:
        raise UnreadableError("encrypted inside its zip; send it without a password")
    if stat.S_ISLNK(info.external_attr >> 16):
        raise UnreadableError("a link inside a zip, which is not followed; put the file itself into the zip")
    try:
        with archive.open(info) as member:
            first = member.read(CHUNK)
            if first.startswith(ZIP_MAGIC) or info.filename.lower().endswith(ZIP_ENDING):
                raise UnreadableError("a zip inside a zip; unpack it first")
            if not first:
                raise UnreadableError("the file is empty")
            yield first
            yield from iter(lambda: member.read(CHUNK), b"")
    except (UnreadableError, GeneratorExit):
        raise
    except Exception as error:  # zipfile lets through the errors of zlib, bz2, lzma and its own
        raise UnreadableError(f"damaged inside its zip ({error}); have it sent again") from error
