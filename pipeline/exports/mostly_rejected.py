"""Exports of which most rows were rejected: the profile no longer fits, and nothing of them is taken in."""

import polars as pl

from pipeline.counted import counted
from pipeline.exports.site_targets import NO_SITE
from pipeline.frames import Normalised

MAX_SHARE = 0.5  # ours: more bad rows than good ones is no accident of transmission
SHOWN_REASONS = 3


def refused(found: Normalised) -> Normalised:
    """The same, with a quarantine reason and without rows where most rows of a file were rejected.

    Rows of sites that the register does not have do not count: an export of a whole portfolio is read for some of it.
    """
    rejected = found.rejected.group_by("file_no").agg(
        every=pl.len().cast(pl.Int64), foreign=(pl.col("reason") == NO_SITE).sum().cast(pl.Int64)
    )
    counts = found.files.join(rejected, on="file_no").with_columns(
        bad=pl.col("every") - pl.col("foreign"), own=pl.col("rows_read") - pl.col("foreign")
    )
    mostly_bad = counts.filter(pl.col("quarantine").is_null() & (pl.col("bad") > MAX_SHARE * pl.col("own")))
    if mostly_bad.is_empty():
        return found
    reasons = {
        number: reason_of(
            by_reason(found.rejected.filter((pl.col("file_no") == number) & (pl.col("reason") != NO_SITE))), own
        )
        for number, own in mostly_bad.select("file_no", "own").iter_rows()
    }
    gone = pl.col("file_no").is_in(list(reasons))
    files = found.files.with_columns(
        quarantine=pl.coalesce(
            pl.col("file_no").replace_strict(reasons, default=None, return_dtype=pl.String), "quarantine"
        )
    )
    return found._replace(
        files=files,
        rows=found.rows.filter(~gone),
        rejected=found.rejected.filter(~gone),
        cells=found.cells.filter(~gone),
        implausible=found.implausible.filter(~gone),
    )


def by_reason(rejected: pl.DataFrame) -> pl.DataFrame:
    """[reason, count, line, column_name, value]: how many rows of a file, and the first of them."""
    return rejected.group_by("reason", maintain_order=True).agg(
        pl.len().cast(pl.Int64).alias("count"), pl.col("line", "column_name", "value").first()
    )


def is_mostly(bad: int, own: int) -> bool:
    """Whether so many rejected rows, of all those of known sites, are more than an accident."""
    return bad > MAX_SHARE * own


def reason_of(reasons: pl.DataFrame, rows: int) -> str:
    """How many rows of so many, why, and the first of them; `reasons` as `by_reason` gives it."""
    said = []
    for reason, count, line, column, value in reasons.sort("count", descending=True, maintain_order=True).head(
        SHOWN_REASONS
    ).iter_rows():  # fmt: skip
        where = f"line {line}" + (f", column '{column}'" if column else "") + (f": {value!r}" if value else "")
        said.append(f"{count} x {reason} (first in {where})")
    return (
        f"{reasons['count'].sum()} of {counted(rows, 'row')} would be rejected, so none was taken in: "
        f"{'; '.join(said)}; "
        "fix the profile, or have the file sent again"
    )
