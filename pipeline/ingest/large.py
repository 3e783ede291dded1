"""A large CSV export, stored a segment at a time in one transaction; what is judged of a whole export is judged last.

A segment is normalised as an export of its own, with what the segments before it told of the interval. Where one shows
that the export's clock kept standard time all year, the whole is read again so: the rows before it cannot show that.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import polars as pl

from pipeline.exports.intervals import Intervals
from pipeline.exports.mostly_rejected import MAX_SHARE, by_reason, is_mostly, reason_of
from pipeline.exports.segments import SEGMENT_BYTES, segments
from pipeline.exports.site_targets import NO_SITE, no_known_site
from pipeline.exports.spring_hour import BY_DEFAULT, STANDARD_TIME
from pipeline.exports.streams import UnreadableError
from pipeline.frames import FILES, Normalised
from pipeline.ingest.model import Piece
from pipeline.profiles.model import ExportProfile
from pipeline.store import Store, ledger

Normalise = Callable[[list[Piece], Mapping[tuple[str, str], int]], Normalised]
WHOLE_MIB = 64  # ours: of a form that is read whole, which takes some fifteen times as much memory
NOT_DECIDED = (
    "its stamps run through the missing spring hour, and it is too large to be held while the sun decides how that is "
    'meant; set spring_hour = "filled" or "standard time" in the profile, or have it sent in parts of a month'
)


class RefusedError(Exception):
    """Carries why nothing of an export is taken in."""


class StandardTimeError(Exception):
    """Carries what a segment's sun told (FILES): the export is to be read on standard time."""

    def __init__(self, files: pl.DataFrame) -> None:
        super().__init__("on standard time")
        self.files = files


def is_large(piece: Piece) -> bool:
    """Whether the export is stored by segments."""
    return piece.part.stream is not None and piece.profile.format == "csv" and piece.part.size > SEGMENT_BYTES


def too_large(piece: Piece) -> str | None:
    """Why an export that is read whole is not read."""
    if piece.profile.format == "csv" or piece.part.size <= WHOLE_MIB * 2**20:
        return None
    return (
        f"larger than {WHOLE_MIB} MiB when opened, the most that is read of a {piece.profile.format} export, as one is "
        "read whole; have it sent in smaller parts, or as CSV"
    )


def on_standard_time(profile: ExportProfile) -> ExportProfile:
    """The profile, of a clock that keeps standard time all year."""
    timestamp = profile.timestamp.model_copy(update={"spring_hour": STANDARD_TIME})
    return profile.model_copy(update={"timestamp": timestamp})


@dataclass
class Account:
    """What was written of an export's segments, and what is to be said of the whole."""

    size: int  # bytes of the whole
    seen: int = 0  # bytes so far
    rows_read: int = 0
    rows_ignored: int = 0
    rows_accepted: int = 0
    rejected: int = 0
    foreign: int = 0  # of them, rows of sites that the register does not have
    cells: int = 0
    first_foreign: str | None = None
    notes: list[str] = field(default_factory=list)
    reasons: list[pl.DataFrame] = field(default_factory=list)
    counts: list[pl.DataFrame] = field(default_factory=list)
    spring: pl.DataFrame = field(default_factory=lambda: FILES.to_frame())

    def add(self, found: Normalised, size: int, counts: pl.DataFrame) -> None:
        """Takes a segment in, whose rows were written."""
        file = found.files.row(0, named=True)
        self.seen += size
        self.rows_read += file["rows_read"]
        self.rows_ignored += file["rows_ignored"]
        self.rows_accepted += found.rows.height
        self.rejected += found.rejected.height
        foreign = found.rejected.filter(pl.col("reason") == NO_SITE)
        if self.foreign == 0 and foreign.height:
            self.first_foreign = foreign["value"][0]
        self.foreign += foreign.height
        self.cells += found.cells.height
        self.notes += [note for note in file["notes"] if note not in self.notes]
        self.reasons.append(by_reason(found.rejected.filter(pl.col("reason") != NO_SITE)))
        self.counts.append(counts)
        if self.spring.is_empty() and file["spring_hour"] is not None:
            self.spring = found.files

    def learn(self, files: pl.DataFrame) -> None:
        """Takes in what made the export be read again (FILES); nothing where it was not."""
        if files.height:
            self.spring = files
            self.notes += [note for note in files["notes"][0] if note not in self.notes]

    def refuse(self, profile: ExportProfile, *, is_whole: bool) -> None:
        """Raises RefusedError if nothing is to be taken in; of a part of the export, if that is certain by now."""
        bad, own = self.rejected - self.foreign, self.rows_read - self.foreign
        if is_whole and self.foreign and own == 0:
            raise RefusedError(no_known_site(profile, self.first_foreign))
        own_in_all = own if is_whole else own * max(1.0, self.size / max(1, self.seen))
        if (is_mostly(bad, own) and is_whole) or bad > MAX_SHARE * own_in_all:
            counted = pl.concat(self.reasons).group_by("reason", maintain_order=True).agg(
                pl.col("count").sum(), pl.col("line", "column_name", "value").first()
            )  # fmt: skip
            raise RefusedError(reason_of(counted, own))

    def file(self) -> pl.DataFrame:
        """FILES of the whole, with `rejected`."""
        spring = self.spring.row(0, named=True) if self.spring.height else {}
        row = {
            "file_no": 0, "rows_read": self.rows_read, "rows_ignored": self.rows_ignored, "quarantine": None,
            "notes": self.notes, "spring_hour": spring.get("spring_hour"),
            "spring_hour_proof": spring.get("spring_hour_proof"),
            "spring_hour_sites": spring.get("spring_hour_sites", []),
        }  # fmt: skip
        return pl.DataFrame([row], schema=FILES).with_columns(rejected=pl.lit(self.rejected, pl.Int64))

    def counted(self) -> pl.DataFrame:
        """[export_id, stored, unchanged, replaced] of the whole."""
        return pl.concat(self.counts).group_by("export_id").sum()


def write(
    store: Store, piece: Piece, entry: ledger.Entry, zones: Sequence[str], known: Intervals, normalise: Normalise
) -> Account:
    """Writes the rows of the export, segment by segment, under its entry. To be called in a transaction.

    Raises RefusedError, or StandardTimeError where it is to be done again: then the transaction must be rolled back.
    """
    profile = piece.profile
    account = Account(piece.part.size)
    is_fixed = profile.timestamp.spring_hour is not None
    is_given = profile.timestamp.interval_min is not None
    for found, size in _normalised(piece, zones, known, normalise, is_given=is_given):
        file = found.files.row(0, named=True)
        if file["quarantine"] is not None:
            raise RefusedError(file["quarantine"])
        if file["spring_hour"] is not None and not is_fixed and BY_DEFAULT in file["spring_hour_proof"]:
            raise RefusedError(NOT_DECIDED)
        if file["spring_hour"] == STANDARD_TIME and not is_fixed:
            raise StandardTimeError(found.files)
        counts = ledger.write_rows(store, found, profile.name, profile.counters(), [entry])
        account.add(found, size, counts)
        account.refuse(profile, is_whole=False)
    account.refuse(profile, is_whole=True)
    return account


def _normalised(
    piece: Piece, zones: Sequence[str], known: Intervals, normalise: Normalise, *, is_given: bool
) -> Iterator[tuple[Normalised, int]]:
    """Each segment's rows, under the lines of the whole, and its bytes."""
    try:
        for segment in segments(piece.part, piece.profile, zones):
            some = piece._replace(part=segment.part, is_segment=True)
            for _, found in known.normalised([some], normalise, is_given=is_given, refuse=lambda found: found):
                line = pl.col("line") + segment.lines_before
                yield (
                    found._replace(
                        rows=found.rows.with_columns(line),
                        rejected=found.rejected.with_columns(line),
                        cells=found.cells.with_columns(line),
                    ),
                    len(segment.part.data),
                )
    except UnreadableError as error:
        raise RefusedError(str(error)) from error
