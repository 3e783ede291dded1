"""From a file in the inbox to the bytes of its exports: opened, decompressed, bounded, never trusted.

A zip holds several exports, any other file is one. Nothing is written anywhere, and no name inside a zip is used as a
path. What can't be opened comes back as a part with a `problem`, one sentence that says why. What is large is looked
through but not held: it comes back as a stream, which is read a piece at a time (`segments`).
"""

import hashlib
import stat
import zipfile
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path, PurePosixPath
from typing import NamedTuple

from pipeline.exports.streams import (
    ZIP_ENDING,
    ZIP_MAGIC,
    Stream,
    TooLargeError,
    UnreadableError,
    collect,
    member_chunks,
    opened,
    too_large,
)

MEMBERS_MAX = 10_000  # ours: a fleet's day in one zip, ten times over
HELD_BYTES = 16 * 2**20  # ours: opened, of one file; reading takes some 25 times as much memory


class ExportPart(NamedTuple):
    """One export as bytes."""

    name: str  # the file's name; for a member of a zip its base name
    member: str | None  # the member's name in the zip as written there
    folder: str  # relative folder below the inbox, "" at the top
    data: bytes  # decompressed; empty where it is a stream
    sha256: str  # hex; of the decompressed member for zips, of the file's bytes for all else
    truncated: bool  # the compressed stream ends early; `data` is what it held
    problem: str | None  # why it can't be read
    file_sha256: str = ""  # hex; of the whole file's bytes as they were read
    stream: Stream | None = None  # what is not held

    @property
    def size(self) -> int:
        """Bytes when opened."""
        return self.stream.size if self.stream is not None else len(self.data)

    def loaded(self) -> "ExportPart":
        """The same with its bytes at hand. Raises UnreadableError."""
        return self if self.stream is None else self._replace(data=self.stream.whole(), stream=None)

    def chunks(self) -> Iterator[bytes]:
        """Its bytes, a piece at a time. Raises UnreadableError."""
        return self.stream.chunks() if self.stream is not None else iter([self.data])


def read_export(path: Path, folder: str, *, max_bytes: int, held_bytes: int = HELD_BYTES) -> list[ExportPart]:
    """The exports that a file holds, in the zip's order; one part with a `problem` where it can't be opened.

    `max_bytes` bounds the decompressed size of the file, all members together; what goes beyond `held_bytes` comes as
    a stream. Never raises on bad content.
    """

    def failed(problem: str, digest: str) -> list[ExportPart]:
        return [ExportPart(path.name, None, folder, b"", digest, False, problem)]

    digest = ""
    try:
        status = path.lstat()
        if not stat.S_ISREG(status.st_mode):
            return failed("a link or a special file, which is not followed; put the file itself into the inbox", "")
        with path.open("rb") as file:
            data = file.read(held_bytes + 1)
            digest = hashlib.sha256(data).hexdigest()
            if is_large := len(data) > held_bytes:
                file.seek(0)
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        if not data:
            return failed("the file is empty", digest)
        if status.st_size > max_bytes:
            raise too_large(max_bytes)
        if path.name.lower().endswith(ZIP_ENDING) or data.startswith(ZIP_MAGIC):
            members = _members(path if is_large else BytesIO(data), path, folder, max_bytes, held_bytes)
            return [one._replace(file_sha256=digest) for one in members] or failed("the zip holds no file", digest)
        stream = None
        if not is_large:
            content, stream, _, truncated = _held([data], Stream(path, None, path.name), max_bytes, held_bytes)
        else:
            content = b""
            stream, _, truncated = Stream(path, None, path.name).looked_through(max_bytes)
    except OSError as error:
        return failed(f"can't be opened: {error.strerror or error}; set its owner and mode", "")
    except UnreadableError as error:
        return failed(str(error), digest)
    return [ExportPart(path.name, None, folder, content, digest, truncated, None, digest, stream)]


def _held(
    raw: list[bytes] | Iterator[bytes], stream: Stream, max_bytes: int, held_bytes: int
) -> tuple[bytes, Stream | None, str | None, bool]:
    """The content, or the stream of what is too large to be held with the content's SHA-256; whether it ends early."""
    try:
        content, truncated = collect(opened(raw, stream.name), min(max_bytes, held_bytes))
    except TooLargeError:
        if max_bytes <= held_bytes:
            raise
        stream, digest, truncated = stream.looked_through(max_bytes)
        return b"", stream, digest, truncated
    return content, None, None, truncated


def _members(source: Path | BytesIO, path: Path, folder: str, max_bytes: int, held_bytes: int) -> list[ExportPart]:
    name = path.name
    try:
        archive = zipfile.ZipFile(source)
        members = [
            (place, info)
            for place, info in enumerate(archive.infolist())
            if not info.is_dir() and not info.filename.startswith("__MACOSX/")
        ]
    except Exception as error:  # besides its own errors, zipfile lets IndexError, struct.error and others through
        raise UnreadableError(f"damaged zip ({error}); have it sent again") from error
    if len(members) > MEMBERS_MAX:
        raise UnreadableError(f"the zip holds {len(members)} files, more than {MEMBERS_MAX}; send it in parts")
    parts = []
    left, held_left = max_bytes, held_bytes
    with archive:
        for place, info in members:
            base = PurePosixPath(info.filename.replace("\\", "/")).name or name
            content, stream, problem, truncated = b"", None, None, False
            try:
                raw = member_chunks(archive, info)
                content, stream, digest, truncated = _held(raw, Stream(path, place, base), left, held_left)
                left -= max(len(content) if stream is None else stream.size, info.file_size)
                held_left -= len(content)
            except UnreadableError as error:
                problem = str(error) if not isinstance(error, TooLargeError) else str(too_large(max_bytes))
            if problem is not None:
                digest = hashlib.sha256(f"{name}\0{info.filename}\0{info.CRC}".encode("utf-8", "replace")).hexdigest()
            digest = digest or hashlib.sha256(content).hexdigest()
            parts.append(ExportPart(base, info.filename, folder, content, digest, truncated, problem, stream=stream))
    return parts
