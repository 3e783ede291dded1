"""Rows in order, without sorting what stands in order already: readings come so, and pass many detectors."""

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
