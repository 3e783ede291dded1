"""The errors that end a command, as one short tree.

NoonmarkError            exit status 2 unless a subclass says otherwise; printed as `noonmark: WHAT, WHERE, MEND`
  InvalidInputError      settings, register or profiles: carries every Fault found
  WorkspaceBusyError     exit status 3: another run holds the workspace
  QueryError             a query on the analyst's database that DuckDB refuses
  RefusedError           what was asked for cannot be done as things stand; raised before anything is changed
  StoppedError           the service was told to stop; raised between two safe points
"""

from typing import NamedTuple


class Fault(NamedTuple):
    """One thing wrong in a file that a person wrote, and how to mend it."""

    file: str
    line: int | None
    column: str | None
    value: str | None
    problem: str
    mend: str

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file} line {self.line}"
        if self.column is not None:
            where += f" column {self.column}"
        value = "" if self.value is None else f" {self.value!r}"
        return f"{self.problem}{value}, {where}, {self.mend}"


class NoonmarkError(Exception):
    """Something that a person must mend: what, where, and the mend."""

    exit_status = 2

    def __init__(self, what: str, where: str = "", mend: str = "") -> None:
        self.what, self.where, self.mend = what, where, mend
        super().__init__(", ".join(part for part in (what, where, mend) if part))


class InvalidInputError(NoonmarkError):
    """Faults in settings, register or profiles; nothing was changed."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = faults
        super().__init__(f"{len(faults)} fault{'s' if len(faults) != 1 else ''} found")


class WorkspaceBusyError(NoonmarkError):
    """Another run holds the workspace."""

    exit_status = 3


class QueryError(NoonmarkError):
    """A query that the analyst's database refuses."""


class RefusedError(NoonmarkError):
    """What was asked for cannot be done as things stand; nothing was changed."""


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
