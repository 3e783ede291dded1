"""What passes through a run that takes exports in: its pieces, what becomes of their files, and its account."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import NamedTuple

import polars as pl

from pipeline.exports.opening import ExportPart
from pipeline.ingest import arrivals
from pipeline.ingest.arrivals import Arrival
from pipeline.profiles.model import ExportProfile
from pipeline.store import ledger


@dataclass
class IngestResult:
    """What a run took in."""

    files: int = 0
    copies: list[str] = field(default_factory=list)
    quarantined: list[tuple[str, str]] = field(default_factory=list)  # (file, reason)
    still_written: list[str] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    skipped: list[tuple[str, str]] = field(default_factory=list)  # (path, why): can't be read or moved
    notes: list[tuple[str, str]] = field(default_factory=list)
    rows_read: int = 0
    rows_stored: int = 0
    rows_unchanged: int = 0
    rows_replaced: int = 0
    rows_rejected: int = 0
    cells_rejected: int = 0
    by_profile: dict[str, tuple[int, int, int]] = field(default_factory=dict)  # files, rows read, rows rejected

    @property
    def needs_person(self) -> bool:
        return bool(self.quarantined or self.skipped)

    def count(self, written: pl.DataFrame, cells_rejected: int, profile: str) -> None:
        """Takes in what the ledger was told of some exports of one profile."""
        totals = written.select(pl.col("^rows_.*$").sum()).row(0, named=True)
        for name in ("rows_read", "rows_stored", "rows_unchanged", "rows_replaced", "rows_rejected"):
            setattr(self, name, getattr(self, name) + totals[name])
        self.files += written.height
        now = (written.height, int(totals["rows_read"]), int(totals["rows_rejected"]))
        before = self.by_profile.get(profile, (0, 0, 0))
        self.by_profile[profile] = (before[0] + now[0], before[1] + now[1], before[2] + now[2])
        self.cells_rejected += cells_rejected
        self.notes += written.filter(pl.col("notes") != "").select("path", "notes").rows()


class Piece(NamedTuple):
    """One export: a file, or a member of a zip, with the profile that reads it."""

    arrival: Arrival
    part: ExportPart
    profile: ExportProfile
    named_site: str
    before: ledger.Held | None = None  # it was taken in already, with rejected rows: it is read again
    is_segment: bool = False  # some lines of an export

    @property
    def path(self) -> str:
        return f"{self.arrival.place}/{arrivals.shown(self.part.member)}" if self.part.member else self.arrival.place

    @property
    def key(self) -> tuple[str, str]:
        """What makes it the same export as another: the same bytes under another site's name are not."""
        return self.part.sha256, self.named_site


class Again(NamedTuple):
    """What a rebuild knows of the archive's files: they keep their place, number and time."""

    numbers: Mapping[Arrival, int]
    taken_in_at: Mapping[tuple[str, str], datetime]  # (archived_as, path) -> when, as far as the old history tells


@dataclass
class Fate:
    """What became of one file's parts, until it moves on."""

    state: tuple[int, float] | None  # size and time of change when it was read
    refused: list[tuple[ExportPart | None, str]] = field(default_factory=list)  # a part, or the file; and why
    copies: list[tuple[int, str]] = field(default_factory=list)  # (export_id, path)
    archived_as: str | None = None
    is_noted: bool = False  # its size and hash are in the history
