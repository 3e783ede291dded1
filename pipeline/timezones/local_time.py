"""Wall-clock time beside true time, for frames of many zones."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl

from pipeline.timezones.conversion import to_local, transitions

SET_BACK = timedelta(hours=2)  # ours: so long after midnight a clock may be put back to the day before


def add_local(frame: pl.DataFrame, *, instant: str = "ts_utc", name: str = "ts_local") -> pl.DataFrame:
    """The frame with the wall-clock time of `instant` in each row's own `timezone`."""
    if frame.is_empty():
        return frame.with_columns(pl.col(instant).dt.replace_time_zone(None).alias(name))
    stamps = frame[instant].dt.timestamp("us").to_numpy()
    names = frame["timezone"].unique().sort()
    codes = names.search_sorted(frame["timezone"]).to_numpy()
    local = stamps.copy()
    for code, zone in enumerate(names):
        mine = codes == code
        local[mine] = to_local(stamps[mine], zone)
    return frame.with_columns(pl.Series(name, local).cast(pl.Datetime("us")))


def utc_midnight(day: date) -> datetime:
    """00:00 UTC of the day."""
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def local_day_span(first: date, last: date, zone: str | None = None) -> tuple[datetime, datetime]:
    """True instants that enclose the local days of a zone, or of any (from -12 to +14 hours).

    Those of a zone end with the last instant that shows the date: a clock put back after midnight shows it again.
    """
    if zone is None:
        return utc_midnight(first) - timedelta(hours=15), utc_midnight(last) + timedelta(hours=39)
    return day_start(zone, first), _day_end(zone, last)


def _day_end(zone: str, day: date) -> datetime:
    """The instant from which on the wall clock shows later dates alone."""
    end = day_start(zone, day + timedelta(days=1))
    starts, offsets = transitions(zone)
    wall = int(utc_midnight(day + timedelta(days=1)).timestamp())
    after, until = np.searchsorted(starts, [int(end.timestamp()), int((end + SET_BACK).timestamp())], side="right")
    for place in range(int(after), int(until)):
        if int(starts[place]) + int(offsets[place]) < wall:
            end = datetime.fromtimestamp(wall - int(offsets[place]), UTC)
    return end


def day_hours(days: pl.DataFrame) -> pl.Series:
    """Length in hours (23 to 25, rarely else) of each row's local `day` in its `timezone`."""
    lengths = []
    cache: dict[tuple[str, date], float] = {}
    for zone, day in days.select("timezone", "day").iter_rows():
        if (zone, day) not in cache:
            cache[zone, day] = (day_start(zone, day + timedelta(days=1)) - day_start(zone, day)).total_seconds() / 3600
        lengths.append(cache[zone, day])
    return pl.Series("day_h", lengths, dtype=pl.Float64)


def day_start(zone: str, day: date) -> datetime:
    """The instant at which the local day begins: the first one whose wall clock shows that date or a later one."""
    starts, offsets = transitions(zone)
    wall = int(utc_midnight(day).timestamp())
    place = max(int(np.searchsorted(starts, wall - 50_400, side="right")) - 1, 0)
    while True:
        # Within this segment midnight is at wall - offset; before the segment begins, the segment's first instant.
        instant = max(wall - int(offsets[place]), int(starts[place]))
        if place + 1 >= len(starts) or instant < int(starts[place + 1]):
            return datetime.fromtimestamp(instant, UTC)
        place += 1
