"""Rows that can't be kept: the frame of them, and the ledger in which a batch's rows are rejected."""

import numpy as np
import polars as pl

RAW_MAX = 2_000  # characters of a rejected row that are kept


def capped(text: pl.Expr) -> pl.Expr:
    """The first RAW_MAX characters."""
    return text.str.head(RAW_MAX)


class Ledger:
    """Which rows of a frame are rejected, and why; the first fault of a row is the one that counts."""

    def __init__(self, rows: int) -> None:
        self.alive = np.ones(rows, bool)
        self._faults: list[pl.DataFrame] = []

    def reject(self, bad: np.ndarray, column: str | None, value: pl.Series | None, reason: str | pl.Series) -> None:
        """Reject the rows where `bad` holds; `value` and a `reason` per row run over all rows."""
        rejected = np.flatnonzero(bad & self.alive)
        if len(rejected) == 0:
            return
        self.alive[rejected] = False
        self._faults.append(fault_frame(rejected, column, value, reason))

    def faults(self) -> pl.DataFrame:
        """[row, column_name, value, reason], one row per rejected row."""
        return pl.concat([FAULTS.to_frame(), *self._faults])


FAULTS = pl.Schema({"row": pl.Int64, "column_name": pl.String, "value": pl.String, "reason": pl.String})


def fault_frame(rows: np.ndarray, column: str | None, value: pl.Series | None, reason: str | pl.Series) -> pl.DataFrame:
    """FAULTS of some rows (their places); `value` and a `reason` per row run over all rows of the batch."""
    count = len(rows)
    return pl.DataFrame(
        {
            "row": pl.Series(rows, dtype=pl.Int64),
            "column_name": pl.Series([column] * count, dtype=pl.String),
            "value": pl.Series([None] * count, dtype=pl.String)
            if value is None
            else value.gather(rows).cast(pl.String).rename("value"),
            "reason": pl.Series([reason] * count, dtype=pl.String)
            if isinstance(reason, str)
            else reason.gather(rows).rename("reason"),
        }
    ).with_columns(capped(pl.col("value")))
