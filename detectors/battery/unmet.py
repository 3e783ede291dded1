"""How much of what its house wanted a battery left to the grid while it had charge, and how often it paused."""

from datetime import timedelta

import polars as pl

from detectors.battery.flows import RESERVE_BAND_PCT, flows

BY = ["site_id", "day"]
MIN_RANGE_PCT = 20.0  # ours: a day on which the level hardly moved shows no upper half
MIN_NEED_W = 200.0  # ours: below it inverters need not start a discharge
MIN_KWH = 0.5  # ours: less is a kettle and a control's delay
GIVES_SHARE, RESTS_SHARE = 0.7, 0.1  # ours: of the need; between them an interval holds some of both
MIN_PAUSE_H = 1 / 6  # ours: shorter ones are a control's delay, and readings that were not taken at one time
AS_MUCH = 0.8  # ours: of the need beside a pause; controls may stop at a load that falls, and wait until it rises
ABOVE_LOWEST_PCT = 10.0  # ours: of the day's lowest; at its floor a battery recovers at rest, and gives once more
MAX_GAP = timedelta(hours=1)  # ours: what a battery did earlier tells nothing of a rest
MIN_WATCHED_H = 2.0  # ours: an hour of need is too short to stop and go on in twice
UNMET_DAYS = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,
        # imported over imported + given, while the state of charge lay in the upper half of its day and the house
        # wanted more than its roof made, and no more than the battery gave at best that day; null = no state of
        # charge, or too little wanted
        "unmet_ratio": pl.Float64,
        # how often, well above the day's lowest level, it stopped and went on while the house went on wanting as much;
        # null = less than two hours in which it either met the need or left it to the grid, and no two pauses
        "pauses": pl.Int64,
    }
)


def unmet_days(readings: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """UNMET_DAYS, one row per site with a battery and local day.

    Where its reserve lies need not be known: in the upper half of what the day showed a battery can give.
    """
    rows = flows(readings, sites)
    load = pl.coalesce("load_w", pl.col("pv_w") + pl.col("battery_w") + pl.col("grid_w"))
    low, high = (one.over("unit") for one in (pl.col("soc_pct").min(), pl.col("soc_pct").max()))
    rows = rows.with_columns(
        need_w=(load - pl.col("pv_w")).clip(lower_bound=0),
        is_upper=(pl.col("soc_pct") >= (low + high) / 2) & (high - low >= MIN_RANGE_PCT),
    )
    # Beyond the battery's own power the grid has to help: a car or an oven tells nothing of its control.
    is_within = pl.col("need_w").is_between(MIN_NEED_W, pl.col("battery_w").max().over("unit"))
    rows = rows.with_columns(is_within=is_within, low_pct=low)
    could = (pl.col("is_upper") & pl.col("is_within")).fill_null(False)
    kwh = pl.col("hours") / 1000
    sums = rows.group_by("unit").agg(
        pl.col(BY).first(),
        imported_kwh=(pl.min_horizontal(pl.col("grid_w").clip(lower_bound=0), "need_w") * kwh).filter(could).sum(),
        given_kwh=(pl.col("battery_w").clip(lower_bound=0) * kwh).filter(could).sum(),
    )
    wanted = pl.col("imported_kwh") + pl.col("given_kwh")
    by_day = sums.with_columns(unmet_ratio=pl.when(wanted >= MIN_KWH).then(pl.col("imported_kwh") / wanted))
    by_day = by_day.join(_pauses(rows), on="unit", how="left")
    return by_day.select(UNMET_DAYS.names()).cast(UNMET_DAYS).sort(BY)


def _pauses(rows: pl.DataFrame) -> pl.DataFrame:
    """[unit, pauses] of the days on which it was watched for long enough, or paused all the same.

    A pause is a rest between two times of giving, each of them within an hour of it, without charging in between.
    """
    gives = pl.col("battery_w") >= GIVES_SHARE * pl.col("need_w")
    rests = (pl.col("battery_w").abs() <= RESTS_SHARE * pl.col("need_w")) & (
        pl.col("grid_w") >= GIVES_SHARE * pl.col("need_w")
    )
    known = rows.with_columns(gives=pl.when(gives).then(True).when(rests).then(False)).filter(
        "is_within", pl.col("soc_pct") >= pl.col("low_pct") + ABOVE_LOWEST_PCT, pl.col("gives").is_not_null()
    )
    is_far = pl.col("ts_utc") - pl.col("ts_utc").shift(1) > MAX_GAP
    runs = (
        known.with_columns(segment=is_far.fill_null(True).cum_sum())
        .with_columns(run=pl.struct("unit", "segment", "gives").rle_id())
        .group_by("run", maintain_order=True)
        .agg(
            pl.col("unit", "segment", "gives").first(), pl.col("hours").sum(), pl.col("need_w").mean(),
            first_pct=pl.col("soc_pct").first(), last_pct=pl.col("soc_pct").last(),
        )
    )  # fmt: skip
    segment = pl.struct("unit", "segment")

    def beside(way: int, name: str) -> pl.Expr:  # in its segment what lies beside a rest is giving
        return pl.when(segment.shift(way) == segment).then(pl.col(name).shift(way))

    is_pause = (
        ~pl.col("gives")
        & (pl.col("hours") >= MIN_PAUSE_H - 1e-6)
        & (pl.col("need_w") >= AS_MUCH * beside(1, "need_w"))
        & (pl.col("need_w") >= AS_MUCH * beside(-1, "need_w"))
        & (beside(-1, "first_pct") <= beside(1, "last_pct") + RESERVE_BAND_PCT)
    )
    by_day = runs.group_by("unit").agg(pauses=is_pause.fill_null(False).sum(), watched_h=pl.col("hours").sum())
    is_told = (pl.col("watched_h") >= MIN_WATCHED_H) | (pl.col("pauses") >= 2)
    return by_day.filter(is_told).select("unit", pl.col("pauses").cast(pl.Int64))
