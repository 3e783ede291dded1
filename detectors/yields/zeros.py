"""Days on which a roof made nothing though it was free to, and what they prove."""

from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.stats.robust import Array
from detectors.yields.cold import FEW_OTHERS
from detectors.yields.day_residual import Combined
from detectors.yields.fleet_day import ZERO_RATIO, Fleet

ALIVE = -2.4  # log: a tenth; a roof that makes more is not one without generation
ZERO_RATIO_LIMITED = 0.001  # ours: so much may be all that an idle house takes of a healthy roof
ZERO_COVERAGE, ZERO_MIN_ENERGY, ZERO_FULL_ENERGY = 0.75, 0.03, 0.15  # ours: share of daylight; kWh per kWp due
ZERO_EVIDENCE = 4.0  # ours: log odds of a day with nothing at all over an outlier
PLAIN_ENERGY, PLAIN_EVIDENCE = 1.0, 9.0  # ours: kWh per kWp; log odds, enough to open a case on the first day
PLAIN_NEIGHBOURS = 1.5  # ours: effective number; two lit roofs see one sky, and one may be another site's readings
CLOUDY_RATIO = 0.15  # ours: of a clear day's energy; what a dark overcast leaves


def of_day(
    fleet: Fleet,
    found: Combined,
    lone_energy: Array,
    coverage: Array,
    is_cold: NDArray[np.bool_],
    was_covered: NDArray[np.bool_],
    may_lie: NDArray[np.bool_],
) -> tuple[NDArray[np.bool_], Array]:
    """Whether the day made nothing though some of it was free, and what that proves, in log odds.

    Nothing on a plain day, under a sky that two neighbours or more agree on, is a fact and not a matter of statistics.
    In the cold it proves nothing of a roof that was dark since snow fell on them all (`was_covered`), nor of one with
    few neighbours: beside several that made their share, snow has not fallen on this roof alone. Nor does a dull day
    where snow lay on a roof around since this one was last seen to be free of it (`may_lie`).
    """
    is_free = (fleet.light.is_free & np.isfinite(fleet.light.power_w)).any(axis=1)
    highest = np.nan_to_num(fleet.reported_w).max(axis=1, initial=0.0)  # what is curtailed is no zero either
    due = np.where(np.isfinite(found.x), found.energy, CLOUDY_RATIO * lone_energy)
    due = np.minimum(due, _max_taken(fleet))
    ratio = np.where(fleet.roofs.has_limit, ZERO_RATIO_LIMITED, ZERO_RATIO)
    is_zero = (coverage > ZERO_COVERAGE) & (highest < ratio * 1000 * fleet.roofs.kwp) & is_free
    is_zero &= due > ZERO_MIN_ENERGY
    is_plain = (found.energy > PLAIN_ENERGY) & (found.neighbours > PLAIN_NEIGHBOURS)
    evidence = np.where(is_plain, PLAIN_EVIDENCE, ZERO_EVIDENCE)
    may_be_snow = is_cold & (was_covered | (~is_plain & may_lie) | (found.neighbours < FEW_OTHERS))
    return is_zero, np.where(is_zero & (due > ZERO_FULL_ENERGY) & ~may_be_snow, evidence, 0.0)


def dark_days(residuals: pl.DataFrame, ids: pl.Series, day: date) -> NDArray[np.intp]:
    """How many days in a row up to the one before `day` each site made nothing beside lit roofs, [sites].

    `residuals` are RESIDUAL rows. Snow that falls on them all anew begins the count anew, and a day that is not known
    ends it.
    """
    is_dark = pl.col("is_zero") & (pl.col("spell_days") <= 0) & (pl.col("neighbours") >= FEW_OTHERS)
    rows = residuals.filter(pl.col("day") < day).select(
        "site_id", is_dark=is_dark.fill_null(False), ago=(pl.lit(day) - pl.col("day")).dt.total_days()
    )
    # The run that ends on the day before: its n-th day lies n days ago.
    runs = rows.filter("is_dark").sort("site_id", "ago").with_columns(nth=pl.int_range(1, pl.len() + 1).over("site_id"))
    found = runs.filter(pl.col("nth") == pl.col("ago")).group_by("site_id").agg(pl.len().alias("days"))
    joined = pl.DataFrame({"site_id": ids}).join(found, on="site_id", how="left", maintain_order="left")
    return joined["days"].fill_null(0).to_numpy().astype(np.intp)


def _max_taken(fleet: Fleet) -> Array:
    """What house, battery and grid would have taken while generation was free, kWh per kWp, [sites].

    A refrigerator that runs for minutes in an empty house frees a limited roof, and takes next to nothing.
    """
    light = fleet.light
    takers = np.where(light.is_free & np.isfinite(light.power_w), light.usable_w + light.battery_w, 0.0)
    return np.asarray(takers.sum(axis=1) / 4000 / fleet.roofs.kwp)
