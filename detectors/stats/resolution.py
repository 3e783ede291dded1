"""A meter's resolution as its values show it: the largest step of which all differences between them are multiples."""

from functools import cache

import polars as pl

MIN_VALUES = 3  # two values have one difference, which agrees with itself
AGREEMENT = 0.95  # ours: so many of the differences must be whole multiples of the smallest one
SLACK = 0.02  # ours: room for rounding in the export
DIGITS = 4  # an export's decimals; what is finer comes of arithmetic
PARTS = (1, 2, 3, 4, 5)  # ours: with few values the smallest difference may be some steps, five at the most
MANY_VALUES = 8  # ours: of six differences and more, chance makes 95 % whole multiples once in a million
SAME = 1e-6  # powers from counters differ in the last bits


def resolutions(rows: pl.DataFrame, by: list[str], channel: str, *, min_values: int = MIN_VALUES) -> pl.DataFrame:
    """`lazy_resolutions` of a frame."""
    return lazy_resolutions(rows.lazy(), by, channel, min_values=min_values).collect()


def lazy_resolutions(rows: pl.LazyFrame, by: list[str], channel: str, *, min_values: int = MIN_VALUES) -> pl.LazyFrame:
    """[*by, resolution, distinct] of a channel in each group of rows, in the channel's unit.

    The smallest difference, or a whole part of it where enough values show that; 0 = the values keep to no common
    step; null = fewer than `min_values` distinct values, which show none.
    """
    level = pl.col(channel).round(DIGITS).alias("level")
    levels = rows.select(*by, level).filter(IS_LEVEL).group_by(by).agg(LEVELS).explode("level")
    gap, min_gap = _gap_and_min(tuple(by))
    gaps = (
        levels.with_columns(gap=gap)
        .with_columns(min_gap=min_gap)
        .group_by(by)
        .agg(MIN_GAP.first(), *SHARES, distinct=pl.len().cast(pl.Int64))
    )
    return gaps.select(*by, resolution=pl.when(pl.col("distinct") >= min_values).then(RESOLUTION), distinct="distinct")


@cache
def _gap_and_min(by: tuple[str, ...]) -> tuple[pl.Expr, pl.Expr]:
    """The difference to the level before in the same group, and the group's smallest one."""
    is_same = pl.all_horizontal(pl.col(name) == pl.col(name).shift(1) for name in by)
    gap = pl.when(is_same).then(pl.col("level").diff())
    return pl.when(gap > SAME).then(gap), pl.col("gap").min().over(by)


def _share(part: int) -> pl.Expr:
    """Of the differences, how many are whole multiples of a part of the smallest one."""
    multiple = pl.col("gap") / MIN_GAP * part
    return (
        (((multiple - multiple.round()).abs() <= SLACK) | (pl.col("gap") / MIN_GAP).is_null())
        .mean()
        .alias(f"share_{part}")
    )


def _resolution() -> pl.Expr:
    """The smallest difference, or the first part of it that the shares and the number of levels let stand; else 0."""
    return pl.coalesce(
        pl.when(
            (pl.col(f"share_{part}") >= AGREEMENT) & ((pl.col("distinct") >= MANY_VALUES) if part > 1 else pl.lit(True))
        ).then(MIN_GAP / part)
        for part in PARTS
    ).fill_null(0.0)


# Many channels of many groups are asked each night: what is asked of them is made once.
IS_LEVEL = pl.col("level").is_finite()
LEVELS = pl.col("level").unique().sort()  # group by group takes half the time of unique rows, sorted
MIN_GAP = pl.col("min_gap")
SHARES = [_share(part) for part in PARTS]
RESOLUTION = _resolution()
