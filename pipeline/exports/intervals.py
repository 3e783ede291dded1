"""What exports tell of their interval, and which exports must wait for that.

An export of one or two rows cannot tell how long an interval is; it is then that of the last export before it which
could. So that the history does not hang on how many files are read at once, a batch is cut where such an export
follows, in the same batch, the one that tells.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import TypeVar

import polars as pl

from pipeline.exports.instants import NO_INTERVAL
from pipeline.exports.mostly_rejected import refused
from pipeline.frames import Normalised

CLEAR_STEPS = 2  # as in normalise: a step that comes once may be a gap
SERIES = ["site_id", "device_id"]
P = TypeVar("P")
Known = Mapping[tuple[str, str], int]


class Intervals:
    """(site, device) -> interval in s, learned file by file."""

    def __init__(self, known: Known) -> None:
        self.known = dict(known)
        self._news: dict[tuple[str, str], int] = {}

    def take_news(self) -> dict[tuple[str, str], int]:
        """What was learned since the last call and is not as it was."""
        news, self._news = self._news, {}
        return news

    def branch(self) -> "Intervals":
        """What is known, to be learned on from a file that may be refused as a whole; `adopt` takes that back in."""
        return Intervals(self.known)

    def adopt(self, branch: "Intervals") -> None:
        """Takes in what a branch has learned."""
        news = branch.take_news()
        self.known |= news
        self._news |= news

    def normalised(
        self,
        pieces: Sequence[P],
        normalise: Callable[[list[P], Known], Normalised],
        *,
        is_given: bool,
        refuse: Callable[[Normalised], Normalised] = refused,
    ) -> Iterator[tuple[list[P], Normalised]]:
        """Runs of pieces and what became of them, each read with all that the pieces before it told.

        `is_given`: their profile names the interval, so that none of them has to wait. `refuse` sets those aside of
        which nothing is to be taken in.
        """
        waiting = list(pieces)
        while waiting:
            found = normalise(waiting, self.known)
            intervals = _intervals(found).with_columns(is_clear=pl.col("is_clear") | is_given)
            count = self._first_that_waits(found, intervals)
            if count is not None:
                del found  # not beside the next one: it may be large
                found = normalise(waiting[:count], self.known)
                intervals = intervals.filter(pl.col("file_no") < count)
            found = refuse(found)  # only now: what was rejected for want of an interval had its chance
            gone = found.files.filter(pl.col("quarantine").is_not_null())["file_no"].to_list()
            self._learn(intervals.filter(~pl.col("file_no").is_in(gone)))
            count = len(waiting) if count is None else count
            yield waiting[:count], found
            waiting = waiting[count:]

    def _learn(self, intervals: pl.DataFrame) -> None:
        for _, site, device, interval_s, is_clear in intervals.iter_rows():
            if is_clear and self.known.get((site, device)) != interval_s:
                self.known[site, device] = self._news[site, device] = interval_s

    def _first_that_waits(self, found: Normalised, intervals: pl.DataFrame) -> int | None:
        """The first piece that would be read otherwise if those before it had been read before."""
        if intervals["is_clear"].all() and found.rejected.is_empty():
            return None
        lost = set(found.rejected.filter(pl.col("reason") == NO_INTERVAL)["file_no"])
        new: dict[tuple[str, str], int] = {}
        unsure = set(intervals.filter(~pl.col("is_clear"))["file_no"]) | lost
        by_file: dict[int, list[tuple[tuple[str, str], int, bool]]] = {}
        for number, site, device, interval_s, is_clear in intervals.iter_rows():
            by_file.setdefault(number, []).append(((site, device), interval_s, is_clear))
        for number in sorted(unsure | set(by_file)):
            mine = by_file.get(number, [])
            if new and number in unsure and (number in lost or any(key in new for key, _, clear in mine if not clear)):
                return number
            new.update((key, length) for key, length, clear in mine if clear and self.known.get(key) != length)
        return None


def _intervals(found: Normalised) -> pl.DataFrame:
    """[file_no, site_id, device_id, interval_s, is_clear] in the order of the files."""
    steps = (pl.col("ts_utc").diff().dt.total_seconds().abs() == pl.col("interval_s")).sum()
    return (
        found.rows.lazy()
        .group_by("file_no", *SERIES, maintain_order=True)
        .agg(pl.col("interval_s").first(), is_clear=steps >= CLEAR_STEPS)
        .sort("file_no", maintain_order=True)
        .collect()
    )


def together(found: Sequence[Normalised]) -> Normalised:
    """As if the files had been normalised at once: each of `found` holds one."""
    frames = []
    for place in range(len(Normalised._fields)):
        numbered = [one[place].with_columns(file_no=pl.lit(number, pl.Int32)) for number, one in enumerate(found)]
        frames.append(pl.concat([frame.select(one[place].columns) for frame, one in zip(numbered, found, strict=True)]))
    return Normalised(*frames)
