"""Whether a low spell may be snow that has not slid off yet."""

from datetime import timedelta

import numpy as np
import polars as pl

from detectors.solar.position import sun_coordinates
from detectors.stats.robust import MAD_TO_SIGMA
from detectors.yields.fleet_yields import Yields
from detectors.yields.peer_comparison import MAX_DISAGREEMENT_RATIO, MIN_SKY_RATIO

COLD_C = 4.0  # ours: a day whose lit hours are warmer than that on average lets no snow lie
HIGH_NOON_DEG = 48.0  # ours: noon sun above it means spring; at 47 degrees north that is 2 April
LEAST_LATITUDE_DEG = 25.0  # ours: roofs nearer to the equator see none, but for mountains with a thermometer
STAYS_DAYS = 14  # ours: on a flat roof in the frost; after two weeks a fault is looked for
JUST_GONE_DAYS = 2  # the median of the last three days, by which a fault counts as still there, is low for so long
STARTS_WITHIN_DAYS = 3  # ours: snow lies from the day that it fell, give or take days that could not be judged
LOW_RATIO = 0.7  # ours: of its sound level; winter days of open roofs scatter down to that
COVERED_RATIO = 0.3  # ours: what comes through snow
STEADY_RATIO = 0.08  # ours: a fault takes the same share day by day; snow goes from day to day


def is_possible(yields: Yields, row: int) -> bool:
    """Whether the last three weeks were cold enough, by the site's own thermometer or else by season and latitude."""
    site = yields.seen.sites.row(row, named=True)
    last = yields.seen.dates[-1]
    warmth = yields.kept.filter(
        pl.col("site_id") == site["site_id"], pl.col("day") > last - timedelta(days=21)
    )["ambient_temp_c"].drop_nulls()  # fmt: skip
    if warmth.len() >= 5:
        return bool(warmth.sort()[1] < COLD_C)
    before = (last - timedelta(days=STAYS_DAYS)).toordinal() - 719163.0  # days since 1970
    noon_deg = 90 - abs(site["latitude"] - float(sun_coordinates(before)[0]))
    return bool(abs(site["latitude"]) >= LEAST_LATITUDE_DEG and noon_deg < HIGH_NOON_DEG)


def may_lie(yields: Yields, row: int) -> bool:
    """Whether the site's low spell began with a day that was dark or uneven for all, and looks like snow.

    The spell is the present one, or one that ended these last days: what slid off yesterday was no fault either.
    """
    if not is_possible(yields, row):
        return False
    level = yields.reference_ratio[row]
    ratio = yields.ratio[row] / (level if np.isfinite(level) else 1.0)
    judged = np.flatnonzero(np.isfinite(ratio))
    is_low = ratio[judged] < LOW_RATIO
    if not is_low[-JUST_GONE_DAYS - 1 :].any():
        return False
    end = int(np.flatnonzero(is_low)[-1]) + 1
    good = np.flatnonzero(~is_low[:end])
    low = judged[(good[-1] + 1 if len(good) else 0) : end]
    first = int(low[0])
    if len(ratio) - first > STAYS_DAYS:
        return False
    spell = ratio[low]
    scatter = float(np.median(np.abs(spell - np.median(spell)))) * MAD_TO_SIGMA
    if len(low) >= 5 and np.median(spell) >= COVERED_RATIO and scatter < STEADY_RATIO:
        return False
    return fell_around(yields, row, first)


def fell_around(yields: Yields, row: int, place: int) -> bool:
    """Whether a day within three of the given one was dark for all around, or uneven between them."""
    seen = yields.seen
    with np.errstate(invalid="ignore"):
        was_odd = ~(seen.sky_ratio[row] >= MIN_SKY_RATIO) | (seen.disagreement_ratio[row] > MAX_DISAGREEMENT_RATIO)
    return bool(was_odd[max(place - STARTS_WITHIN_DAYS, 0) : max(place, 0) + STARTS_WITHIN_DAYS].any())
