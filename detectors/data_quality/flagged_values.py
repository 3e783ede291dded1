"""Single values that were flagged, and the spans that they make."""

from collections.abc import Callable, Iterable

import polars as pl

from detectors.frames import NOT_GOOD, READING_FLAGS, TO_KNOW, UTC

OWN = ["site_id", "device_id"]

FLAGGED_VALUES = pl.Schema(
    {
        "site_id": pl.String(),
        "device_id": pl.String(),
        "day": pl.Date(),
        "channel": pl.String(),
        "ts_utc": UTC,
        "end_utc": UTC,
        "place": pl.UInt32(),  # of the value among the known ones of its device's channel on the day
        "flag": pl.String(),
        "reason": pl.String(),
        "rule": pl.String(),
        "value": pl.Float64(),
        "limit": pl.Float64(),
    }
)
ORDER = (*NOT_GOOD, *TO_KNOW)  # of several flags of one value the first one counts


def of_rows(
    rows: pl.DataFrame, channels: Iterable[str], is_so: pl.Expr, *, flag: str, rule: str, reason: pl.Expr,
    limit: Callable[[str], pl.Expr] = lambda _: pl.lit(None, pl.Float64),
) -> pl.DataFrame:  # fmt: skip
    """FLAGGED_VALUES of all values of `channels` in rows of devices, with `day`, for which it `is_so`.

    `limit`: by channel, what the value is held against.
    """
    found = [FLAGGED_VALUES.to_frame()]
    for name in channels:
        value = pl.col(name)
        if rows[name].null_count() < rows.height:
            found.append(
                rows.with_columns(place=value.is_not_null().cum_sum().over(OWN))
                .filter(is_so & value.is_not_null())
                .select(
                    *OWN, "day", "ts_utc", "place", value=value, channel=pl.lit(name), flag=pl.lit(flag),
                    end_utc=pl.col("ts_utc") + pl.duration(seconds="interval_s"), rule=pl.lit(rule), reason=reason,
                    limit=limit(name),
                )
                .select(FLAGGED_VALUES.names())
                .cast(FLAGGED_VALUES)
            )  # fmt: skip
    return pl.concat(found)


def to_spans(values: pl.DataFrame) -> pl.DataFrame:
    """READING_FLAGS of FLAGGED_VALUES: values in a row with one flag, rule and reason are one span."""
    if values.is_empty():
        return READING_FLAGS.to_frame()
    rank = pl.col("flag").replace_strict({flag: place for place, flag in enumerate(ORDER)}, return_dtype=pl.Int32)
    channel = [*OWN, "day", "channel"]
    single = (
        values.with_row_index("nth")
        .sort(*channel, "ts_utc", rank, "nth")
        .unique([*channel, "ts_utc"], keep="first", maintain_order=True)
    )
    alike = [*channel, "flag", "rule", "reason"]
    begins = pl.any_horizontal(pl.col(name).ne_missing(pl.col(name).shift(1)) for name in alike)
    begins = begins | (pl.col("place") != pl.col("place").shift(1) + 1).fill_null(True)
    runs = single.with_columns(span=begins.cum_sum(), beyond=(pl.col("value") - pl.col("limit")).abs().fill_null(0.0))
    worst = pl.col("beyond").arg_max()
    spans = runs.group_by("span", maintain_order=True).agg(
        pl.col(alike).first(),
        from_utc=pl.col("ts_utc").first(),
        to_utc=pl.col("end_utc").last(),
        readings=pl.len().cast(pl.Int32),
        value=pl.col("value").get(worst),
        value_utc=pl.col("ts_utc").get(worst),
        limit=pl.col("limit").get(worst),
    )
    nothing = {name: pl.lit(None, kind).alias(name) for name, kind in READING_FLAGS.items()}
    return spans.with_columns(nothing[name] for name in ("total_h", "usual_h", "since")).select(
        READING_FLAGS.names()
    ).cast(READING_FLAGS)  # fmt: skip
