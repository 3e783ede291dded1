"""The order of taking exports in: find, read, normalise, store in one transaction, then archive or quarantine.

Killed at any point, the next run ends in the same history: rows, rejected rows and the ledger's line are committed
together, files move only afterwards, and a file whose bytes the ledger knows is not stored twice.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import NamedTuple

import polars as pl

from pipeline import arrivals, progress
from pipeline.arrivals import Arrival
from pipeline.exports import ExportPart, read_export
from pipeline.normalise import normalise
from pipeline.profile_choice import choose_profile
from pipeline.profile_model import ExportProfile
from pipeline.register_model import Register
from pipeline.settings import Settings
from pipeline.store import Store, ledger
from pipeline.workspace import Workspace

BATCH_BYTES = 64 * 1024 * 1024  # ours: on disk; what is read at once decides the memory that a run takes


@dataclass
class IngestResult:
    """What a run took in."""

    files: int = 0
    copies: list[str] = field(default_factory=list)
    quarantined: list[tuple[str, str]] = field(default_factory=list)  # (file, reason)
    still_written: list[str] = field(default_factory=list)
    links: list[str] = field(default_factory=list)
    notes: list[tuple[str, str]] = field(default_factory=list)
    rows_read: int = 0
    rows_stored: int = 0
    rows_unchanged: int = 0
    rows_replaced: int = 0
    rows_rejected: int = 0
    cells_rejected: int = 0

    @property
    def needs_person(self) -> bool:
        return bool(self.quarantined)


Refused = tuple[Arrival, ExportPart | None, str]  # a file, or a part of it, and why it can't be read


class Piece(NamedTuple):
    """One export: a file, or a member of a zip, with the profile that reads it."""

    arrival: Arrival
    part: ExportPart
    profile: ExportProfile
    named_site: str

    @property
    def path(self) -> str:
        return f"{self.arrival.place}/{self.part.member}" if self.part.member else self.arrival.place


class Ingest:
    """One run. `number` of an arrival (in a rebuild) is where the archive already keeps it."""

    def __init__(
        self,
        store: Store,
        workspace: Workspace,
        settings: Settings,
        register: Register,
        profiles: Mapping[str, ExportProfile],
        *,
        is_rebuild: bool = False,
    ) -> None:
        self.store, self.workspace, self.settings = store, workspace, settings
        self.register, self.profiles, self.is_rebuild = register, profiles, is_rebuild
        self.result = IngestResult()
        self.known_interval_s = ledger.known_intervals(store)

    def run(self, waiting: list[Arrival], tell: progress.Advance = progress.silent) -> IngestResult:
        """Takes in the arrivals, batch by batch, in an order that an interruption does not change."""
        ordered = waiting if self.is_rebuild else sorted(waiting, key=lambda one: (self._profile_name(one), one.place))
        for batch in _batches(ordered, self.settings.ingest.batch_files):
            self._take_in(batch)
            tell(len(batch))
        return self.result

    def _profile_name(self, arrival: Arrival) -> str:
        chosen = choose_profile(self.profiles, arrival.name, arrival.folder, self.register)
        return chosen if isinstance(chosen, str) else f" {chosen.name}"

    def _take_in(self, batch: list[Arrival]) -> None:
        pieces, refused = self._open(batch)
        fresh, known = self._apart(pieces)
        placed: dict[Arrival, str] = {}
        for profile_name in dict.fromkeys(piece.profile.name for piece in fresh):
            mine = [piece for piece in fresh if piece.profile.name == profile_name]
            taken, bad = self._store(mine)
            placed.update(taken)
            refused += bad
        self._move(batch, placed, known, refused)

    def _open(self, batch: list[Arrival]) -> tuple[list[Piece], list[Refused]]:
        """What can be read, and (file, part, reason) of what cannot."""
        pieces: list[Piece] = []
        refused: list[Refused] = []
        for arrival in batch:
            try:
                parts = read_export(arrival.path, arrival.folder, max_bytes=self.settings.ingest.max_export_mib * 2**20)
            except OSError as error:
                refused.append((arrival, None, f"the file cannot be opened ({error.strerror})"))
                continue
            if not parts:
                refused.append((arrival, None, "the archive holds no file"))
            for part in parts:
                name = arrival.name if part.member is None else part.name
                chosen = choose_profile(self.profiles, name, part.folder, self.register)
                if part.problem is not None:
                    refused.append((arrival, part, part.problem))
                elif isinstance(chosen, str):
                    refused.append(
                        (arrival, part, f"{chosen}: {name}; add its form to a profile's `match`, or a profile for it")
                    )
                else:
                    named = chosen.site_in_place(name, part.folder) or ""
                    pieces.append(Piece(arrival, part._replace(name=name), chosen, named))
        return pieces, refused

    def _apart(self, pieces: list[Piece]) -> tuple[list[Piece], list[Piece]]:
        """Pieces that are new, and those whose bytes the ledger (or this batch) has already."""
        in_ledger = ledger.find(self.store, [piece.part.sha256 for piece in pieces])
        fresh: list[Piece] = []
        known: list[Piece] = []
        seen = set(in_ledger)
        for piece in pieces:
            key = (piece.part.sha256, piece.named_site)
            (known if key in seen else fresh).append(piece)
            seen.add(key)
        return fresh, known

    def _store(self, pieces: list[Piece]) -> tuple[dict[Arrival, str], list[Refused]]:
        """Rows, rejected rows and ledger of one profile's pieces, in one transaction."""
        profile = pieces[0].profile
        found = normalise(
            [piece.part for piece in pieces],
            profile,
            self.register.targets(profile.name),
            known_interval_s=self.known_interval_s,
        )
        reasons = dict(found.files.select("file_no", "quarantine").iter_rows())
        refused: list[Refused] = [
            (p.arrival, p.part, reason) for number, p in enumerate(pieces) if (reason := reasons[number]) is not None
        ]
        good = [number for number in range(len(pieces)) if reasons[number] is None]
        if not good:
            return {}, refused
        now = datetime.now(UTC)
        with self.store.transaction():
            first = ledger.next_export_id(self.store)
            ids = {number: first + place for place, number in enumerate(good)}
            archived_as: dict[Arrival, str] = {}
            for number in good:
                arrival = pieces[number].arrival
                kept = arrival.path.relative_to(self.workspace.archive).as_posix() if self.is_rebuild else None
                archived_as.setdefault(arrival, kept or arrivals.archived_name(arrival, ids[number], now))
            written = ledger.write(
                self.store, found, profile, ids,
                [(ids[n], pieces[n].path, pieces[n].part.sha256, pieces[n].named_site, archived_as[pieces[n].arrival]) for n in good],
                taken_in_at=now,
            )  # fmt: skip
        self._count(written, found.cells.height, pieces, good)
        return archived_as, refused

    def _count(self, written: pl.DataFrame, cells: int, pieces: list[Piece], good: list[int]) -> None:
        totals = written.select(pl.col("^rows_.*$").sum()).row(0, named=True)
        for name in ("rows_read", "rows_stored", "rows_unchanged", "rows_replaced", "rows_rejected"):
            setattr(self.result, name, getattr(self.result, name) + totals[name])
        self.result.files += len(good)
        self.result.cells_rejected += cells
        for number, notes in zip(good, written["notes"], strict=True):
            if notes:
                self.result.notes.append((pieces[number].path, notes))

    def _move(
        self,
        batch: list[Arrival],
        placed: dict[Arrival, str],
        known: list[Piece],
        refused: list[Refused],
    ) -> None:
        """Every file of the batch leaves for the archive or for quarantine; copies only leave."""
        held = ledger.find(self.store, [piece.part.sha256 for piece in known])
        for arrival in batch:
            bad = [(part, reason) for owner, part, reason in refused if owner == arrival]
            copies = [piece for piece in known if piece.arrival == arrival]
            is_all_bad = arrival not in placed and not copies
            for part, reason in bad:
                label = f"{arrival.place}/{part.member}" if part and part.member else arrival.place
                self.result.quarantined.append((label, reason))
                if not self.is_rebuild and not is_all_bad and part is not None:
                    arrivals.to_quarantine(
                        self.workspace, arrival, reason, member=part.member or part.name, data=part.data
                    )
            if self.is_rebuild:
                continue
            if is_all_bad:
                said = "\n".join(f"{part.member}: {reason}" if part and part.member else reason for part, reason in bad)
                arrivals.to_quarantine(self.workspace, arrival, said)
                continue
            interrupted = self._note_copies(copies, held)
            target = placed.get(arrival, interrupted)
            if target:
                arrivals.to_archive(self.workspace, arrival, target)
            elif arrival.is_ours:
                arrival.path.unlink(missing_ok=True)  # a copy adds nothing: its bytes are in the archive

    def _note_copies(self, copies: list[Piece], held: dict[tuple[str, str], ledger.Held]) -> str | None:
        """Where the file belongs in the archive, if a killed run had stored it but not moved it; else it is a copy."""
        interrupted = None
        for piece in copies:
            before = held.get((piece.part.sha256, piece.named_site))
            if before is None:
                continue  # the same bytes twice in one batch, and both refused
            if before.path == piece.path and not (self.workspace.archive / before.archived_as).exists():
                interrupted = before.archived_as
            else:
                self.result.copies.append(piece.path)
                ledger.note_copy(self.store, before.export_id, piece.path)
        return interrupted


def _batches(ordered: Iterable[Arrival], most_files: int) -> Iterator[list[Arrival]]:
    batch: list[Arrival] = []
    size = 0
    for arrival in ordered:
        size += arrival.path.stat().st_size if arrival.path.exists() else 0
        batch.append(arrival)
        if len(batch) >= most_files or size >= BATCH_BYTES:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch
