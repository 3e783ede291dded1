"""Files that are whole or not there: every file that is replaced or moved into place goes through here."""

import os
import shutil
from collections.abc import Callable
from pathlib import Path


def replace_file(path: Path, data: str | bytes) -> None:
    """Makes `data` (text as UTF-8) the content of `path` in one step, durably, with the mode that the umask gives.

    A reader sees the former file or the new one, whole, also after a power cut. One process at a time writes to a name.
    Raises OSError, and leaves the former file as it was.
    """
    content = data.encode("utf-8") if isinstance(data, str) else data
    replace_file_by(path, lambda unfinished: unfinished.write_bytes(content))


def replace_file_by(path: Path, write: Callable[[Path], object]) -> None:
    """The same for a file that `write` makes: it is given the path of the unfinished file, beside the final one."""
    unfinished = path.with_name(f".{path.name}.unfinished")
    try:
        unfinished.unlink(missing_ok=True)  # of a killed run; a file opened anew gets the umask's mode
        write(unfinished)
        move_file(unfinished, path)
    except BaseException:
        unfinished.unlink(missing_ok=True)
        raise


def unfinished_beside(folder: Path) -> Path:
    """Where a file of `folder` is written until it is whole: beside the folder, which others may copy at any moment.

    One process writes at a time, one file after the other.
    """
    return folder.with_name(f".{folder.name}.unfinished")


def move_file(unfinished: Path, path: Path) -> None:
    """Gives a whole file its final name, on the same file system, once its content and then its name are on disk."""
    sync(unfinished)
    unfinished.replace(path)
    sync(path.parent)


def copy_file(source: Path, path: Path) -> None:
    """A whole copy under the final name, with the source's times and the mode that the umask gives."""

    def write(unfinished: Path) -> None:
        shutil.copyfile(source, unfinished)
        times = source.stat()
        os.utime(unfinished, ns=(times.st_atime_ns, times.st_mtime_ns))

    replace_file_by(path, write)


def sync(path: Path) -> None:
    """Waits until the file, or the folder's list of names, is on disk. Raises OSError."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
