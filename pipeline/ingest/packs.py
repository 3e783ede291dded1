"""Months of archive/ packed into one compressed tar each: archive/2026-03.tar.zst, which any tar can read too.

The first member, index.json, names the others, so that to know what a pack holds is to read its beginning.
"""

import hashlib
import io
import json
import os
import re
import tarfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import IO, NamedTuple

from pipeline.errors import StorageError
from pipeline.workspace.files import replace_file, replace_file_by

ENDING = ".tar.zst"
INDEX = "index.json"
MONTH = re.compile(r"\d{4}-\d{2}")
LEVEL = 9  # of 22, ours: exports shrink some tenfold, and a core packs some 40 MB of them in a second
CHUNK = 1 << 20


class Packed(NamedTuple):
    """What was done to one month."""

    month: str
    files: int  # that were loose before
    bytes_before: int  # of these
    bytes_after: int  # of the whole pack


def names(archive: Path) -> dict[str, Path]:
    """Each packed file's name below archive/, and the pack that holds it."""
    found: dict[str, Path] = {}
    for pack in sorted(archive.glob(f"*{ENDING}")):
        if MONTH.fullmatch(pack.name.removesuffix(ENDING)):
            state = pack.stat()
            found |= dict.fromkeys(_names(pack, state.st_mtime_ns, state.st_size), pack)
    return found


@lru_cache(maxsize=1200)  # months of a hundred years
def _names(pack: Path, _mtime_ns: int, _size: int) -> tuple[str, ...]:
    with _opened(pack) as members:
        for member, content in members:
            if member.name == INDEX:
                return tuple(json.load(content)["files"])
            break
    raise _damaged(pack, "it does not begin with its index")


def loose(archive: Path, month: str) -> dict[str, Path]:
    """The numbered files of a month that lie in its folder, by their names below archive/."""
    paths = sorted(path for path in (archive / month).rglob("*") if re.match(r"\d{8,}~", path.name))
    return {path.relative_to(archive).as_posix(): path for path in paths if path.is_file() and not path.is_symlink()}


def months(archive: Path) -> list[str]:
    """The months of which something lies in a folder, oldest first."""
    return sorted(path.name for path in archive.glob("*") if path.is_dir() and MONTH.fullmatch(path.name))


def pack_month(archive: Path, month: str) -> Packed | None:
    """Packs what is loose of the month, with what its pack holds already; None where nothing is.

    A loose file goes only once the whole pack was read back and holds its very bytes. Raises StorageError otherwise.
    """
    waiting = loose(archive, month)
    if not waiting:
        return None
    pack = archive / f"{month}{ENDING}"
    held = {name for name, place in names(archive).items() if place == pack}
    size = sum(path.stat().st_size for path in waiting.values())
    if fresh := {name: path for name, path in waiting.items() if name not in held}:

        def write(unfinished: Path) -> None:
            _write(unfinished, pack if held else None, sorted(held), fresh)
            _compare(unfinished, pack, waiting)

        replace_file_by(pack, write)
    else:
        _compare(pack, pack, waiting)
    for path in waiting.values():
        path.unlink()
    for folder, _, _ in os.walk(archive / month, topdown=False):
        if not any(Path(folder).iterdir()):
            Path(folder).rmdir()
    return Packed(month, len(waiting), size, pack.stat().st_size)


def _write(target: Path, former: Path | None, held: list[str], fresh: Mapping[str, Path]) -> None:
    import zstandard

    listed = json.dumps({"files": [*held, *sorted(fresh)]}, indent=0).encode("utf-8")
    about = tarfile.TarInfo(INDEX)
    about.size, about.mtime = len(listed), int(datetime.now(UTC).timestamp())
    compressor = zstandard.ZstdCompressor(level=LEVEL, write_checksum=True)
    with (
        target.open("wb") as file,
        compressor.stream_writer(file, closefd=False) as stream,
        tarfile.open(fileobj=stream, mode="w|", format=tarfile.PAX_FORMAT) as tar,
    ):
        tar.addfile(about, io.BytesIO(listed))
        if former is not None:
            with _opened(former) as members:
                for member, content in members:
                    if member.name != INDEX:
                        tar.addfile(member, content)
        for name in sorted(fresh):
            member = tar.gettarinfo(str(fresh[name]), arcname=name)
            member.uid = member.gid = 0
            member.uname = member.gname = ""
            with fresh[name].open("rb") as content:
                tar.addfile(member, content)


def _compare(written: Path, shown: Path, loose_ones: Mapping[str, Path]) -> None:
    """Raises StorageError unless the pack can be read to its end and holds these files' bytes."""
    found = {}
    with _opened(written, shown) as members:
        for member, content in members:
            found[member.name] = _digest(content)
    for name, path in loose_ones.items():
        with path.open("rb") as content:
            if found.get(name) != _digest(content):
                raise StorageError(
                    "a packed file is not the one in the folder", f"archive/{name}", "nothing was removed; look at both"
                )


def extract(archive: Path, pack: Path) -> list[Path]:
    """Puts a pack's files where they lay; those that were not there are returned. Raises StorageError."""
    month, made = pack.name.removesuffix(ENDING), []
    with _opened(pack) as members:
        for member, content in members:
            parts = PurePosixPath(member.name).parts
            if member.name == INDEX:
                continue
            if not member.isfile() or parts[0] != month or ".." in parts:
                raise _damaged(pack, f"it holds {member.name!r}")
            target = archive / member.name
            if not target.exists():
                target.parent.mkdir(parents=True, exist_ok=True)
                replace_file(target, content.read())
                os.utime(target, (member.mtime, member.mtime))
                made.append(target)
    return made


@contextmanager
def _opened(pack: Path, shown: Path | None = None) -> Iterator[Iterator[tuple[tarfile.TarInfo, IO[bytes]]]]:
    """The files of a pack, one after the other. Raises StorageError where it is not whole."""
    import zstandard

    try:
        with (
            pack.open("rb") as file,
            zstandard.ZstdDecompressor().stream_reader(file) as stream,
            tarfile.open(fileobj=stream, mode="r|") as tar,
        ):
            yield _members(tar)
    except (zstandard.ZstdError, tarfile.TarError, EOFError, ValueError) as error:
        raise _damaged(shown or pack, str(error)) from error


def _members(tar: tarfile.TarFile) -> Iterator[tuple[tarfile.TarInfo, IO[bytes]]]:
    for member in tar:
        yield member, tar.extractfile(member) or io.BytesIO()


def _damaged(pack: Path, said: str) -> StorageError:
    return StorageError(
        f"a packed month is damaged ({said})", f"archive/{pack.name}", "put it back from a backup, or move it away"
    )


def _digest(content: IO[bytes]) -> str:
    digest = hashlib.sha256()
    while chunk := content.read(CHUNK):
        digest.update(chunk)
    return digest.hexdigest()
