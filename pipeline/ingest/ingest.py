"""The order of taking exports in: find, read, normalise, store in one transaction, then archive or quarantine.

Killed at any point, the next run ends in the same history: rows, rejected rows and the ledger's line are committed
together, files move only afterwards, and a file whose bytes the ledger knows is not stored twice.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import groupby
from typing import NamedTuple

import polars as pl

from pipeline import progress
from pipeline.config.settings import Settings
from pipeline.exports.intervals import Intervals, together
from pipeline.exports.normalise import normalise
from pipeline.exports.opening import ExportPart, read_export
from pipeline.frames import FILES, Normalised
from pipeline.ingest import arrivals
from pipeline.ingest.arrivals import Arrival
from pipeline.ingest.profile_choice import choose_profile
from pipeline.profiles.model import ExportProfile
from pipeline.register.model import Register
from pipeline.store import Store, ledger
from pipeline.workspace.places import Workspace

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


class Piece(NamedTuple):
    """One export: a file, or a member of a zip, with the profile that reads it."""

    arrival: Arrival
    part: ExportPart
    profile: ExportProfile
    named_site: str

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


class Ingest:
    """One run; with `again`, a rebuild of the history from the archive, which leaves every file where it is."""

    def __init__(
        self,
        store: Store,
        workspace: Workspace,
        settings: Settings,
        register: Register,
        profiles: Mapping[str, ExportProfile],
        *,
        again: Again | None = None,
    ) -> None:
        self.store, self.workspace, self.settings = store, workspace, settings
        self.register, self.profiles, self.again = register, profiles, again
        self.result = IngestResult()
        self.intervals = Intervals(ledger.known_intervals(store))
        self.spring_hours = ledger.known_spring_hours(store)
        self.last_id = ledger.last_export_id(store)
        if self.last_id == 0 and again is None:
            self.last_id = arrivals.last_archived(
                workspace
            )  # a history that was lost: the archive is never overwritten

    def run(self, waiting: list[Arrival], tell: progress.Advance = progress.silent) -> IngestResult:
        """Takes in the arrivals, batch by batch, in an order that an interruption does not change."""
        ordered = waiting if self.again else sorted(waiting, key=lambda one: (self._profile_name(one), one.place))
        for batch in _batches(ordered, self.settings.ingest.batch_files):
            self._take_in(batch)
            tell(len(batch))
        return self.result

    def _profile_name(self, arrival: Arrival) -> str:
        chosen = choose_profile(self.profiles, arrival.name, arrival.folder, self.register)
        return chosen if isinstance(chosen, str) else f" {chosen.name}"

    def _take_in(self, batch: list[Arrival]) -> None:
        fates: dict[Arrival, Fate] = {}
        waiting: list[Piece] = []
        for arrival in batch:
            if arrivals.is_reason(arrival):
                arrival.path.unlink()
                continue
            fate = Fate(arrivals.state(arrival.path))
            if fate.state is not None:  # else it went away since it was seen
                fates[arrival] = fate
                waiting += self._open(arrival, fate)
        while waiting:
            fresh, waiting = self._apart(waiting, fates)
            if fresh:
                with self.store.transaction():
                    self._store(fresh, fates)
        ledger.note_copies(self.store, [copy for fate in fates.values() for copy in fate.copies])
        for arrival, fate in fates.items():
            self._move(arrival, fate)

    def _open(self, arrival: Arrival, fate: Fate) -> list[Piece]:
        """The exports in a file for which there is a profile."""
        if arrival.name_problem is not None:
            fate.refused.append((None, arrival.name_problem))
            return []
        pieces = []
        parts = read_export(arrival.path, arrival.folder, max_bytes=self.settings.ingest.max_export_mib * 2**20)
        for part in parts:
            name = arrival.name if part.member is None else part.name
            chosen = choose_profile(self.profiles, name, part.folder, self.register)
            if part.problem is not None:
                fate.refused.append((part, part.problem))
            elif isinstance(chosen, str):
                mend = "add its form to a profile's `match`, or a profile for it"
                if chosen.endswith("fit this file"):
                    mend = "narrow the `match` of one, or name the site's profile in sites.csv"
                fate.refused.append((part, f"{chosen}: {arrivals.shown(name)}; {mend}"))
            else:
                named = chosen.site_in_place(name, part.folder) or ""
                pieces.append(Piece(arrival, part._replace(name=name), chosen, named))
        return sorted(pieces, key=lambda piece: piece.profile.name)

    def _apart(self, pieces: list[Piece], fates: Mapping[Arrival, Fate]) -> tuple[list[Piece], list[Piece]]:
        """Pieces whose bytes are new, and those that repeat one of them; what the ledger has goes to their fates."""
        held = ledger.find(self.store, [piece.part.sha256 for piece in pieces])
        fresh: dict[tuple[str, str], Piece] = {}
        repeated: list[Piece] = []
        for piece in pieces:
            before = held.get(piece.key)
            if before is not None:
                self._recognise(piece, before, fates[piece.arrival])
            elif piece.key in fresh:
                repeated.append(piece)
            else:
                fresh[piece.key] = piece
        return list(fresh.values()), repeated

    def _recognise(self, piece: Piece, before: ledger.Held, fate: Fate) -> None:
        """A copy; or a file that a killed run had stored but not moved."""
        if (
            self.again is None
            and before.path == piece.path
            and not (self.workspace.archive / before.archived_as).exists()
        ):
            fate.archived_as = before.archived_as
        else:
            self.result.copies.append(piece.path)
            fate.copies.append((before.export_id, piece.path))

    def _store(self, pieces: list[Piece], fates: Mapping[Arrival, Fate]) -> None:
        """Rows, rejected rows and ledger of the pieces, in their order. To be called in a transaction."""
        now = datetime.now(UTC)
        for _, same in groupby(pieces, key=lambda piece: piece.profile.name):
            mine = list(same)
            profile = mine[0].profile
            is_given = profile.timestamp.interval_min is not None
            for some, found in self.intervals.normalised(mine, self._normalise, is_given=is_given):
                reasons = dict(found.files.select("file_no", "quarantine").iter_rows())
                entries = []
                for number, piece in enumerate(some):
                    if (reason := reasons[number]) is not None:
                        fates[piece.arrival].refused.append((piece.part, reason))
                    else:
                        entries.append(self._entry(number, piece, fates[piece.arrival], now))
                self.spring_hours |= ledger.learn_spring_hours(self.store, profile.name, found.files)
                if entries:
                    written = ledger.write(self.store, found, profile.name, profile.counters(), entries)
                    self._count(written, found)
        ledger.learn_intervals(self.store, self.intervals.take_news())

    def _entry(self, number: int, piece: Piece, fate: Fate, now: datetime) -> ledger.Entry:
        """The export's line of the ledger, with the next number."""
        arrival = piece.arrival
        self.last_id = max(self.last_id + 1, self.again.numbers[arrival] if self.again else 0)
        if self.again:
            fate.archived_as = arrival.path.relative_to(self.workspace.archive).as_posix()
            now = self.again.taken_in_at.get((fate.archived_as, piece.path), now)
        elif fate.archived_as is None:
            fate.archived_as = arrivals.archived_name(arrival, self.last_id, now)
            if (self.workspace.archive / fate.archived_as).exists():  # a history restored from a backup counts anew
                self.last_id = arrivals.last_archived(self.workspace) + 1
                fate.archived_as = arrivals.archived_name(arrival, self.last_id, now)
        return ledger.Entry(number, self.last_id, piece.path, *piece.key, fate.archived_as, now)

    def _normalise(self, pieces: list[Piece], known_interval_s: Mapping[tuple[str, str], int]) -> Normalised:
        """`normalise`; an export on which it fails unforeseen is refused alone, so that it holds up no other."""
        profile = pieces[0].profile
        targets = self.register.targets(profile.name)
        parts = [piece.part for piece in pieces]
        try:
            return normalise(
                parts, profile, targets, known_interval_s=known_interval_s, known_spring_hour=self.spring_hours
            )
        except (Exception, pl.exceptions.PanicException) as error:
            if len(parts) > 1:
                return together([self._normalise([piece], known_interval_s) for piece in pieces])
            nothing = normalise([], profile, targets)
            reason = f"can't be read, for a reason that was not foreseen ({type(error).__name__}: {error}); report it"
            files = pl.DataFrame([(0, 0, 0, " ".join(reason.split()), [], None, None, [])], schema=FILES, orient="row")
            return nothing._replace(files=files)

    def _count(self, written: pl.DataFrame, found: Normalised) -> None:
        totals = written.select(pl.col("^rows_.*$").sum()).row(0, named=True)
        for name in ("rows_read", "rows_stored", "rows_unchanged", "rows_replaced", "rows_rejected"):
            setattr(self.result, name, getattr(self.result, name) + totals[name])
        self.result.files += written.height
        self.result.cells_rejected += found.cells.height
        self.result.notes += written.filter(pl.col("notes") != "").select("path", "notes").rows()

    def _move(self, arrival: Arrival, fate: Fate) -> None:
        """The file leaves for the archive or for quarantine; a copy only leaves."""
        for part, reason in fate.refused:
            place = f"{arrival.place}/{arrivals.shown(part.member)}" if part and part.member else arrival.place
            self.result.quarantined.append((place, reason))
        if self.again is not None:
            return
        if arrivals.state(arrival.path) != fate.state:
            self.result.still_written.append(
                arrival.place
            )  # what it was is in the history; the next run reads the rest
            return
        if fate.archived_as is None and not fate.copies:
            said = [f"{arrivals.shown(p.member)}: {why}" if p and p.member else why for p, why in fate.refused]
            arrivals.to_quarantine(self.workspace, arrival, "\n".join(said))
            return
        for part, reason in fate.refused:
            if part is not None:
                arrivals.to_quarantine(self.workspace, arrival, reason, member=part.member or part.name, data=part.data)
        if fate.archived_as is not None:
            arrivals.to_archive(self.workspace, arrival, fate.archived_as)
        elif arrival.is_ours:
            arrival.path.unlink(missing_ok=True)  # a copy adds nothing: its bytes are in the archive


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
