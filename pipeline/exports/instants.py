"""When each row was: from the text of its stamp to UTC, and how long its interval is."""

from collections import defaultdict
from collections.abc import Callable, Mapping
from functools import partial
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.counted import counted
from pipeline.exports.rejects import Ledger
from pipeline.exports.spring_hour import STANDARD_TIME, SpringHours, note
from pipeline.exports.stamps import FIRST_YEAR, LAST_YEAR, Stamps, parse
from pipeline.profiles.model import ExportProfile, Timestamp
from pipeline.timezones.clock_changes import AMBIGUOUS, NONEXISTENT
from pipeline.timezones.conversion import to_utc, to_utc_standard
from pipeline.timezones.zones import fixed_offset_s

US = 1_000_000
INTERVAL_MAX_S = 86_400  # ours: two readings more than a day apart are a gap, not an interval
NO_INTERVAL = "interval length can't be known from one row; set interval_min in the profile"


class Rows(NamedTuple):
    """What a batch's rows belong to, as arrays that run alongside the sheet."""

    file_no: np.ndarray
    target: np.ndarray  # row of the targets frame; -1 = unknown
    order_of: np.ndarray  # number of the file, site, device (and metric, in a long export): one order of stamps each
    series: np.ndarray  # number of the file, site and device


def read_stamps(text: pl.Series, timestamp: Timestamp, ledger: Ledger) -> Stamps:
    """Stamps of all rows; those that are none, or none that can be right, are rejected."""
    stamps = parse(text, timestamp.format)
    column = " ".join(timestamp.columns)
    if not stamps.is_stamp.all():
        empty = (text.is_null() | (text.str.strip_chars() == "")).to_numpy()
        ledger.reject(empty, column, text, "no time stamp")
        ledger.reject(~stamps.is_stamp, column, text, f"not a time of the form {timestamp.format}")
    odd = (stamps.year < FIRST_YEAR) | (stamps.year > LAST_YEAR)
    if (odd & ledger.alive).any():
        years = pl.Series(stamps.year).cast(pl.String)
        reason = pl.select("the year " + years + f" is outside {FIRST_YEAR}-{LAST_YEAR}").to_series()
        ledger.reject(odd, column, text, reason)
    if timestamp.is_epoch:
        return stamps
    if timestamp.zone == "in value":
        remedy = "no offset in the stamp; name the zone in the profile"
        ledger.reject(~stamps.has_offset, column, text, remedy)
    elif stamps.has_offset.any():
        agrees = (stamps.offset_s == 0) & (fixed_offset_s(timestamp.zone) == 0)
        remedy = 'the stamp has an offset of its own; set zone = "in value" in the profile'
        ledger.reject(stamps.has_offset & ~agrees, column, text, remedy)
    return stamps


def to_instants(
    stamps: Stamps,
    text: pl.Series,
    rows: Rows,
    profile: ExportProfile,
    zones: list[str],
    ledger: Ledger,
    notes: defaultdict[int, list[str]],
    is_filled: Callable[[np.ndarray], np.ndarray],
    spring: SpringHours,
) -> np.ndarray:
    """UTC microseconds of the stamps (0 where rejected).

    `zones` are the targets' export zones; `is_filled` says which of some rows hold any value; `spring` chooses how
    files are read that hold the missing spring hour.
    """
    timestamp = profile.timestamp
    utc_us = np.zeros(len(text), np.int64)
    alive = np.flatnonzero(ledger.alive)
    if timestamp.zone == "in value":
        utc_us[alive] = stamps.wall_us[alive] - stamps.offset_s[alive] * US
        return utc_us
    if timestamp.zone == "export_timezone":
        names = sorted(set(zones))
        places = {name: place for place, name in enumerate(names)}
        codes = np.array([places[zone] for zone in zones], np.int32)[rows.target[alive]]
    else:
        names, codes = [timestamp.zone], np.zeros(len(alive), np.int32)
    status = np.zeros(len(text), np.uint8)
    present = np.unique(codes)
    for code in present:
        of_zone = alive if len(present) == 1 else alive[codes == code]
        if spring.fixed == STANDARD_TIME:
            utc_us[of_zone] = to_utc_standard(stamps.wall_us[of_zone], names[code])
            spring.note_fixed(np.unique(rows.file_no[of_zone]), names[code])
            continue
        converted = to_utc(
            stamps.wall_us[of_zone],
            names[code],
            rows.order_of[of_zone],
            rows.file_no[of_zone],
            has_end_labels=timestamp.marks == "interval end",
            is_filled=partial(_at, is_filled, of_zone),
            is_standard=partial(_chosen, spring, of_zone, stamps.wall_us),
        )
        utc_us[of_zone], status[of_zone] = converted
    if status.any():
        ledger.reject(status == NONEXISTENT, " ".join(timestamp.columns), text, "no such local time")
        _note(status, rows.file_no, notes)
    if spring.fixed is None:
        for number, choice in spring.found.items():
            notes[number].append(note(choice))
    return utc_us


def _chosen(
    spring: SpringHours,
    of_zone: np.ndarray,
    wall_us: np.ndarray,
    number: int,
    places: np.ndarray,
    low_us: np.ndarray,
    high_us: np.ndarray,
) -> bool:
    rows = of_zone[places]
    return spring.is_standard(number, rows, wall_us[rows], low_us, high_us)


def _at(is_filled: Callable[[np.ndarray], np.ndarray], rows: np.ndarray, places: np.ndarray) -> np.ndarray:
    return is_filled(rows[places])


def _note(status: np.ndarray, file_no: np.ndarray, notes: defaultdict[int, list[str]]) -> None:
    for number, count in zip(*np.unique(file_no[status == AMBIGUOUS], return_counts=True), strict=True):
        readings = counted(int(count), "reading")
        notes[int(number)].append(f"{readings} in the repeated hour could not be told apart, taken as the first pass")


def intervals(
    utc_us: np.ndarray,
    rows: Rows,
    timestamp: Timestamp,
    keys: list[tuple[str, str]],
    known_interval_s: Mapping[tuple[str, str], int],
    stamp_text: pl.Series,
    ledger: Ledger,
) -> np.ndarray:
    """Seconds of each row's interval; rows whose interval can't be known are rejected.

    From the profile; else the most frequent step between distinct stamps of the same file, site and device; else the
    most frequent one among the file's other sites; else what is known of the site (`keys`: of each target). A step
    that comes once and is several times the known interval is a gap between two readings.
    """
    if timestamp.interval_min is not None:
        return np.full(len(utc_us), max(1, round(timestamp.interval_min * 60)), np.int32)
    interval_s = np.zeros(len(utc_us), np.int32)
    alive = np.flatnonzero(ledger.alive)
    if len(alive) == 0:
        return interval_s
    numbers, own = np.unique(rows.series[alive], return_inverse=True)
    own_s, times = _usual_steps(utc_us[alive], own, len(numbers))
    if (unclear := np.flatnonzero(times <= 1)).size:
        first = np.zeros(len(numbers), np.int64)
        first[own[::-1]] = alive[::-1]
        known_s = {number: known_interval_s.get(keys[rows.target[first[number]]], 0) for number in unclear}
        by_file: defaultdict[int, list[int]] = defaultdict(list)
        for number in np.flatnonzero(own_s):
            by_file[int(rows.file_no[first[number]])].append(int(own_s[number]))
        for number, known in known_s.items():
            if own_s[number] == 0:
                others = by_file[int(rows.file_no[first[number]])]
                own_s[number] = max(sorted(set(others)), key=others.count) if others else known
            elif known and own_s[number] % known == 0:
                own_s[number] = known
    interval_s[alive] = own_s[own]
    ledger.reject(interval_s == 0, " ".join(timestamp.columns), stamp_text, NO_INTERVAL)
    return interval_s


def _usual_steps(utc_us: np.ndarray, series: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """For each series (from 0) the most frequent step between its distinct stamps, s (0 = none), and how often."""
    step, same = np.diff(utc_us), np.diff(series)
    if not ((same > 0) | ((same == 0) & (step > 0))).all():
        order = np.lexsort((utc_us, series))
        utc_us, series = utc_us[order], series[order]
        step, same = np.diff(utc_us), np.diff(series)
    step_s = (step + US // 2) // US
    counts = (same == 0) & (step_s > 0) & (step_s <= INTERVAL_MAX_S)
    step_s, of = step_s[counts], series[1:][counts]
    usual, often = np.zeros(count, np.int32), np.zeros(count, np.int64)
    if len(step_s) == 0:
        return usual, often
    if step_s.min() == step_s.max():
        usual[of] = step_s[0]
        return usual, np.bincount(of, minlength=count)
    pairs, times = np.unique(of * (INTERVAL_MAX_S + 1) + step_s, return_counts=True)
    best = np.lexsort((-pairs, times))  # the last one written wins: the most frequent, among equals the shortest
    number, step_s = np.divmod(pairs[best], INTERVAL_MAX_S + 1)
    usual[number], often[number] = step_s, times[best]
    return usual, often
