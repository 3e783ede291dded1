"""The order of taking exports in: find, read, normalise, store in one transaction, then archive or quarantine.

Killed at any point, the next run ends in the same history: rows, rejected rows and the ledger's line are committed
together, files move only afterwards, and a file whose bytes the ledger knows is not stored twice.
"""

import hashlib
from collections.abc import Mapping
from datetime import UTC, date, datetime
from functools import partial
from itertools import groupby

import polars as pl

from pipeline import progress
from pipeline.config.settings import Settings
from pipeline.exports.intervals import Intervals, together
from pipeline.exports.normalise import normalise
from pipeline.frames import FILES, Normalised
from pipeline.ingest import archive, arrivals, large, quarantine
from pipeline.ingest.arrivals import Arrival
from pipeline.ingest.batches import AT_ONCE_BYTES, batches, bytes_of, portions
from pipeline.ingest.being_opened import Opening
from pipeline.ingest.endings import end
from pipeline.ingest.model import Again as Again
from pipeline.ingest.model import Fate, Piece
from pipeline.ingest.model import IngestResult as IngestResult
from pipeline.ingest.pieces import pieces_in
from pipeline.ingest.profile_choice import choose_profile
from pipeline.profiles.model import ExportProfile
from pipeline.register.model import Register
from pipeline.store import Store, archived, learned, ledger, readings
from pipeline.workspace.places import Workspace

ENDED_RUNS = (
    "the run before ended while it read this file and had not taken it in (out of memory, or stopped from outside); "
    "send it in smaller parts, or put it back if the machine was stopped"
)


class Ingest:
    """One run; with `again`, a rebuild of the history from the archive, which leaves every file where it is.

    With `night`, of a day that is lived through later: what is taken in had come by the morning after it.
    """

    def __init__(
        self,
        store: Store,
        workspace: Workspace,
        settings: Settings,
        register: Register,
        profiles: Mapping[str, ExportProfile],
        *,
        again: Again | None = None,
        night: date | None = None,
    ) -> None:
        self.store, self.workspace, self.settings = store, workspace, settings
        self.register, self.profiles, self.again, self.night = register, profiles, again, night
        self.result = IngestResult()
        self.opening = Opening(workspace)
        self.looked_at: set[tuple[str, str]] = set()  # keys of what this run has read
        self.now = datetime.now(UTC)  # when a batch's exports came in
        self.intervals = Intervals(learned.known_intervals(store))
        self.spring_hours = learned.known_spring_hours(store)
        self.last_id = ledger.last_export_id(store)
        if self.last_id == 0 and again is None:
            self.last_id = archive.last_archived(workspace)  # a history that was lost: the archive is never overwritten

    def run(self, waiting: list[Arrival], advance: progress.Advance = progress.silent) -> IngestResult:
        """Takes in the arrivals, batch by batch, in an order that an interruption does not change."""
        ordered = waiting if self.again else sorted(waiting, key=lambda one: (self._profile_name(one), one.place))
        is_alone = self.opening.is_suspect if self.again is None else _never
        for batch in batches(ordered, self.settings.ingest.batch_files, is_alone):
            try:
                self._take_in(batch)
            finally:  # whatever stops a run in order is no file's fault
                if self.again is None:
                    self.opening.end(dict.fromkeys(batch, 0))
            advance(len(batch))
        return self.result

    def _profile_name(self, arrival: Arrival) -> str:
        chosen = choose_profile(self.profiles, arrival.name, arrival.folder, self.register)
        return chosen if isinstance(chosen, str) else f" {chosen.name}"

    def _take_in(self, batch: list[Arrival]) -> None:
        fates: dict[Arrival, Fate] = {}
        waiting: list[Piece] = []
        held_bytes = 0
        self._mark(dict.fromkeys(batch, 0))
        for arrival in batch:
            try:
                if quarantine.is_reason(arrival):
                    arrival.path.unlink()
                    continue
                fate = Fate(arrivals.state(arrival.path))
            except OSError as error:
                self.result.skipped.append((arrival.place, f"can't be read ({error.strerror or error})"))
                continue
            if fate.state is None:  # it went away since it was seen
                continue
            fates[arrival] = fate
            if self._has_ended_runs(arrival):
                fate.refused.append((None, ENDED_RUNS))
                continue
            pieces = pieces_in(arrival, fate, self.profiles, self.register, self.settings.ingest.max_export_mib * 2**20)
            if held_bytes + bytes_of(pieces) > AT_ONCE_BYTES:
                self._read(waiting, fates)
                waiting, held_bytes = [], 0
            waiting += pieces
            held_bytes += bytes_of(pieces)
        self._read(waiting, fates)
        ledger.note_copies(self.store, [copy for fate in fates.values() for copy in fate.copies])
        for arrival, fate in fates.items():
            try:
                end(self.workspace, self.result, arrival, fate, is_moved=self.again is None)
            except OSError as error:
                self.result.skipped.append((arrival.place, f"can't be moved ({error.strerror or error})"))

    def _mark(self, opened_bytes: Mapping[Arrival, int]) -> None:
        if self.again is None:
            self.opening.begin(opened_bytes)

    def _has_ended_runs(self, arrival: Arrival) -> bool:
        """Whether the last run ended while it read this file and had not stored it."""
        if self.again is not None or not self.opening.has_ended_runs(arrival):
            return False
        with arrival.path.open("rb") as file:
            return not archived.is_archived(self.store, hashlib.file_digest(file, "sha256").hexdigest())

    def _read(self, pieces: list[Piece], fates: Mapping[Arrival, Fate]) -> None:
        """Takes in the pieces, so many at a time as memory allows, marked as being read."""
        opened_bytes: dict[Arrival, int] = {}
        for piece in pieces:
            size = 0 if large.is_large(piece) else piece.part.size  # what is read by segments exhausts no memory
            opened_bytes[piece.arrival] = opened_bytes.get(piece.arrival, 0) + size
        try:
            if opened_bytes:
                self._mark(opened_bytes)
            for some in portions(pieces):
                waiting = some
                while waiting:
                    fresh, waiting = self._apart(waiting, fates)
                    for by_segments, pieces_alike in groupby(fresh, key=large.is_large):
                        if by_segments:
                            for piece in pieces_alike:
                                self._store_large(piece, fates[piece.arrival])
                        else:
                            with self.store.transaction():
                                self._store(list(pieces_alike), fates)
        finally:
            if self.again is None:
                self.opening.end(opened_bytes)

    def _apart(self, pieces: list[Piece], fates: Mapping[Arrival, Fate]) -> tuple[list[Piece], list[Piece]]:
        """Pieces whose bytes are new, and those that repeat one of them; what the ledger has goes to their fates."""
        held = ledger.find(self.store, [piece.part.sha256 for piece in pieces])
        fresh: dict[tuple[str, str], Piece] = {}
        repeated: list[Piece] = []
        for piece in pieces:
            before = held.get(piece.key)
            if before is not None and not self._is_read_again(piece, before):
                self._recognise(piece, before, fates[piece.arrival])
            elif piece.key in fresh:
                repeated.append(piece)
            else:
                fresh[piece.key] = piece._replace(before=before)
        return list(fresh.values()), repeated

    def _is_read_again(self, piece: Piece, before: ledger.Held) -> bool:
        """Whether rows were rejected that a fixed profile or register may let in now."""
        if before.rows_rejected == 0 or self.again is not None or piece.key in self.looked_at:
            return False
        return before.path != piece.path or archive.is_in_archive(self.workspace, before.archived_as)

    def _recognise(self, piece: Piece, before: ledger.Held, fate: Fate) -> None:
        """A copy; or a file that a killed run had stored but not moved."""
        if (
            self.again is None
            and before.path == piece.path
            and not archive.is_in_archive(self.workspace, before.archived_as)
        ):
            fate.archived_as = before.archived_as
        else:
            self.result.copies.append(piece.path)
            fate.copies.append((before.export_id, piece.path))

    def _store(self, pieces: list[Piece], fates: Mapping[Arrival, Fate]) -> None:
        """Rows, rejected rows and ledger of the pieces, in their order. To be called in a transaction."""
        now = self.now = datetime.now(UTC)
        for _, same in groupby(pieces, key=lambda piece: piece.profile.name):
            mine = list(same)
            profile = mine[0].profile
            is_given = profile.timestamp.interval_min is not None
            for some, found in self.intervals.normalised(mine, self._normalise, is_given=is_given):
                reasons = dict(found.files.select("file_no", "quarantine").iter_rows())
                rejected = dict(found.rejected.group_by("file_no").len().iter_rows())
                entries = []
                for number, piece in enumerate(some):
                    before = piece.before
                    self.looked_at.add(piece.key)
                    if before and (reasons[number] or rejected.get(number, 0) >= before.rows_rejected):
                        self._recognise(piece, before, fates[piece.arrival])  # nothing was gained
                    elif (reason := reasons[number]) is not None:
                        fates[piece.arrival].refused.append((piece.part, reason))
                    else:
                        entries.append(self._entry(number, piece, fates[piece.arrival], now))
                self.spring_hours |= learned.learn_spring_hours(self.store, profile.name, found.files)
                if entries:
                    self._note_archived([some[entry.file_no] for entry in entries], fates)
                    written = ledger.write(self.store, found, profile.name, profile.counters(), entries)
                    self.result.count(written, found.cells.height, profile.name)
        learned.learn_intervals(self.store, self.intervals.take_news())

    def _store_large(self, piece: Piece, fate: Fate) -> None:
        """The same of one export that is read by segments, in a transaction of its own."""
        self.looked_at.add(piece.key)
        zones = self.register.targets(piece.profile.name)["export_timezone"].to_list()
        reread, number, archived_as = FILES.to_frame(), self.last_id, fate.archived_as
        while True:
            now = self.now = datetime.now(UTC)
            known = self.intervals.branch()
            try:
                with self.store.transaction():
                    entry = self._entry(0, piece, fate, now)
                    account = large.write(self.store, piece, entry, zones, known, self._normalise)
                    if piece.before and account.rejected >= piece.before.rows_rejected:
                        raise large.RefusedError("nothing was gained")
                    account.learn(reread)
                    files, name = account.file(), piece.profile.name
                    self._note_archived([piece], {piece.arrival: fate})
                    written = ledger.enter(self.store, files, account.counted(), name, [entry])
                    self.spring_hours |= learned.learn_spring_hours(self.store, name, files)
                    self.intervals.adopt(known)
                    learned.learn_intervals(self.store, self.intervals.take_news())
                self.result.count(written, account.cells, name)
                return
            except large.StandardTimeError as error:
                reread, piece = error.files, piece._replace(profile=large.on_standard_time(piece.profile))
                self.last_id, fate.archived_as = number, archived_as
            except large.RefusedError as error:
                self.last_id, fate.archived_as = number, archived_as
                if piece.before:
                    self._recognise(piece, piece.before, fate)
                else:
                    fate.refused.append((piece.part, str(error)))
                return

    def _note_archived(self, pieces: list[Piece], fates: Mapping[Arrival, Fate]) -> None:
        """Remembers what the files were that go from the inbox to the archive."""
        files = {}
        for piece in pieces:
            fate, arrival = fates[piece.arrival], piece.arrival
            if arrival.is_ours and fate.state is not None and fate.archived_as is not None and not fate.is_noted:
                fate.is_noted = True
                files[arrival] = archived.ArchivedFile(
                    fate.archived_as, arrival.folder, arrival.name, *fate.state, piece.part.file_sha256, False
                )
        archived.note_archived(self.store, list(files.values()))

    def _entry(self, number: int, piece: Piece, fate: Fate, now: datetime) -> ledger.Entry:
        """The export's line of the ledger, with the next number."""
        arrival = piece.arrival
        self.last_id = max(self.last_id + 1, self.again.numbers[arrival] if self.again else 0)
        if self.again:
            fate.archived_as = arrival.path.relative_to(self.workspace.archive).as_posix()
            now = self.again.taken_in_at.get((fate.archived_as, piece.path), now)
        elif fate.archived_as is None:
            fate.archived_as = archive.archived_name(arrival, self.last_id, now)
            if archive.is_in_archive(self.workspace, fate.archived_as):  # a history restored from a backup counts anew
                self.last_id = archive.last_archived(self.workspace) + 1
                fate.archived_as = archive.archived_name(arrival, self.last_id, now)
        return ledger.Entry(number, self.last_id, piece.path, *piece.key, fate.archived_as, now, self.night)

    def _arrived_at(self, piece: Piece) -> datetime:
        """When the export came in: now, or as the old history has it."""
        if self.again is None:
            return self.now
        archived_as = piece.arrival.path.relative_to(self.workspace.archive).as_posix()
        return self.again.taken_in_at.get((archived_as, piece.path), self.now)

    def _normalise(self, pieces: list[Piece], known_interval_s: Mapping[tuple[str, str], int]) -> Normalised:
        """`normalise`; an export on which it fails unforeseen is refused alone, so that it holds up no other."""
        profile = pieces[0].profile
        targets = self.register.targets(profile.name)
        try:
            arrived_at = [self._arrived_at(piece) for piece in pieces]
            return normalise(
                [piece.part.loaded() for piece in pieces], profile, targets, known_interval_s=known_interval_s,
                known_spring_hour=self.spring_hours, arrived_at=arrived_at, is_whole=not pieces[0].is_segment,
                is_taken=partial(readings.speak_against, self.store),
            )  # fmt: skip
        except (Exception, pl.exceptions.PanicException) as error:
            if len(pieces) > 1:
                return together([self._normalise([piece], known_interval_s) for piece in pieces])
            nothing = normalise([], profile, targets)
            reason = f"can't be read, for a reason that was not foreseen ({type(error).__name__}: {error}); report it"
            files = pl.DataFrame([(0, 0, 0, " ".join(reason.split()), [], None, None, [])], schema=FILES, orient="row")
            return nothing._replace(files=files)


def _never(_: Arrival) -> bool:
    return False
