"""Readings of any interval summed up to the quarter hours of the UTC day, by arrays."""

from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.stats.robust import Array

QUARTERS = 96
QUARTER_S = 900


class Quarters:
    """Where each reading lies: `row` (a site-day), quarter hour and seconds, one piece per quarter hour it covers.

    Methods take values by reading and give [rows, 96]; NaN where nothing is known.
    """

    def __init__(self, row: NDArray[np.intp], start_s: NDArray[np.int64], interval_s: NDArray[np.int64], rows: int):
        """`start_s` is in seconds since 1970, `rows` the number of site-days."""
        end_s = start_s + interval_s
        first, last = start_s // QUARTER_S, (end_s - 1) // QUARTER_S
        counts = last - first + 1
        self._of: NDArray[np.intp] | None = None  # reading of each piece; None: one piece each
        if (counts > 1).any():
            of = np.repeat(np.arange(len(row)), counts)
            first = first[of] + np.arange(len(of)) - np.repeat(np.cumsum(counts) - counts, counts)
            row, start_s, end_s = row[of], start_s[of], end_s[of]
            self._of = of
        seconds = np.minimum(end_s, (first + 1) * QUARTER_S) - np.maximum(start_s, first * QUARTER_S)
        self._s = seconds.astype(np.float64)
        self._key = row * QUARTERS + first % QUARTERS
        self._size, self._shape = rows * QUARTERS, (rows, QUARTERS)

    def _by_piece(self, values: NDArray[Any]) -> NDArray[Any]:
        return values if self._of is None else values[self._of]

    def _sum(self, values: Array) -> Array:
        return np.bincount(self._key, values, self._size).astype(np.float64).reshape(self._shape)

    def mean(self, values: Array, where: NDArray[np.bool_] | None = None) -> Array:
        """Means over the quarter hours of the values that are known, and for which `where` holds."""
        value = self._by_piece(values)
        known = np.isfinite(value) if where is None else np.isfinite(value) & self._by_piece(where)
        weight = np.where(known, self._s, 0.0)
        total = self._sum(weight)
        summed = self._sum(np.where(known, value, 0.0) * weight)
        return np.where(total > 0, summed / np.maximum(total, 1e-9), np.nan)

    def share_pct(self, where: NDArray[np.bool_]) -> Array:
        """% of the quarter hour for which `where` holds, 0 to 100."""
        return np.clip(self._sum(self._s * self._by_piece(where)) * (100 / QUARTER_S), 0, 100)

    def lowest(self, values: Array, where: NDArray[np.bool_]) -> Array:
        """The lowest known value for which `where` holds."""
        value = self._by_piece(values)
        known = np.isfinite(value) & self._by_piece(where)
        minima = np.full(self._size, np.inf)
        np.minimum.at(minima, self._key[known], value[known])
        return np.where(np.isfinite(minima), minima, np.nan).reshape(self._shape)


def to_lists(values: Array, has_values: NDArray[np.bool_]) -> pl.Series:
    """[rows, 96] as a list column of whole numbers; null rows where `has_values`, [rows], does not hold."""
    whole = pl.Series(np.rint(values[has_values]).ravel()).fill_nan(None).cast(pl.Int32)
    lists = whole.reshape((int(has_values.sum()), QUARTERS)).cast(pl.List(pl.Int32()))
    place = np.where(has_values, np.cumsum(has_values) - 1, -1)
    return lists.gather(pl.Series(place, dtype=pl.Int64).replace(-1, None))


def table(frame: pl.DataFrame, name: str) -> Array:
    """A list column as [rows, 96]; NaN where it has nothing."""
    values = np.full((frame.height, QUARTERS), np.nan)
    lists = frame[name]
    is_some = ~np.isnan(lists.list.len().cast(pl.Float64).to_numpy())
    if is_some.any():
        values[is_some] = lists.drop_nulls().explode().cast(pl.Float64).to_numpy().reshape(-1, QUARTERS)  # null is NaN
    return values
