"""Where rejected rows stand in their files, and what stood there."""

import polars as pl

from pipeline.exports.csv_cells import raw_lines
from pipeline.exports.json_cells import raw_records
from pipeline.exports.opening import ExportPart
from pipeline.exports.rejects import capped
from pipeline.frames import REJECTED
from pipeline.profiles.model import ExportProfile


def located(faults: pl.DataFrame, sheet: pl.DataFrame) -> pl.DataFrame:
    """REJECTED from faults of a sheet's rows."""
    where = sheet.select("file_no", "line", "raw")[faults["row"].to_numpy()]
    return where.hstack(faults.drop("row")).select(*REJECTED.names()).with_columns(capped(pl.col("raw")))


def with_raw(rejected: pl.DataFrame, parts: list[ExportPart], profile: ExportProfile) -> pl.DataFrame:
    """The rejects with their records or lines, which are looked up only now that few are wanted."""
    is_csv = profile.format == "csv"
    is_whole = rejected["raw"].null_count() == 0 if is_csv else profile.format != "json"
    if is_whole or rejected.is_empty():
        return rejected
    filled = []
    for (number,), of_file in rejected.group_by("file_no", maintain_order=True):
        texts = (
            raw_lines(parts[number], profile.csv, of_file.filter(pl.col("raw").is_null())["line"])
            if is_csv
            else raw_records(parts[number], profile, of_file["line"])
        )
        looked_up = pl.col("line").replace_strict(texts, default=None, return_dtype=pl.String)
        filled.append(of_file.with_columns(raw=pl.coalesce("raw", looked_up) if is_csv else looked_up))
    return pl.concat(filled)
