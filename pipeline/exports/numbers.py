"""From text cells to numbers, strictly: what is not plainly a number is said to be none."""

from collections.abc import Iterable

import numpy as np
import polars as pl

NOT_A_NUMBER = "not a number"


def to_numbers(text: pl.Series, decimal: str, missing: Iterable[str]) -> tuple[pl.Series, np.ndarray | None]:
    """Float64 (null where the cell is missing or no number), and where it is no number (None: nowhere).

    A number is an optional sign, ASCII digits with at most one decimal mark, and an optional exponent: not `NaN`,
    `inf`, `1_000`, `' 5 '`, `1.234,5`. The empty cell is missing, as is every text in `missing`. Cells that are floats
    already, as JSON's can be, need only be finite.
    """
    tokens = sorted({"", *missing})
    if text.dtype == pl.Float64:
        is_number = text.is_finite().fill_null(True)
        bad_number = None if is_number.all() else ~is_number.to_numpy()
        return text if bad_number is None else pl.select(pl.when(is_number).then(text)).to_series(), bad_number
    plain = text
    has_point: np.ndarray | None = None
    if decimal != ".":
        if (points := text.str.contains(".", literal=True).fill_null(False)).any():
            has_point = points.to_numpy()
        plain = text.str.replace(decimal, ".", literal=True)
    values = plain.cast(pl.Float64, strict=False)
    bad = values.is_null().to_numpy() if values.null_count() else np.zeros(len(values), bool)
    if not values.is_finite().all():
        bad = bad | ~values.is_finite().fill_null(False).to_numpy()
    if has_point is not None:
        bad = bad | has_point
    numeric_tokens = pl.Series([t.replace(decimal, ".") for t in tokens]).cast(pl.Float64, strict=False)
    is_missing: np.ndarray | None = None
    if bad.any() or numeric_tokens.is_not_null().any():
        is_missing = (text.is_null() | text.is_in(tokens)).to_numpy()
        bad = bad & ~is_missing
    if bad.any() or (is_missing is not None and numeric_tokens.is_not_null().any()):
        void = bad if is_missing is None else bad | is_missing
        values = pl.select(pl.when(pl.Series(~void)).then(values)).to_series()
    if not values.is_finite().all():  # a token such as NaN
        values = pl.select(pl.when(values.is_finite()).then(values)).to_series()
    return values, bad if bad.any() else None
