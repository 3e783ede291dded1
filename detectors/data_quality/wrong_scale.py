"""Days on which a site's powers are a thousandth of what they were: kW taken for W.

Nothing that happens at a site makes that: an inverter that is dead leaves what the house draws, an empty house still
draws a fiftieth, and a site that is switched off moves no battery. Powers a thousand times too high are beyond any
rating; `plausibility` marks those.
"""

from datetime import date, timedelta

import polars as pl

from detectors.data_quality.flagged_values import OWN, of_rows
from detectors.data_quality.plausibility import FAR_TIMES
from detectors.data_quality.standstill import WINDOW_DAYS
from detectors.frames import PHASE_CHANNELS, POWER_CHANNELS, STRING_CHANNELS

RULE = "thousandth"
TIMES = 1000.0  # kW for W, or W for mW
DARK_TIMES = 4.0  # ours: a dark day's powers, or a busy one's, against the median day's; whole watts lose as much
MIN_DAYS = 7  # ours: a week shows the usual sizes
SMALL_SHARE = 1 / 30  # ours: days far below the largest ones are themselves of the wrong unit, and tell of no habit
USUAL_W = 300.0  # ours: of less, a thousandth cannot be told from a meter's noise
MIN_CHANNELS = 2  # ours: one channel alone may be a meter of its own that fails
SURE_CHANNELS = 3  # ours: noise of meters at a site that is switched off is no thousandth of three powers at once
MOVED_PCT = 10.0  # ours: a battery's level that swings by so much was moved by more than the watts that are shown
DRAWN = ("load", "grid")  # of these one is always there: a dead inverter stops the others alone
FLOWS = tuple(name.removesuffix("_w") for name in POWER_CHANNELS)


def days_of_thousandths(flow_sizes: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """[site_id, device_id, day, <flow>_usual_w] of devices whose powers are a thousandth of their usual ones on `day`.

    `flow_sizes`: rows of that feature up to `day`.
    """
    today = flow_sizes.filter(pl.col("day") == day)
    kwp = sites.select("site_id", far_w=FAR_TIMES * 1000 * pl.col("installed_kwp"))
    before = pl.col("day").is_between(day - timedelta(days=WINDOW_DAYS), day, closed="left")
    past = flow_sizes.filter(before).join(kwp, on="site_id")
    past = past.filter((pl.col("pv_high_w") <= pl.col("far_w")).fill_null(True))
    judged = today.join(past.group_by(OWN).agg(_usual(name).alias(f"{name}_usual_w") for name in FLOWS), on=OWN)
    share = {name: pl.col(f"{name}_high_w") / pl.col(f"{name}_usual_w") for name in FLOWS}
    low, high = 1 / TIMES / DARK_TIMES, DARK_TIMES / TIMES
    near = {name: share[name].is_between(low, high).fill_null(False) for name in FLOWS}
    count = pl.sum_horizontal(near.values())
    is_none_large = pl.all_horizontal((one <= high).fill_null(True) for one in share.values())
    has_moved = (pl.col("soc_range_pct") >= MOVED_PCT).fill_null(False)
    is_so = (
        is_none_large
        & pl.any_horizontal(near[name] for name in DRAWN)
        & ((count >= SURE_CHANNELS) | ((count >= MIN_CHANNELS) & has_moved))
    )
    return judged.filter(is_so).select(*OWN, "day", *(f"{name}_usual_w" for name in FLOWS))


def _usual(name: str) -> pl.Expr:
    """The median of a flow's days of full size; null where they are few or the flow is small."""
    size = pl.col(f"{name}_high_w")
    full = size.filter(size >= SMALL_SHARE * size.max())
    return pl.when((full.len() >= MIN_DAYS) & (full.median() >= USUAL_W)).then(full.median())


def thousandth_values(rows: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """FLAGGED_VALUES of all powers of the devices `found` (`days_of_thousandths`), of a day's rated rows."""
    mine = rows.join(found.drop("day"), on=OWN, how="inner", maintain_order="left")
    return of_rows(
        mine, (*POWER_CHANNELS, *STRING_CHANNELS, *PHASE_CHANNELS), pl.lit(True), flag="implausible", rule=RULE,
        reason=pl.lit("the day's powers are a thousandth of the usual ones: a wrong unit"),
        limit=lambda name: pl.col(f"{name.split('_')[0].rstrip('1234')}_usual_w"),
    )  # fmt: skip
