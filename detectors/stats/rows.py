"""Rows in order, and some of them alone, without work where they are so already: readings pass many detectors."""

import numpy as np
import polars as pl


def ordered(rows: pl.DataFrame, *keys: str) -> pl.DataFrame:
    """The rows sorted by `keys`, those of equal keys in their order; as they are where they stand so."""
    return rows if rows.is_sorted(*keys) else rows.sort(keys, maintain_order=True)


def last_rows(rows: pl.DataFrame) -> pl.DataFrame:
    """The last row by `day` of each site, by site_id."""
    rows = ordered(rows, "site_id", "day")
    return rows.filter((pl.col("site_id") != pl.col("site_id").shift(-1)).fill_null(True))


def among(rows: pl.DataFrame, wanted: pl.DataFrame) -> pl.DataFrame:
    """The rows, in their order, that are among `wanted` by all of its columns; as they are where all of them are."""
    own = wanted.columns
    if rows.select(own).unique().join(wanted, on=own, how="anti").is_empty():
        return rows
    return rows.join(wanted, on=own, how="semi", maintain_order="left")


def with_sites(rows: pl.DataFrame, about: pl.DataFrame) -> pl.DataFrame:
    """The rows, in their order, of the sites that `about` has one row of each, with its columns beside them.

    As an inner join: but where rows of a site stand together, it is looked up once for all of them.
    """
    place = _places(rows, about, "site_id")
    known = place.is_not_null()
    rows, place = (rows, place) if known.all() else (rows.filter(known), place.drop_nulls())
    return rows.with_columns(about.drop("site_id").select(pl.all().gather(place)).get_columns())


def with_units(rows: pl.DataFrame, about: pl.DataFrame) -> pl.DataFrame:
    """The rows with the columns of `about`, which has one row per `unit`, beside them; null where it has none."""
    return rows.with_columns(about.drop("unit").select(pl.all().gather(_places(rows, about, "unit"))).get_columns())


def _places(rows: pl.DataFrame, about: pl.DataFrame, key: str) -> pl.Series:
    """Where in `about` each row's `key` stands; null = it does not."""
    runs = rows.select(pl.col(key).rle()).unnest(key)
    numbered = about.select(value=key).with_row_index("place")
    found = runs.join(numbered, on="value", how="left", maintain_order="left")
    return found["place"].gather(pl.Series(np.repeat(np.arange(found.height), found["len"].to_numpy())))
