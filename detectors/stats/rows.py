"""Rows in order, and some of them alone, without work where they are so already: readings pass many detectors."""

import polars as pl


def ordered(rows: pl.DataFrame, *keys: str) -> pl.DataFrame:
    """The rows sorted by `keys`, those of equal keys in their order; as they are where they stand so."""
    return rows if rows.is_sorted(*keys) else rows.sort(keys, maintain_order=True)


def among(rows: pl.DataFrame, wanted: pl.DataFrame) -> pl.DataFrame:
    """The rows, in their order, that are among `wanted` by all of its columns; as they are where all of them are."""
    own = wanted.columns
    if rows.select(own).unique().join(wanted, on=own, how="anti").is_empty():
        return rows
    return rows.join(wanted, on=own, how="semi", maintain_order="left")
