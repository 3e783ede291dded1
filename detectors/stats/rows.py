"""Rows in order, and some of them alone, without work where they are so already: readings pass many detectors."""

import polars as pl


def ordered(rows: pl.DataFrame, *keys: str) -> pl.DataFrame:
    """The rows sorted by `keys`; as they are where they stand so, which is known at a tenth of a sort's cost.

    Nulls among the keys come first, as in a sort. Rows of equal keys keep their order.
    """
    former, later = rows.head(-1).select(keys), rows.tail(-1).select(keys)
    stands = pl.Series([True]).new_from_index(0, later.height)
    for key in reversed(keys):
        stands = (former[key] < later[key]) | ((former[key] == later[key]) & stands)
    return rows if stands.fill_null(False).all() else rows.sort(keys, maintain_order=True)


def among(rows: pl.DataFrame, wanted: pl.DataFrame) -> pl.DataFrame:
    """The rows, in their order, that are among `wanted` by all of its columns; as they are where all of them are."""
    own = wanted.columns
    if rows.select(own).unique().join(wanted, on=own, how="anti").is_empty():
        return rows
    return rows.join(wanted, on=own, how="semi", maintain_order="left")
