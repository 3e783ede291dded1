"""From a file in the inbox to the bytes of its exports: opened, decompressed, bounded, never trusted.

A zip holds several exports, any other file is one. Nothing is written anywhere, and no name inside a zip is used as a
path. What can't be opened comes back as a part with a `problem`, one sentence that says why.
"""

import hashlib
import stat
import zipfile
import zlib
from io import BytesIO
from pathlib import Path, PurePosixPath
from typing import NamedTuple

import zstandard

GZIP_MAGIC, ZSTD_MAGIC, ZIP_MAGIC = b"\x1f\x8b", b"\x28\xb5\x2f\xfd", b"PK\x03\x04"
ZIP_ENDING, GZIP_ENDING, ZSTD_ENDING = ".zip", ".gz", ".zst"
CHUNK = 1 << 20
ZSTD_CHUNK = 1 << 12  # a block of 4 bytes may stand for 128 KiB (RFC 8878), so little is fed at a time
ZSTD_WINDOW_MAX = 1 << 27  # 128 MiB, what the format's own tool accepts by default
MEMBERS_MAX = 10_000  # ours: a fleet's day in one zip, ten times over


class ExportPart(NamedTuple):
    """One export as bytes."""

    name: str  # the file's name; for a member of a zip its base name
    member: str | None  # the member's name in the zip as written there
    folder: str  # relative folder below the inbox, "" at the top
    data: bytes  # decompressed
    sha256: str  # hex; of the decompressed member for zips, of the file's bytes for all else
    truncated: bool  # the compressed stream ends early; `data` is what it held
    problem: str | None  # why it can't be read
    file_sha256: str = ""  # hex; of the whole file's bytes as they were read


class _UnreadableError(Exception):
    """Carries the sentence that becomes `problem`."""


def read_export(path: Path, folder: str, *, max_bytes: int) -> list[ExportPart]:
    """The exports that a file holds, in the zip's order; one part with a `problem` where it can't be opened.

    `max_bytes` bounds the decompressed size of the file, all members together. Never raises on bad content.
    """

    def failed(problem: str, digest: str) -> list[ExportPart]:
        return [ExportPart(path.name, None, folder, b"", digest, False, problem)]

    try:
        status = path.lstat()
        if not stat.S_ISREG(status.st_mode):
            return failed("a link or a special file, which is not followed; put the file itself into the inbox", "")
        if status.st_size > max_bytes:
            with path.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
            return failed(_too_large(max_bytes), digest)
        data = path.read_bytes()
    except OSError as error:
        return failed(f"can't be opened: {error.strerror or error}", "")

    digest = hashlib.sha256(data).hexdigest()
    if not data:
        return failed("the file is empty", digest)
    try:
        if path.name.lower().endswith(ZIP_ENDING) or data.startswith(ZIP_MAGIC):
            members = _members(data, path.name, folder, max_bytes)
            return [one._replace(file_sha256=digest) for one in members] or failed("the zip holds no file", digest)
        content, truncated = _decompress(data, path.name, max_bytes)
    except _UnreadableError as error:
        return failed(str(error), digest)
    return [ExportPart(path.name, None, folder, content, digest, truncated, None, digest)]


def _too_large(max_bytes: int) -> str:
    return (
        f"larger than {max_bytes / 2**20:.6g} MiB when opened; raise max_export_mib in noonmark.toml if it is genuine"
    )


def _decompress(data: bytes, name: str, max_bytes: int) -> tuple[bytes, bool]:
    """The content and whether its stream ends early; plain bytes as they are."""
    ending = PurePosixPath(name.lower()).suffix
    if data.startswith(GZIP_MAGIC):
        content, truncated = _gunzip(data, max_bytes)
    elif data.startswith(ZSTD_MAGIC):
        content, truncated = _unzstd(data, max_bytes)
    elif ending in (GZIP_ENDING, ZSTD_ENDING):
        kind = "gzip" if ending == GZIP_ENDING else "zstd"
        raise _UnreadableError(f"named {ending} but holds no {kind} data; rename it or have it sent again")
    else:
        return data, False
    if truncated and not content:
        raise _UnreadableError("the compressed file ends before its first byte of content; have it sent again")
    return content, truncated


def _gunzip(data: bytes, max_bytes: int) -> tuple[bytes, bool]:
    pieces: list[bytes] = []
    held, rest = 0, data
    while rest.startswith(GZIP_MAGIC):  # a gzip file may be several streams end to end; padding after them is let be
        stream = zlib.decompressobj(wbits=31)
        while rest and not stream.eof:
            try:
                piece = stream.decompress(rest, CHUNK)
            except zlib.error as error:
                raise _UnreadableError(f"damaged gzip data ({error}); have it sent again") from error
            rest = stream.unconsumed_tail
            pieces.append(piece)
            if (held := held + len(piece)) > max_bytes:
                raise _UnreadableError(_too_large(max_bytes))
            if not piece and not rest:
                break
        pieces.append(stream.flush())
        if not stream.eof:
            return b"".join(pieces), True
        rest = stream.unused_data
    return b"".join(pieces), False


def _unzstd(data: bytes, max_bytes: int) -> tuple[bytes, bool]:
    pieces: list[bytes] = []
    held, at = 0, 0
    opener = zstandard.ZstdDecompressor(max_window_size=ZSTD_WINDOW_MAX)
    stream = None
    while at < len(data):
        if stream is None:
            stream = opener.decompressobj()
        chunk = data[at : at + ZSTD_CHUNK]
        at += len(chunk)
        try:
            piece = stream.decompress(chunk)
        except zstandard.ZstdError as error:
            raise _UnreadableError(f"damaged zstd data ({error}); have it sent again") from error
        pieces.append(piece)
        if (held := held + len(piece)) > max_bytes:
            raise _UnreadableError(_too_large(max_bytes))
        if stream.eof:  # several frames may stand end to end
            at -= len(stream.unused_data)
            stream = None
    return b"".join(pieces), stream is not None


def _members(data: bytes, name: str, folder: str, max_bytes: int) -> list[ExportPart]:
    try:
        archive = zipfile.ZipFile(BytesIO(data))
        members = [
            info for info in archive.infolist() if not info.is_dir() and not info.filename.startswith("__MACOSX/")
        ]
    except Exception as error:  # besides its own errors, zipfile lets IndexError, struct.error and others through
        raise _UnreadableError(f"damaged zip ({error}); have it sent again") from error
    if len(members) > MEMBERS_MAX:
        raise _UnreadableError(f"the zip holds {len(members)} files, more than {MEMBERS_MAX}; send it in parts")
    parts = []
    left = max_bytes
    for info in members:
        base = PurePosixPath(info.filename.replace("\\", "/")).name or name
        content, truncated, problem = b"", False, None
        try:
            packed = _member_bytes(archive, info, left, max_bytes)
            content, truncated = _decompress(packed, base, left)
            left -= max(len(content), len(packed))
        except _UnreadableError as error:
            problem = str(error)
        digest = hashlib.sha256(
            content if problem is None else f"{name}\0{info.filename}\0{info.CRC}".encode("utf-8", "replace")
        )
        parts.append(ExportPart(base, info.filename, folder, content, digest.hexdigest(), truncated, problem))
    return parts


def _member_bytes(archive: zipfile.ZipFile, info: zipfile.ZipInfo, left: int, max_bytes: int) -> bytes:
    if info.flag_bits & 0x1:
        raise _UnreadableError("encrypted inside its zip; send it without a password")
    if stat.S_ISLNK(info.external_attr >> 16):
        raise _UnreadableError("a link inside a zip, which is not followed; put the file itself into the zip")
    try:
        with archive.open(info) as member:
            content = member.read(left + 1)
    except Exception as error:  # zipfile lets through the errors of zlib, bz2, lzma and its own
        raise _UnreadableError(f"damaged inside its zip ({error}); have it sent again") from error
    if len(content) > left:
        raise _UnreadableError(_too_large(max_bytes))
    if content.startswith(ZIP_MAGIC) or info.filename.lower().endswith(ZIP_ENDING):
        raise _UnreadableError("a zip inside a zip; unpack it first")
    if not content:
        raise _UnreadableError("the file is empty")
    return content
