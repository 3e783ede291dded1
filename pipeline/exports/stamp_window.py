"""Which stamps can be right: within the life of the site, not after the export arrived, and near its other rows.

A logger whose clock was reset stamps the start of some year, and one bad date lies years ahead. Such a row is rejected
with its reason and noted for its site, so that no day is judged for its sake.
"""

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl

from pipeline.exports.instants import US, Rows
from pipeline.exports.rejects import Ledger

EARLY_DAYS = 366  # ours: a year of history before commissioning may be loaded, so that seasons are known
LATE_DAYS = 2  # ours: clocks in a wrong zone run up to 14 h fast, and the machine that takes in may be slow
APART_DAYS = 180  # ours: longer than any outage after which a logger would send what it had stored
APART_SHARE = 0.1  # ours: of the file's rows of the site; what most rows say is its time
DAY_US = 86_400 * US
REMEDY = "set the logger's clock and have the rows sent again"
TOO_EARLY = f"stamped more than {EARLY_DAYS} days before its site was commissioned; {REMEDY}, or fix commissioned_on"
TOO_LATE = f"stamped more than {LATE_DAYS} days after the export arrived; {REMEDY}"
GAP_DAYS = 2  # ours: a logger that was off sends what it stored; what lies further from its file's rows is looked at
STEPS_OFF = 2.0  # ours: rows that would fill the hole in the file but for their stamps: half to twice its length
RESET = (
    f"stamped more than {GAP_DAYS} days from its file's other rows, as by a clock that was reset; {REMEDY}, "
    "or in a file of their own if the stamps are right"
)
TOO_FAR = f"stamped more than {APART_DAYS} days from nearly all other rows of its site in the file; {REMEDY}"
IMPLAUSIBLE = pl.Schema(
    {
        "file_no": pl.Int32(),
        "site_id": pl.String(),
        "rows_count": pl.Int64(),
        "first_ts_export": pl.String(),  # the first of these stamps, as the export wrote it
        "near_utc": pl.Datetime(
            "us", "UTC"
        ),  # amid the last 24 h of the site's plausible stamps in the file, else of the file's
    }
)


class Window(NamedTuple):
    """What bounds the stamps of a batch."""

    commissioned_on: Sequence[date | None]  # of each target
    arrived_at: Sequence[datetime] | None  # of each file; None = not known
    is_taken: Callable[[int, datetime, datetime, bool], bool] | None = None
    # (target, first and last instant, in order?): whether the history speaks against rows of that span

    def earliest_us(self) -> np.ndarray:
        """The first plausible instant of each target, microseconds since 1970."""
        lowest = np.iinfo(np.int64).min
        return np.array([lowest if day is None else _us(day) - EARLY_DAYS * DAY_US for day in self.commissioned_on])

    def latest_us(self) -> np.ndarray:
        """The last plausible instant of each file."""
        assert self.arrived_at is not None
        return np.array([round(at.timestamp() * US) + LATE_DAYS * DAY_US for at in self.arrived_at], np.int64)


def _us(day: date) -> int:
    return round((datetime(day.year, day.month, day.day, tzinfo=UTC) - timedelta(days=1)).timestamp() * US)


def reject_implausible(
    utc_us: np.ndarray, rows: Rows, window: Window, column: str, text: pl.Series, ledger: Ledger
) -> np.ndarray:
    """Rejects the rows that can't be of their time; which they were, as a mask over all rows."""
    before = ledger.alive.copy()
    alive = np.flatnonzero(before)
    if len(alive) == 0:
        return before & False
    stamp_us = utc_us[alive]
    early, late = np.zeros(len(before), bool), np.zeros(len(before), bool)
    early[alive] = stamp_us < window.earliest_us()[rows.target[alive]]
    ledger.reject(early, column, text, TOO_EARLY)
    if window.arrived_at is not None:
        late[alive] = stamp_us > window.latest_us()[rows.file_no[alive]]
        ledger.reject(late, column, text, TOO_LATE)
    ledger.reject(_apart(utc_us, rows.series, ledger.alive), column, text, TOO_FAR)
    ledger.reject(_of_reset_clock(utc_us, rows, ledger.alive, window), column, text, RESET)
    return before & ~ledger.alive


def _apart(utc_us: np.ndarray, series: np.ndarray, alive: np.ndarray) -> np.ndarray:
    """Rows in a small group far from the others of their series."""
    apart = np.zeros(len(utc_us), bool)
    for group in _small_groups(utc_us, series, alive, APART_DAYS):
        apart[group] = True
    return apart


def _small_groups(utc_us: np.ndarray, series: np.ndarray, alive: np.ndarray, gap_days: int) -> list[np.ndarray]:
    """Places of rows that lie together, so far from the others of their series, and are few of them."""
    alive_rows = np.flatnonzero(alive)
    if len(alive_rows) == 0 or int(utc_us[alive_rows].max() - utc_us[alive_rows].min()) <= gap_days * DAY_US:
        return []
    order = alive_rows[np.lexsort((utc_us[alive_rows], series[alive_rows]))]
    is_other = np.diff(series[order]) != 0
    if not (~is_other & (np.diff(utc_us[order]) > gap_days * DAY_US)).any():
        return []
    begins = np.concatenate([[True], is_other | (np.diff(utc_us[order]) > gap_days * DAY_US)])
    group = np.cumsum(begins) - 1
    size = np.bincount(group)
    _, of_series = np.unique(series[order], return_inverse=True)
    is_small = size[group] < APART_SHARE * np.bincount(of_series)[of_series]
    return [order[group == number] for number in np.unique(group[is_small])]


def _of_reset_clock(utc_us: np.ndarray, rows: Rows, alive: np.ndarray, window: Window) -> np.ndarray:
    """Rows in a small group that stands amid a file's others, or at its end, and is stamped days away from them.

    Amid the others they would fill the hole that they leave in the file, but for their stamps. At an end the history
    is asked: rows that a logger had stored are of days that lack readings, and none are from before the site's first.
    """
    found = np.zeros(len(utc_us), bool)
    groups = _small_groups(utc_us, rows.series, alive, GAP_DAYS)
    if not groups:
        return found
    alive_rows = np.flatnonzero(alive)
    for group in groups:
        mine = alive_rows[
            rows.series[alive_rows] == rows.series[group[0]]
        ]  # of the file, site and device, in the file's order
        place = np.searchsorted(mine, [group.min(), group.max()])
        if place[1] - place[0] + 1 != len(group):
            continue  # rows of other times among them: the file is in no order that could tell
        before = int(utc_us[mine[place[0] - 1]]) if place[0] > 0 else None
        after = int(utc_us[mine[place[1] + 1]]) if place[1] + 1 < len(mine) else None
        first, last = utc_us[group].min(), utc_us[group].max()
        if before is not None and after is not None:
            low, high = min(before, after), max(before, after)
            usual = np.median(np.abs(np.diff(utc_us[mine])))
            hole = (high - low) / max(1.0, usual * (len(group) + 1))
            found[group] = not low <= first <= high and 1 / STEPS_OFF <= hole <= STEPS_OFF
        elif window.is_taken is not None and (before is not None or after is not None):
            runs = np.sign(np.median(np.diff(utc_us[mine])))
            at_end = before if before is not None else 0
            step = after - int(utc_us[group.max()]) if after is not None else int(utc_us[group.min()]) - at_end
            in_order = bool(step * runs >= 0)  # as rows before an outage are, which may come again
            span = [datetime.fromtimestamp(int(us) / US, UTC) for us in (first, last)]
            found[group] = window.is_taken(int(rows.target[group[0]]), span[0], span[1], in_order)
    return found


def implausible(
    rejected: np.ndarray, rows: Rows, site_ids: pl.Series, text: pl.Series, alive_rows: np.ndarray, utc_us: np.ndarray
) -> pl.DataFrame:
    """IMPLAUSIBLE of the rows `rejected`; `alive_rows` are the places of the rows that stay, `utc_us` their stamps.

    A file of which nothing stays tells no day: it has no row here.
    """
    places = np.flatnonzero(rejected)
    if len(places) == 0 or len(alive_rows) == 0:
        return IMPLAUSIBLE.to_frame()
    near = pl.DataFrame(
        {
            "file_no": rows.file_no[alive_rows],
            "site_id": site_ids.gather(rows.target[alive_rows]),
            "near_utc": pl.Series(utc_us[alive_rows]).cast(pl.Datetime("us", "UTC")),
        }
    )
    stamp = pl.col("near_utc")
    last_day = stamp.filter(stamp > stamp.max() - pl.duration(days=1)).median()
    own = near.group_by("file_no", "site_id").agg(last_day)
    of_file = near.group_by("file_no").agg(of_file=last_day)
    found = pl.DataFrame(
        {
            "file_no": rows.file_no[places],
            "site_id": site_ids.gather(rows.target[places]),
            "text": text.gather(places),
        }
    )
    return (
        found.group_by("file_no", "site_id", maintain_order=True)
        .agg(rows_count=pl.len().cast(pl.Int64), first_ts_export=pl.col("text").first())
        .join(own, on=["file_no", "site_id"], how="left", maintain_order="left")
        .join(of_file, on="file_no", how="inner", maintain_order="left")
        .with_columns(near_utc=pl.coalesce("near_utc", "of_file"))
        .select(IMPLAUSIBLE.names())
        .cast(IMPLAUSIBLE)
    )
