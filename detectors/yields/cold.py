"""Whether snow may lie on the roofs: a spell of the whole neighbourhood, and the cold in which one roof may have it.

A spell opens when half of the sites around make less than any overcast explains while it is cold, and ends when one of
them stands under a bright sky again.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.stats.robust import Array, median

COVERED_RATIO = 0.07  # ours: of a clear day's energy; the darkest overcast of a winter day lets through more
BRIGHT_RATIO = 0.35  # ours: no covered roof makes so much
MIN_CLEAR_KWH_PER_KWP = 0.15  # ours: of the day's usable intervals
SPELL_NOON_DEG, COLD_NOON_DEG = 45.0, 38.0  # ours: noon sun; at 47 degrees north 25 March and 5 March
MIN_LATITUDE_DEG = 35.0  # ours: roofs nearer to the equator see snow on mountains alone
COLD_C = 6.0  # ours: median of the daylight hours
LONE_SPELL_DAYS = 10  # ours: without neighbours nobody else can end it


class Cold(NamedTuple):
    """Of a day; both arrays are [sites]."""

    is_possible: NDArray[np.bool_]  # a spell may open
    is_cold: NDArray[np.bool_]  # a single roof's drop may be snow


def of_day(noon_deg: Array, latitude: Array, ambient_c: Array) -> Cold:
    """`ambient_c` is the day's median, NaN where none is measured nearby: then season and latitude decide."""
    is_north = np.abs(latitude) > MIN_LATITUDE_DEG
    is_cool = ~np.isfinite(ambient_c) | (ambient_c < COLD_C)
    return Cold(is_north & is_cool & (noon_deg < SPELL_NOON_DEG), is_north & is_cool & (noon_deg < COLD_NOON_DEG))


def clear_ratio(made_kwh: Array, clear_kwh: Array, kwp: Array) -> Array:
    """Actual over clear-sky energy of the usable intervals, [sites]; NaN where there is too little."""
    enough = clear_kwh > MIN_CLEAR_KWH_PER_KWP * kwp
    return np.where(enough, made_kwh / np.maximum(clear_kwh, 1e-9), np.nan)


def spell_days(before: NDArray[np.intp], ratio: Array, neighbours: NDArray[np.intp], cold: Cold) -> NDArray[np.intp]:
    """How many days each site's spell lasts, this one included; 0 = no spell.

    `before` is the same as of the day before, `ratio` the `clear_ratio` of every site, `neighbours` are places of
    sites, [sites, places], -1 where empty.
    """
    padded = np.append(ratio, np.nan)
    around = np.column_stack([ratio, padded[neighbours]]) if neighbours.size else ratio[:, None]
    known = np.isfinite(around)
    middle = median(around, axis=1)
    best = np.where(known, around, -1.0).max(axis=1)
    is_alone = ~(neighbours >= 0).any(axis=1) if neighbours.size else np.ones(len(ratio), dtype=bool)
    with np.errstate(invalid="ignore"):
        opens = (before == 0) & (middle < COVERED_RATIO) & cold.is_possible
    ends = (best > BRIGHT_RATIO) | (is_alone & (before >= LONE_SPELL_DAYS))
    return np.where(opens, 1, np.where((before > 0) & ~ends, before + 1, 0))
