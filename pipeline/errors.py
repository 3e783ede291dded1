"""The errors that end a command, as one short tree.

NoonmarkError            exit status 2 unless a subclass says otherwise; printed as `noonmark: WHAT, WHERE, REMEDY`
  InvalidInputError      settings, register or profiles: carries every Fault found
  WorkspaceBusyError     exit status 3: another run holds the workspace
  StorageError           exit status 4: reading or writing failed amid work
    DamagedHistoryError  the history's file is not whole
  UnreadablePartError    the analyst's database or one of its parts is missing or damaged; who reads it changes nothing
  QueryError             a query on the analyst's database that DuckDB refuses
  RefusedError           what was asked for cannot be done as things stand; raised before anything is changed
  StoppedError           the service was told to stop; raised between two safe points
"""

from collections.abc import Iterable
from pathlib import PurePosixPath
from typing import NamedTuple

from pipeline.counted import counted


class Fault(NamedTuple):
    """One thing wrong in a file that a person wrote, and how to fix it."""

    file: str
    line: int | None
    column: str | None
    value: str | None
    problem: str
    remedy: str

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file} line {self.line}"
        if self.column is not None:
            where += f" column {self.column}"
        value = "" if self.value is None else f" {self.value!r}"
        return f"{self.problem}{value}, {where}, {self.remedy}"


class NoonmarkError(Exception):
    """Something that a person must fix: what, where, and the remedy."""

    exit_status = 2

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        self.what, self.where, self.remedy = what, where, remedy
        super().__init__(", ".join(part for part in (what, where, remedy) if part))


class InvalidInputError(NoonmarkError):
    """Faults in settings, register or profiles; nothing was changed."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = faults
        super().__init__(f"{counted(len(faults), 'fault')} found")


class WorkspaceBusyError(NoonmarkError):
    """Another run holds the workspace."""

    exit_status = 3


class StorageError(NoonmarkError):
    """Reading or writing failed amid work: what was committed stays."""

    exit_status = 4


class DamagedHistoryError(StorageError):
    """The history's file does not open, or a part of it cannot be read."""


class QueryError(NoonmarkError):
    """A query that the analyst's database refuses."""


class RefusedError(NoonmarkError):
    """What was asked for cannot be done as things stand; nothing was changed."""


class UnreadablePartError(NoonmarkError):
    """The analyst's database, or one of its parts, is missing or damaged."""


class StoppedError(NoonmarkError):
    """The service was told to stop; what was committed stays, the next run goes on from there."""


class Notice(NamedTuple):
    """Something in a file that may be meant so, and that a person should look at once."""

    file: str
    line: int | None
    column: str | None
    value: str | None
    text: str

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file} line {self.line}"
        return f"{self.text}, {where}" + (f" column {self.column}" if self.column else "")


def by_reason(reasons: Iterable[tuple[str, str]]) -> list[tuple[str, str, int]]:
    """(first file, reason, how many): of (file, reason) each reason once.

    Reasons that differ in the file's own name only are the same.
    """
    same: dict[str, list[tuple[str, str]]] = {}
    for file, reason in reasons:
        same.setdefault(reason.replace(PurePosixPath(file).name, "*"), []).append((file, reason))
    return [(*files[0], len(files)) for files in same.values()]


def alike(reasons: Iterable[tuple[str, str]]) -> list[tuple[str, str, int]]:
    """The same as a person reads it: (files, reason, how many), naming the first of its files."""
    return [
        (f"{file} and {counted(count - 1, 'more file')}" if count > 1 else file, reason, count)
        for file, reason, count in by_reason(reasons)
    ]


def what_and_remedy(reason: str) -> tuple[str, str]:
    """Why an export is not taken in, and what to do about it, which stands behind the last semicolon where it does."""
    what, mark, remedy = reason.rpartition("; ")
    return (what, remedy) if mark else (reason, "have it sent again")
