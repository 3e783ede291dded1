"""Whether snow may lie on the roofs: a spell of the whole neighbourhood, and the cold in which one roof may have it.

A spell opens when half of the sites around make less than any overcast explains while it is cold, and ends when one of
them stands under a bright sky again, when it is too warm or too late in the year for snow to lie, or when it has lasted
longer than so few roofs can tell: dark roofs excuse one another no further than weather can.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.stats.robust import Array, median

COVERED_RATIO = 0.07  # ours: of a clear day's energy; the darkest overcast of a winter day lets through more
BRIGHT_RATIO = 0.35  # ours: no covered roof makes so much
MIN_CLEAR_KWH_PER_KWP = 0.15  # ours: of the day's usable intervals
SPELL_NOON_DEG, COLD_NOON_DEG = 45.0, 38.0  # ours: noon sun; at 47 degrees north 25 March and 5 March
# ours, north and south: roofs nearer to the equator see snow on mountains alone. Seas keep the south warmer: of its
# towns between 35 and 40 degrees snow lies on few, and for hours (from memory).
MIN_LATITUDE_DEG, MIN_SOUTHERN_DEG = 35.0, 40.0
COLD_C = 6.0  # ours: median of the daylight hours
# Of the days that season and latitude leave out, where it is measured: half of what falls is snow at 1 degC, nowhere in
# the north above 2.4 (Jennings et al. 2018, Nature Communications 9:1148, from memory); half a degree for the meter.
FREEZING_C = 3.0
LAG_DAYS = 30  # from memory: in temperate climates the air lags behind the sun by some four weeks
FEW_OTHERS = 3  # ours: fewer roofs around may all be dead, as by one fault of their street's grid or their export
FEW_SPELL_DAYS = 10  # ours: what fewer roofs can tell of snow; without neighbours nobody else can end it
LIT_AROUND_DAYS = 7  # ours: ... and how long snow mostly lies on a roof after it slid from three around or more
MILD_SPELL_DAYS = 3  # ours: ... where sun and season are not cold: there snow slides or melts within days
MAX_SPELL_DAYS = 60  # ours: in high valleys snow lies for two months on roofs that nobody clears
WORN_OUT = -1  # the spell lasted too long to be snow, and no roof has stood under a bright sky since
DROP, DROP_SIGMAS = 0.2, 2.0  # log: ours; by less roofs differ for no cause, and by a lesser drop noise may
FREE_SIGMA = 0.3  # ours: a day that tells the level no better does not show that a roof is free of snow
WHITE_SHARE = 0.15  # ours: of the roofs around; of so many, less than that is a fault or two, rime spares few
# What a day's level may be of: the roof, snow or rime of its own as well, snow or rime that shows around too.
CLEAN, OWN, WHITE = 0, 1, 2


class Cold(NamedTuple):
    """Of a day; both arrays are [sites]."""

    is_possible: NDArray[np.bool_]  # a spell may open and go on
    is_cold: NDArray[np.bool_]  # a single roof's drop may be snow


def of_day(noon_deg: Array, before_deg: Array, latitude: Array, ambient_c: Array) -> Cold:
    """`ambient_c` is the day's median, NaN where none is measured nearby: then season and latitude decide.

    Where it is measured, snow may lie late in spring or on a tropical mountain too. `before_deg` is the noon sun's
    height of LAG_DAYS before: the air follows it, so that October has the sun of March, but not its cold. Snow on a
    whole neighbourhood shows itself whatever the month.
    """
    is_far = np.where(latitude < 0, -latitude > MIN_SOUTHERN_DEG, latitude > MIN_LATITUDE_DEG)
    is_season = is_far & ~(ambient_c >= COLD_C)
    is_freezing = ambient_c < FREEZING_C
    return Cold(
        is_freezing | (is_season & (noon_deg < SPELL_NOON_DEG)),
        is_freezing | (is_season & (np.maximum(noon_deg, before_deg) < COLD_NOON_DEG)),
    )


def is_shared(ratio: Array, neighbours: NDArray[np.intp], cold: Cold, is_sound: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whether a roof lies dark in the cold, and another around it does, [sites]: snow that slid from the rest of them.

    Roofs that are believed to be at fault (not `is_sound`) show nothing of snow.
    """
    with np.errstate(invalid="ignore"):
        is_dark = ratio < COVERED_RATIO
    around = np.append(is_dark & is_sound, False)[neighbours].any(axis=1) if neighbours.size else np.zeros_like(is_dark)
    return is_dark & around & cold.is_cold


class Levels(NamedTuple):
    """Of a day beside what was believed before it; every array is [sites], NaN where nothing is known."""

    x: Array
    sigma: Array
    baseline: Array  # the level while healthy, and how well it is known
    baseline_sigma: Array
    is_sound: NDArray[np.bool_]  # not believed to be at fault

    def has_dropped(self) -> NDArray[np.bool_]:
        """By more than roofs differ from day to day."""
        least = np.maximum(DROP, DROP_SIGMAS * np.hypot(self.sigma, self.baseline_sigma))
        with np.errstate(invalid="ignore"):
            return np.asarray(self.is_sound & (self.x < self.baseline - least))

    def is_free(self) -> NDArray[np.bool_]:
        """A roof that stands at its own level has no snow on it."""
        with np.errstate(invalid="ignore"):
            return np.asarray((self.x > self.baseline - DROP) & (self.sigma < FREE_SIGMA))

    def is_deep(self) -> NDArray[np.bool_]:
        """So low as a covered roof."""
        with np.errstate(invalid="ignore"):
            return np.asarray(self.x < self.baseline + np.log(BRIGHT_RATIO))


def is_white(levels: Levels, neighbours: NDArray[np.intp], cold: Cold) -> NDArray[np.bool_]:
    """Whether snow or rime may be at work around each site, [sites]: it shows on more roofs than one, unevenly.

    A roof that falls alone beside others that stand at their levels lacks something of its own. Few others tell of
    none of it.
    """
    if not neighbours.size:
        return np.asarray(cold.is_cold)
    known = np.append(np.isfinite(levels.x) & np.isfinite(levels.baseline), False)[neighbours].sum(axis=1)
    dropped = np.append(levels.has_dropped(), False)[neighbours].sum(axis=1)
    return np.asarray(cold.is_cold & ((known < FEW_OTHERS) | (dropped > WHITE_SHARE * known)))


def is_snow_around(
    levels: Levels, days: NDArray[np.intp], neighbours: NDArray[np.intp], cold: Cold
) -> NDArray[np.bool_]:
    """Whether another roof around each site is newly so low as a covered one, [sites]: rime takes no such share.

    `days` are `white_days` of the day before: what lies on a roof since then has not fallen on the others today.
    """
    if not neighbours.size:
        return np.asarray(cold.is_cold)
    is_new = levels.has_dropped() & levels.is_deep() & (days <= 0)
    return np.asarray(cold.is_cold & np.append(is_new, False)[neighbours].any(axis=1))


def white_days(
    before: NDArray[np.intp],
    spell: NDArray[np.intp],
    is_seen: NDArray[np.bool_],
    is_free: NDArray[np.bool_],
    cold: Cold,
) -> NDArray[np.intp]:
    """How many days ago, this one included, snow was seen that may still lie on each site; 0 = none, [sites].

    `is_seen`: it lies on a roof around. A roof that stood at its level since has shed it, and none keeps it for longer
    than flat ones do.
    """
    lies = (before > 0) & (before < FEW_SPELL_DAYS) & cold.is_cold
    return np.select([spell > 0, is_free, is_seen & cold.is_cold, lies], [1, 0, 1, before + 1], 0)


def doubt(
    is_around: NDArray[np.bool_], days: NDArray[np.intp], is_deep: NDArray[np.bool_], cold: Cold
) -> NDArray[np.intp]:
    """What a day's level may be of, [sites]: CLEAN, OWN or WHITE; `days` are `white_days` of the day before.

    A roof in a hollow or behind a chimney may have rime or a patch of snow that no other has. What is left of a
    snowfall covers it whole, until it slides or melts within days.
    """
    return np.select([is_around | ((days > 0) & is_deep & cold.is_cold), cold.is_cold], [WHITE, OWN], CLEAN)


def may_be_snow(spell_days: NDArray[np.intp], cold: Cold) -> NDArray[np.bool_]:
    """Whether a spell that is worn out may be one all the same, [sites]: its roofs are dark still, in snow's season."""
    return (spell_days == WORN_OUT) & cold.is_cold


def may_be_own_snow(is_cold: bool, neighbours: float, dark_days: int, *, began_in_spell: bool = False) -> bool:
    """Whether a roof may be dark for snow beside lit ones: not for long, and in the cold beside few of them.

    A flat roof keeps its snow for days after it slid from steep ones, which however many of them show no more than
    that it slid: so does one that went dark as snow fell on them all, `began_in_spell`. `neighbours` is their
    effective number.
    """
    return dark_days <= FEW_SPELL_DAYS and (began_in_spell or (is_cold and not neighbours >= FEW_OTHERS))


def clear_ratio(made_kwh: Array, clear_kwh: Array, kwp: Array) -> Array:
    """Actual over clear-sky energy of the usable intervals, [sites]; NaN where there is too little."""
    enough = clear_kwh > MIN_CLEAR_KWH_PER_KWP * kwp
    return np.where(enough, made_kwh / np.maximum(clear_kwh, 1e-9), np.nan)


def spell_days(before: NDArray[np.intp], ratio: Array, neighbours: NDArray[np.intp], cold: Cold) -> NDArray[np.intp]:
    """How many days each site's spell lasts, this one included; 0 = no spell, WORN_OUT = none that excuses any more.

    `before` is the same as of the day before, `ratio` the `clear_ratio` of every site, `neighbours` are places of
    sites, [sites, places], -1 where empty.
    """
    padded = np.append(ratio, np.nan)
    around = np.column_stack([ratio, padded[neighbours]]) if neighbours.size else ratio[:, None]
    known = np.isfinite(around)
    middle = median(around, axis=1)
    best = np.where(known, around, -1.0).max(axis=1)
    few_days = np.where(cold.is_cold, FEW_SPELL_DAYS, MILD_SPELL_DAYS)
    limit = np.where(known[:, 1:].sum(axis=1) < FEW_OTHERS, few_days, MAX_SPELL_DAYS)
    with np.errstate(invalid="ignore"):
        opens = (before == 0) & (middle < COVERED_RATIO) & cold.is_possible
    is_dark = best <= BRIGHT_RATIO
    goes_on = (before > 0) & is_dark & cold.is_possible
    is_worn_out = (goes_on & (before >= limit)) | ((before < 0) & is_dark)
    return np.select([opens, is_worn_out, goes_on], [1, WORN_OUT, before + 1], 0)
