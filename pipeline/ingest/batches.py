"""How much is taken in at once: files of a transaction, and bytes that are read together."""

from collections.abc import Callable, Iterable, Iterator, Sequence

from pipeline.ingest.arrivals import Arrival
from pipeline.ingest.model import Piece

BATCH_BYTES = 64 * 2**20  # ours: on disk
AT_ONCE_BYTES = 16 * 2**20  # ours: opened; what is read at once decides the memory that a run takes, some 25 times it


def bytes_of(pieces: Iterable[Piece]) -> int:
    """How many bytes the pieces hold in memory."""
    return sum(len(piece.part.data) for piece in pieces)


def portions(pieces: Sequence[Piece]) -> Iterator[list[Piece]]:
    """Runs of pieces of at most AT_ONCE_BYTES, or of one piece."""
    portion: list[Piece] = []
    size = 0
    for piece in pieces:
        size += piece.part.size
        if portion and size > AT_ONCE_BYTES:
            yield portion
            portion, size = [], piece.part.size
        portion.append(piece)
    if portion:
        yield portion


def batches(ordered: Iterable[Arrival], max_files: int, is_alone: Callable[[Arrival], bool]) -> Iterator[list[Arrival]]:
    """Runs of arrivals of at most so many files, and of BATCH_BYTES or one file more; those for which `is_alone` holds
    come one by one.
    """
    batch: list[Arrival] = []
    size = 0
    for arrival in ordered:
        if is_alone(arrival):
            if batch:
                yield batch
            yield [arrival]
            batch, size = [], 0
            continue
        size += arrival.path.stat().st_size if arrival.path.exists() else 0
        batch.append(arrival)
        if len(batch) >= max_files or size >= BATCH_BYTES:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch
