"""What ends a command unforeseen, in one line and with an exit status of its own."""

import errno
import re

import duckdb
import polars as pl
import typer

FAILED, FAULT, INTERRUPTED = 4, 5, 130
FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
DENIED = {errno.EACCES, errno.EPERM, errno.EROFS}
FULL_TEXT = re.compile(r"no space left|file too large|disk quota|could not write|failed to write", re.IGNORECASE)
DENIED_TEXT = re.compile(r"read-only file system|permission denied", re.IGNORECASE)
DAMAGE_TEXT = re.compile(r"checksum|corrupt|database has been invalidated|not a valid", re.IGNORECASE)
MEMORY_TEXT = re.compile(r"out of memory|could not allocate", re.IGNORECASE)
ALLOW = "set its owner and mode so that noonmark may read and write it, and run the command again"
FREE = "free some space and run the command again; nothing that was taken in is lost"
DAMAGED = "run the command again; if it fails again, `noonmark ingest --rebuild` makes the history again from archive/"


def in_words(error: BaseException) -> tuple[str, int]:
    """(WHAT, WHERE, REMEDY in one line; the exit status) of an error that no command foresaw."""
    if isinstance(error, KeyboardInterrupt | typer.Abort | duckdb.InterruptException) or _is_interrupt(error):
        return "interrupted, the command, nothing is lost: run it again", INTERRUPTED
    if isinstance(error, MemoryError):
        return "there is not enough memory, this machine, end other programs and run the command again", FAILED
    if isinstance(error, OSError):
        said, where = error.strerror or str(error), error.filename or "the file system"
        remedy = FREE if error.errno in FULL else ALLOW if error.errno in DENIED else "fix it and run the command again"
        return f"{said}, {where}, {remedy}", FAILED
    if isinstance(error, duckdb.Error | pl.exceptions.PolarsError):
        return _of_database(" ".join(str(error).split())[:300])
    return f"a fault of noonmark itself ({type(error).__name__}: {error}), the command, report it", FAULT


def _is_interrupt(error: BaseException) -> bool:
    """Libraries turn an interrupt into an error of their own, which it stands behind."""
    behind = error.__cause__ or error.__context__
    return isinstance(behind, KeyboardInterrupt) or "Query interrupted" in str(error)


def _of_database(said: str) -> tuple[str, int]:
    if FULL_TEXT.search(said):
        return f"the disk is full ({said}), the workspace, {FREE}", FAILED
    if DENIED_TEXT.search(said):
        return f"writing is not allowed ({said}), the workspace, {ALLOW}", FAILED
    if MEMORY_TEXT.search(said):
        return f"there is not enough memory ({said}), this machine, end other programs and run it again", FAILED
    if DAMAGE_TEXT.search(said):
        return f"a file is damaged ({said}), noonmark.duckdb or reader/, {DAMAGED}", FAILED
    return f"the database failed ({said}), noonmark.duckdb or reader/, {DAMAGED}", FAILED
