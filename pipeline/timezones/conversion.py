"""Zones, and the way between wall clocks and UTC.

A zone is a table of offset changes of the pinned database (`zones`); conversions look rows up in it with searchsorted,
so a million rows cost what a few thousand calls of zoneinfo would.
"""

import struct
from collections.abc import Callable
from datetime import UTC, datetime, timedelta, tzinfo
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.timezones.clock_changes import (
    DAYLIGHT_STEP_MAX_US,
    FOLD_1,
    NONEXISTENT,
    STANDARD,
    runs_through,
    settle_repeated,
)
from pipeline.timezones.zones import file_of, fixed_offset_s, tzinfo_of

FIRST_YEAR, LAST_YEAR = 1970, 2100
US = 1_000_000
FILLED_SHARE = 0.5  # ours: of the rows in a nonexistent hour that must hold values to prove that the clock ran through
SUMMER_MAX_S = (
    300 * 86_400
)  # ours: daylight saving lasts 7 to 8 months; Morocco's 11 months between two Ramadans are none
PROBE = timedelta(days=28)  # ours: the rules that zones follow after their last listed change hold for months
# (file, places of its rows, low and high edges of the nonexistent hours, wall clock us) -> on standard time all year?
IsStandard = Callable[[int, np.ndarray, np.ndarray, np.ndarray], bool]


class Transitions(NamedTuple):
    """From `from_utc_s[i]` on, the zone is `offset_s[i]` seconds ahead of UTC; the first row opens the table."""

    from_utc_s: np.ndarray  # int64, ascending
    offset_s: np.ndarray  # int32


@lru_cache(maxsize=1024)
def transitions(zone: str, first_year: int = FIRST_YEAR, last_year: int = LAST_YEAR) -> Transitions:
    """The offsets of a zone (or of `utc`, `+05:30`) from 1 January of the first year to the end of the last one.

    Raises KeyError for a name that is no zone.
    """
    start_s = int(datetime(first_year, 1, 1, tzinfo=UTC).timestamp())
    if (fixed := fixed_offset_s(zone)) is not None:
        return Transitions(np.array([start_s], np.int64), np.array([fixed], np.int32))
    tz = tzinfo_of(zone)
    end = datetime(last_year + 1, 1, 1, tzinfo=UTC)
    changes = [s for s in _listed_changes(zone) if start_s < s < end.timestamp()]
    last = datetime.fromtimestamp(max([start_s, *changes]), UTC)
    changes += _ruled_changes(tz, last, end)
    from_s, offsets = [start_s], [_offset_s(tz, datetime.fromtimestamp(start_s, UTC))]
    for second in changes:
        offset = _offset_s(tz, datetime.fromtimestamp(second, UTC))
        if offset != offsets[-1]:
            from_s.append(second)
            offsets.append(offset)
    return Transitions(np.array(from_s, np.int64), np.array(offsets, np.int32))


def _offset_s(tz: tzinfo, instant: datetime) -> int:
    offset = instant.astimezone(tz).utcoffset()
    return 0 if offset is None else int(offset.total_seconds())


def _listed_changes(zone: str) -> list[int]:
    """The instants that the zone's TZif file lists (RFC 9636, the 64-bit block), s since 1970."""
    data = file_of(zone).read_bytes()
    counts = struct.unpack(">6L", data[20:44])
    isutc, isstd, leap, times, types, chars = counts
    second = 44 + times * 5 + types * 6 + chars + leap * 8 + isstd + isutc  # the 32-bit block is passed over
    times = struct.unpack(">6L", data[second + 20 : second + 44])[3]
    return list(struct.unpack(f">{times}q", data[second + 44 : second + 44 + 8 * times]))


def _ruled_changes(tz: tzinfo, since: datetime, end: datetime) -> list[int]:
    """The changes after the last listed one, which follow from the zone's rule: by halving the spans that hold one."""
    changes = []
    at, offset = since, _offset_s(tz, since)
    while at < end:
        later = min(at + PROBE, end)
        if (now := _offset_s(tz, later)) != offset:
            low, high = int(at.timestamp()), int(later.timestamp())
            while high - low > 1:
                middle = (low + high) // 2
                if _offset_s(tz, datetime.fromtimestamp(middle, UTC)) == offset:
                    low = middle
                else:
                    high = middle
            changes.append(high)
        at, offset = later, now
    return changes


def to_local(ts_utc: np.ndarray | pl.Series, zone: str) -> np.ndarray:
    """Wall clock of `zone`, int64 microseconds, from UTC microseconds."""
    utc_us = ts_utc.to_physical().to_numpy() if isinstance(ts_utc, pl.Series) else ts_utc
    table = transitions(zone)
    place = np.searchsorted(table.from_utc_s * US, utc_us, side="right") - 1
    return utc_us + table.offset_s[np.maximum(place, 0)].astype(np.int64) * US


class Converted(NamedTuple):
    """UTC of wall-clock stamps, and what became of each (OK, FOLD_0, FOLD_1, AMBIGUOUS, NONEXISTENT, STANDARD)."""

    utc_us: np.ndarray  # int64; where NONEXISTENT, as if the clock had not been put forward
    status: np.ndarray  # uint8


def to_utc(
    local_us: np.ndarray,
    zone: str,
    series: np.ndarray | None = None,
    file: np.ndarray | None = None,
    *,
    has_end_labels: bool = False,
    is_filled: Callable[[np.ndarray], np.ndarray] | None = None,
    is_standard: IsStandard | None = None,
) -> Converted:
    """UTC of wall-clock microseconds, row by row in the file's order.

    `series` numbers the rows of one file, site and device (None: all are one), `file` those of one file (None: the
    series). The repeated hour is settled by order (`clock_changes.settle_repeated`); AMBIGUOUS is read as fold
    0. A stamp in the nonexistent hour is NONEXISTENT. Where every series of a file that has stamps there runs evenly
    through, its clock either was put forward and the hour filled in, or stayed on the offset before the change:
    `is_standard` decides (None: the hour is filled), and if it stayed, all rows of the file are STANDARD.
    With `has_end_labels` a stamp is the instant at which its interval ended, so both edges of a nonexistent hour exist.
    `is_filled` says which of some rows (places) hold values: a nonexistent hour of empty rows, as a table of 24 hours a
    day has it, proves nothing about the clock.
    """
    table = transitions(zone)
    status = np.zeros(len(local_us), np.uint8)
    offset_us = table.offset_s.astype(np.int64) * US
    edges = table.from_utc_s[1:] * US
    low = edges + np.minimum(offset_us[:-1], offset_us[1:])
    high = edges + np.maximum(offset_us[:-1], offset_us[1:])
    if len(local_us) == 0 or (
        int(np.searchsorted(high, local_us.min(), side="left"))
        == (k := int(np.searchsorted(low, local_us.max(), side="right")))
        and (k == 0 or high[k - 1] < local_us.min())
    ):
        return Converted(local_us - (offset_us[k] if len(local_us) else 0), status)

    series = np.zeros(len(local_us), np.int64) if series is None else series
    file = series if file is None else file
    passed = np.searchsorted(high, local_us, side="right")
    begun = np.searchsorted(low, local_us, side="right")
    change = np.where(begun > passed, begun - 1, -1)
    puts_back = offset_us[1:] < offset_us[:-1]
    utc_us = local_us - offset_us[passed]
    if has_end_labels:
        at_high = (passed > 0) & (high[passed - 1] == local_us)
        change = np.where(at_high & puts_back[passed - 1], passed - 1, change)
        change = np.where((change >= 0) & ~puts_back[change] & (low[change] == local_us), -1, change)

    missing = (change >= 0) & ~puts_back[change]
    repeated = np.where((change >= 0) & puts_back[change], change, -1)
    if (rows := repeated >= 0).any():
        status = settle_repeated(local_us, series, repeated, low, high, has_end_labels=has_end_labels)
        side = np.where(status[rows] == FOLD_1, 1, 0)
        utc_us[rows] = local_us[rows] - offset_us[repeated[rows] + side]
    status[missing] = NONEXISTENT
    _read_spring_hour(
        local_us, offset_us, series, file, low, high, utc_us, status, has_end_labels, is_filled, is_standard
    )  # fmt: skip
    return Converted(utc_us, status)


def _read_spring_hour(
    local_us: np.ndarray,
    offset_us: np.ndarray,
    series: np.ndarray,
    file: np.ndarray,
    low: np.ndarray,
    high: np.ndarray,
    utc_us: np.ndarray,
    status: np.ndarray,
    has_end_labels: bool,
    is_filled: Callable[[np.ndarray], np.ndarray] | None,
    is_standard: IsStandard | None,
) -> None:
    """Change `utc_us` and `status` in place for the files whose stamps run through a nonexistent hour."""
    forward = np.flatnonzero(offset_us[1:] > offset_us[:-1])
    forward = forward[(low[forward] <= local_us.max()) & (high[forward] >= local_us.min())]
    through: dict[int, list[tuple[int, np.ndarray]]] = {}  # file -> (change, rows of a series that runs through it)
    refused: set[int] = set()
    for k in forward:
        there = (local_us >= low[k]) & (local_us <= high[k]) if has_end_labels else status == NONEXISTENT
        there &= (local_us >= low[k]) & (local_us <= high[k])
        if not there.any():
            continue
        rows = np.flatnonzero(np.isin(series, np.unique(series[there])))
        rows = rows[np.argsort(series[rows], kind="stable")]
        for of_one in np.split(rows, np.flatnonzero(np.diff(series[rows])) + 1):
            number = int(file[of_one[0]])
            stamps = local_us[of_one]
            within = of_one[(stamps >= low[k]) & (stamps <= high[k])]
            even = runs_through(stamps, int(low[k]), int(high[k]), has_end_labels=has_end_labels)
            if even and (is_filled is None or is_filled(within).mean() > FILLED_SHARE):
                through.setdefault(number, []).append((int(k), of_one))
            elif (status[of_one] == NONEXISTENT).any():
                refused.add(number)
    for number, found in through.items():
        if number in refused:
            continue
        rows = np.flatnonzero(file == number)
        changes = np.unique([k for k, _ in found])
        if is_standard is not None and is_standard(number, rows, low[changes], high[changes]):
            utc_us[rows] = local_us[rows] - offset_us[changes[0]]
            status[rows] = STANDARD
        elif (
            has_end_labels
        ):  # what ends with the nonexistent hour never was; the same instant is the end of the hour before
            for k, of_one in found:
                status[of_one[local_us[of_one] == high[k]]] = NONEXISTENT


def to_utc_standard(local_us: np.ndarray, zone: str) -> np.ndarray:
    """UTC of wall-clock microseconds of a clock that keeps the zone's standard time all year.

    Raises KeyError for a name that is no zone.
    """
    table = transitions(zone)
    offset_s = table.offset_s.astype(np.int64)
    put_forward = np.append(False, (np.diff(offset_s) > 0) & (np.diff(offset_s) * US <= DAYLIGHT_STEP_MAX_US))
    is_short = np.append(np.diff(table.from_utc_s) < SUMMER_MAX_S, False)
    put_back = np.append(np.diff(offset_s) < 0, False)
    is_summer = put_forward & put_back & is_short
    standard_s = np.where(is_summer, np.roll(offset_s, 1), offset_s)
    begins_us = table.from_utc_s * US + standard_s * US
    begins_us[0] = np.iinfo(np.int64).min
    place = np.searchsorted(begins_us, local_us, side="right") - 1
    return local_us - standard_s[place] * US
