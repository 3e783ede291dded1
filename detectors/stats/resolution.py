"""A meter's resolution as its values show it: the largest step of which all differences between them are multiples."""

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.stats.robust import Array

MIN_VALUES = 3  # two values have one difference, which agrees with itself
AGREEMENT = 0.95  # ours: so many of the differences must be whole multiples of the smallest one
SLACK = 0.02  # ours: room for rounding in the export
DIGITS = 4  # an export's decimals; what is finer comes of arithmetic
PARTS = (1, 2, 3, 4, 5)  # ours: with few values the smallest difference may be some steps, five at the most
MANY_VALUES = 8  # ours: of six differences and more, chance makes 95 % whole multiples once in a million
SAME = 1e-6  # powers from counters differ in the last bits


def resolutions(rows: pl.DataFrame, by: Sequence[str], channel: str, *, min_values: int = MIN_VALUES) -> pl.DataFrame:
    """[*by, resolution, distinct] of a channel in each group of rows, in the channel's unit.

    The smallest difference, or a whole part of it where enough values show that; 0 = the values keep to no common
    step; null = fewer than `min_values` distinct values, which show none.
    """
    level = pl.col(channel).round(DIGITS).alias("level")
    # Group by group takes half the time of unique rows, sorted.
    groups = (
        rows.select(*by, level).filter(pl.col("level").is_finite()).group_by(by).agg(pl.col("level").unique().sort())
    )
    distinct = groups["level"].list.len().cast(pl.Int64)
    step = pl.Series("resolution", _steps(groups["level"].explode().to_numpy(), distinct.to_numpy()), dtype=pl.Float64)
    return groups.select(*by, resolution=pl.when(distinct >= min_values).then(step), distinct=distinct)


def resolution_of(values: pl.Series) -> float | None:
    """The same of one group's values."""
    level = values.round(DIGITS)
    level = level.filter(level.is_finite()).unique().sort()
    return float(_steps(level.to_numpy(), np.array([len(level)]))[0]) if len(level) >= MIN_VALUES else None


def _steps(level: Array, distinct: NDArray[np.int64]) -> Array:
    """The resolution of each group of levels, all of them in a row: group by group, in order of their size.

    The smallest difference, or the first part of it that the other differences and the number of levels let stand.
    """
    begins = np.cumsum(distinct) - distinct
    gap = np.diff(level, prepend=np.nan)
    gap[begins] = np.nan
    gap[~(gap > SAME)] = np.nan
    min_gap = np.fmin.reduceat(gap, begins) if len(begins) else np.empty(0)
    steps, is_open = np.zeros(len(begins)), np.isfinite(min_gap)
    is_gap, multiple = np.isfinite(gap), gap / np.repeat(min_gap, distinct)
    for part in PARTS:
        if not is_open.any():
            break
        off = np.abs(multiple * part - np.rint(multiple * part))
        agreeing = np.add.reduceat((~is_gap | (off <= SLACK)).astype(np.int64), begins) / distinct
        is_found = is_open & (agreeing >= AGREEMENT) & ((distinct >= MANY_VALUES) | (part == 1))
        steps[is_found] = min_gap[is_found] / part
        is_open &= ~is_found
    return steps
