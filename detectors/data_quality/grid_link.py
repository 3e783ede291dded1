"""Grid meters whose link is lost and whose flow reads exactly 0 for whole days.

No regulator holds the exchange with the grid at exactly 0 through a day and a night: it errs by some watts whenever a
load is switched, and what the battery cannot give is bought. Coarse meters round such errors away, nothing may flow in
an idle home, and an island has no exchange: each is told apart by the site's own days before.
"""

from datetime import date, timedelta

import polars as pl

from detectors.data_quality.flagged_values import OWN
from detectors.data_quality.standstill import WINDOW_DAYS
from detectors.stats.rows import ordered

KNOWN_H = 20.7  # ours: nine tenths of the shortest local day, 23 h
ZERO_SHARE = 0.98  # ours: a meter that is read again for a moment changes nothing
MIN_DAYS = 7  # ours: a week shows working days and others
USUAL_SHARE = 0.5  # ours: fine meters of regulated homes read 0 in up to 0.45 of a day, those of 50 W steps in 0.75
USUAL_QUANTILE = 0.9  # nine days in ten
FINE_W = 5.0  # ours: a load's step of 2 kW, followed 3 s late, leaves 20 W of a mean of 5 min; 10 W steps may hide that
ALIVE_SHARE = 0.2  # ours: a dark day's powers; in an empty home that may not feed in far less flows
ALIVE_W = 100.0  # ours: channels that are usually smaller tell of no life
STARVED_H = 3.0  # ours: refrigerators run every hour or two, so no house draws nothing for three hours
DOUBT_DAYS = 2  # ours: where the sources could feed the house, one such day may be a grid that was off
MAINS_SHARE = 0.5  # more than half
POWERS = ("pv_high_w", "load_high_w", "battery_high_w")  # what may go on beside the meter


def lost_links(flow_sizes: pl.DataFrame, day: date) -> pl.DataFrame:
    """[site_id, device_id, day, channel, value, start_h, end_h, total_h, since, usual_h, needed_h] of grid meters that
    stand at 0 on `day`, like the runs of `standstill`. `flow_sizes`: rows of that feature up to `day`.
    """
    today = flow_sizes.filter((pl.col("day") == day) & _is_zero() & (pl.col("grid_known_h") >= KNOWN_H))
    if today.is_empty():
        return _as_runs(today.with_columns(total_h=pl.lit(0.0), since=pl.col("day")))
    recent = flow_sizes.filter(pl.col("day").is_between(day - timedelta(days=WINDOW_DAYS), day))
    mine = recent.join(today.select(OWN), on=OWN, how="semi")
    episode, past = _episode(mine), mine.filter(~_is_zero())
    usual = past.group_by(OWN).agg(
        days=pl.len(),
        usual_zeros=pl.col("grid_zero_ratio").quantile(USUAL_QUANTILE),
        step_w=pl.col("grid_least_w").min(),
        had_mains=pl.col("mains_ratio").median() > MAINS_SHARE,
    )
    zero_days = mine.filter(_is_zero()).group_by(OWN).agg(zero_days=pl.len())
    known = (
        today.join(usual, on=OWN).join(episode, on=OWN).join(zero_days, on=OWN).join(_alive(recent, day), on="site_id")
    )
    earlier_zeros = pl.col("zero_days") - pl.col("episode_days")
    is_unusual = (
        (pl.col("days") >= MIN_DAYS)
        & (pl.col("usual_zeros") <= USUAL_SHARE)
        & (pl.col("step_w") <= FINE_W)
        & (earlier_zeros <= (1 - USUAL_QUANTILE) * (pl.col("days") + earlier_zeros))
    )
    has_mains = ~pl.col("had_mains").fill_null(False) | (pl.col("mains_ratio").fill_null(0.0) > MAINS_SHARE)
    is_starved = (pl.col("starved_h") >= STARVED_H).fill_null(False)
    is_sure = is_starved | (has_mains & (pl.col("episode_days") >= DOUBT_DAYS))
    return _as_runs(known.filter(is_unusual & pl.col("is_alive") & is_sure))


def _is_zero() -> pl.Expr:
    return (pl.col("grid_zero_ratio") >= ZERO_SHARE).fill_null(False)


def _episode(mine: pl.DataFrame) -> pl.DataFrame:
    """Of each device the zero days in a row up to the last one: how many, since when, and their hours."""
    back = ordered(mine.filter(pl.col("grid_known_h") > 0), *OWN, "day").reverse()
    return (
        back.filter(_is_zero().cast(pl.Int8).cum_min().over(OWN) == 1)
        .group_by(OWN)
        .agg(episode_days=pl.len(), since=pl.col("day").min(), total_h=pl.col("grid_known_h").sum())
    )


def _alive(flow_sizes: pl.DataFrame, day: date) -> pl.DataFrame:
    """[site_id, is_alive]: whether generation, load or battery of any of its devices goes on as on other days."""
    now = flow_sizes.filter(pl.col("day") == day)
    usual = flow_sizes.filter(pl.col("day") < day).group_by(OWN).agg(pl.col(POWERS).median().name.suffix("_usual"))
    alive = [
        (pl.col(f"{name}_usual") >= ALIVE_W) & (pl.col(name) >= ALIVE_SHARE * pl.col(f"{name}_usual"))
        for name in POWERS
    ]
    return (
        now.join(usual, on=OWN)
        .group_by("site_id")
        .agg(is_alive=pl.any_horizontal(alive).fill_null(False).any())
    )  # fmt: skip


def _as_runs(found: pl.DataFrame) -> pl.DataFrame:
    return found.select(
        *OWN,
        "day",
        "total_h",
        "since",
        channel=pl.lit("grid_w"),
        value=pl.lit(0.0),
        start_h=pl.lit(0.0),
        end_h=pl.lit(24.0),
        usual_h=pl.lit(None, pl.Float64),
        needed_h=pl.lit(KNOWN_H),
    )


def with_lost_links(runs: pl.DataFrame, flow_sizes: pl.DataFrame, day: date) -> pl.DataFrame:
    """`runs` of `standstill` on `day` and the grid meters that stand at 0 beside them, each once."""
    lost = lost_links(flow_sizes, day).join(runs, on=[*OWN, "channel"], how="anti")
    return pl.concat([runs, lost], how="diagonal_relaxed")
