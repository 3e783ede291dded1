"""Specific yields of a fleet held against their neighbours', the planes' geometry taken out.

What a day's sky let through is learned from the sites around: each one's yield per kWp, over what its planes would make
of a clear sky, gives a sky factor; the median of the nearest is the sky over the site. What the site's own planes make
of that sky is its expectation. A roof that faces east is so held against what an east roof makes.

Where the register is silent on tilt and azimuth, the same is done for each of a handful of plausible roofs: whoever
judges can then ask for what holds whichever of them it is.
"""

from collections.abc import Collection
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.stats.robust import MAD_TO_SIGMA, Array, median, quantile, spread
from detectors.yields.neighbours import Nearest, Opinion, consult, nearest
from detectors.yields.plane_geometry import DEFAULT_PLANE, PERFORMANCE_RATIO, Geometry, geometry_of, plane_factor

WITHIN_KM = 50.0  # ours: day sums of irradiance still correlate above 0.9 in most climates
MOST, LEAST = 8, 3  # ours: three are the fewest of which one may be wrong; beyond eight the far ones add little
CANDIDATES = 24  # ours: among 24 near ones eight are usable even with many held back
WINDOW_DAYS = 60
RECENT_DAYS = 10
MIN_COVERAGE_PCT = 90.0  # ours: a tenth of a day missing at noon would cost up to a fifth of its energy
MAX_HELD_BACK_H = 0.5  # ours: half an hour at noon is under a tenth of a winter day's energy
MIN_SKY_RATIO = 0.10  # ours: under a tenth of a clear day it is snow on the roofs or too dark to tell roofs apart
MAX_DISAGREEMENT_RATIO = 0.35  # ours: neighbours apart by a third have patchy snow or weather of their own
MIN_CLEAR_KWH_M2 = 0.3  # ours: shorter polar days than this have no yield to speak of
SWING = 2.0  # ours: a roof under which a site swings twice as much from day to day as under another is not its roof
CALM_RATIO = 0.05  # ours: days of equal roofs differ by that much, whatever the weather
FIT_DAYS = 15  # ours: fewer days may hold no clear one or no grey one
DARK_RATIO = 0.01  # ours: of a clear day; no cloud lets through so little
SETTLING = 8  # ours: rounds; within 1 % of the fixed point then, the steepest winter roofs included
BRIGHTEST = 1.25  # ours: over a clear day by Haurwitz; thin air and good modules make up to a quarter more
OFF_RATIO = 0.75  # as in underperformance: such a neighbour has no say


class Comparison(NamedTuple):
    """A fleet's days held against its neighbours'; arrays are [sites, days] or, with planes, [sites, planes, days].

    NaN in `expected_kwh` where the day can't be judged at all, in `ratio` where the site's own day is not usable too.
    """

    sites: pl.DataFrame  # SITES, sorted by id
    dates: list[date]
    actual_kwh: Array  # as reported, usable or not
    coverage_pct: Array
    held_back_h: Array
    sky_ratio: Array  # over the site, from its neighbours; 1 = a clear day
    disagreement_ratio: Array  # spread of the neighbours' sky factors over their median
    neighbours: NDArray[np.intp]
    expected_kwh: Array  # [sites, planes, days]
    ratio: Array  # [sites, planes, days]: actual over expected
    best: NDArray[np.intp]  # [sites]: the plane that fits the site's own days best
    fits: NDArray[np.bool_]  # [sites, planes]: the site may have that roof
    has_planes: NDArray[np.bool_]  # [sites]: the register knows its planes
    level_spread: Array  # [sites]: how far its neighbours' own recent levels lie apart
    clear_kwh: Array  # what a clear day would make on a level roof of its size
    dark_share: Array  # share of the nearest neighbours that made next to nothing


def compare(
    days: pl.DataFrame, sites: pl.DataFrame, planes: pl.DataFrame, *, last_day: date, left_out: Collection[str] = ()
) -> Comparison:
    """The comparison over the 60 days up to `last_day`; the sites of `left_out` have no say and are not compared."""
    sites = sites.sort("site_id")
    dates = [last_day - timedelta(days=back) for back in range(WINDOW_DAYS - 1, -1, -1)]
    table = _tables(days, sites, dates)
    geometry, has_planes = geometry_of(sites, planes, dates)
    usable = (table["pv_coverage_pct"] >= MIN_COVERAGE_PCT) & ~(table["held_back_h"] > MAX_HELD_BACK_H)
    usable &= ~np.isin(sites["site_id"].to_numpy(), sorted(left_out))[:, None]
    usable &= geometry.clear_kwh_m2 >= MIN_CLEAR_KWH_M2
    kwp = sites["installed_kwp"].to_numpy()[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        ideal = PERFORMANCE_RATIO * kwp * geometry.clear_kwh_m2
        grey = np.where(usable, table["pv_kwh"] / ideal, np.nan)  # yield over a clear horizontal day's
    near = nearest(sites, most=CANDIDATES, within_km=WITHIN_KM)
    best = np.full(sites.height, DEFAULT_PLANE)
    opinion = _opinion(grey, geometry, near, best)
    factors = grey[:, None, :] / plane_factor(geometry, _filled(opinion.median, grey))
    first = factors / opinion.median[:, None, :]
    best = _best_planes(first, _fitting_planes(first, has_planes))
    level = _level(picked(first, best))
    opinion = _sound_opinion(grey, level, geometry, near, best)
    disagreement = opinion.spread / opinion.median
    judged = (opinion.median >= MIN_SKY_RATIO) & (disagreement <= MAX_DISAGREEMENT_RATIO)
    sky = np.where(judged, opinion.median, np.nan)
    made = sky[:, None, :] * plane_factor(geometry, sky)
    expected = made * ideal[:, None, :]
    ratio = grey[:, None, :] / made
    fits = _fitting_planes(ratio, has_planes)
    best = _best_planes(ratio, fits)
    level = _level(picked(ratio, best))
    return Comparison(
        sites, dates, table["pv_kwh"], table["pv_coverage_pct"], table["held_back_h"], opinion.median, disagreement,
        opinion.voices, expected, ratio, best, fits, has_planes,
        consult(np.where(_is_off(level), np.nan, level)[:, None], near, most=MOST, least=LEAST).spread[:, 0],
        ideal, _dark_share(grey, near),
    )  # fmt: skip


def _dark_share(grey: Array, near: Nearest) -> Array:
    """How many of the nearest neighbours with a say made under 1 % of a clear day; NaN with nobody near."""
    padded = np.vstack([grey, np.full((1, grey.shape[1]), np.nan)])
    said = padded[near.place[:, :MOST]]  # [sites, places, days]
    count = np.isfinite(said).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(count > 0, (said < DARK_RATIO).sum(axis=1) / count, np.nan)


def _tables(days: pl.DataFrame, sites: pl.DataFrame, dates: list[date]) -> dict[str, Array]:
    """The columns of `days` as [sites, days]; NaN where there is no row, no value, or the site was not yet in use."""
    columns = ("pv_kwh", "pv_coverage_pct", "held_back_h")
    rows = (
        days.filter(pl.col("day").is_between(dates[0], dates[-1]))
        .join(sites.select("site_id", "commissioned_on").with_row_index("row"), on="site_id", how="inner")
        .filter((pl.col("day") >= pl.col("commissioned_on")).fill_null(True))
        .with_columns(column=(pl.col("day") - pl.lit(dates[0])).dt.total_days())
    )
    place = rows["row"].to_numpy(), rows["column"].to_numpy()
    tables = {}
    for name in columns:
        tables[name] = np.full((sites.height, len(dates)), np.nan)
        tables[name][place] = rows[name].cast(pl.Float64).to_numpy()
    return tables


def _opinion(grey: Array, geometry: Geometry, near: Nearest, best: NDArray[np.intp]) -> Opinion:
    said = consult(_own_sky(grey, geometry, best), near, most=MOST, least=LEAST)
    return said._replace(median=np.where(said.median > 0, said.median, np.nan))  # no light at all is no sky


def _own_sky(grey: Array, geometry: Geometry, best: NDArray[np.intp]) -> Array:
    """The sky under which each roof would make what it made: what the plane makes of it depends on the sky itself.

    The geometric mean of guess and answer settles where the plain answer swings, as on steep roofs in winter.
    """
    sky = np.where(np.isfinite(grey), np.maximum(grey, 0.0), np.nan)
    for _ in range(SETTLING):
        with np.errstate(invalid="ignore", divide="ignore"):
            answer = grey / picked(plane_factor(geometry, np.minimum(sky, BRIGHTEST)), best)
            sky = np.sqrt(np.minimum(sky, BRIGHTEST) * answer)
    return sky


def _sound_opinion(grey: Array, level: Array, geometry: Geometry, near: Nearest, best: NDArray[np.intp]) -> Opinion:
    """What the sound neighbours say; where they are too few, what they and those that lag say.

    Of three voices one may be wrong and the median still holds. A faulty neighbour can only make a site look better.
    """
    sound = _opinion(np.where(_is_off(level)[:, None], np.nan, grey), geometry, near, best)
    is_high = (level > 1 / OFF_RATIO)[:, None]
    with_lagging = _opinion(np.where(is_high, np.nan, grey), geometry, near, best)
    few = sound.voices < LEAST
    return Opinion(*(np.where(few, other, one) for one, other in zip(sound, with_lagging, strict=True)))


def _is_off(level: Array) -> NDArray[np.bool_]:
    return (level < OFF_RATIO) | (level > 1 / OFF_RATIO)


def _filled(sky: Array, own: Array) -> Array:
    return np.where(np.isfinite(sky), sky, own)


def picked(values: Array, best: NDArray[np.intp]) -> Array:
    return np.take_along_axis(values, best[:, None, None], axis=1)[:, 0]


def _level(ratio: Array) -> Array:
    return median(ratio[..., -RECENT_DAYS:])


def sound_level(past: Array) -> tuple[Array, Array]:
    """What a site reached beside its neighbours while it was sound, and the scatter of its single days.

    The scatter comes from successive differences, which a step or a season in the past hardly moves. The upper quartile
    less what scatter puts there is the median of a sound past, and stays it while a fault fills half of the window.
    """
    scatter = _unrest(past)
    return quantile(past, 0.75) - scatter / MAD_TO_SIGMA, scatter


def _unrest(values: Array) -> Array:
    """The spread of single days about their neighbours in time, gaps left out; NaN with nothing to compare."""
    place = np.where(np.isfinite(values), np.arange(values.shape[-1]), -1)
    before = np.maximum.accumulate(place, axis=-1)[..., :-1]
    earlier = np.where(before >= 0, np.take_along_axis(values, np.maximum(before, 0), axis=-1), np.nan)
    return spread(values[..., 1:] - earlier) / np.sqrt(2)


def _fitting_planes(ratio: Array, has_planes: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Which of the plausible roofs a site may have, [sites, planes], by how it answers to clear and to grey days.

    Held against the wrong roof, a site swings from day to day with the share of direct light. A fault takes the same
    share of either, so it does not hide the roof.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = np.log(ratio)
        unrest = _unrest(np.where(np.isfinite(logs), logs, np.nan))
        least = np.fmin.reduce(unrest, axis=-1, keepdims=True)
        # Too few days tell nothing apart: then any roof may be it.
        swings = unrest > SWING * np.maximum(least, CALM_RATIO)
    enough = np.isfinite(ratio[:, 0]).sum(axis=-1) >= FIT_DAYS
    return ~(swings & (enough & ~has_planes)[:, None])


def _best_planes(ratio: Array, fits: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Per site the plane under which its own earlier days are steadiest and nearest to its neighbours'."""
    # Ten earlier days leave the recent ones, where a fault may lie, out of the choice.
    has_past = np.isfinite(ratio[..., :-RECENT_DAYS]).sum(axis=-1, keepdims=True) >= RECENT_DAYS
    is_recent = np.arange(ratio.shape[-1]) >= ratio.shape[-1] - RECENT_DAYS
    level, scatter = sound_level(np.where(has_past & is_recent, np.nan, ratio))
    with np.errstate(invalid="ignore", divide="ignore"):
        misfit = np.nan_to_num(scatter / level) + np.abs(np.log(level))
    misfit = np.where(np.isfinite(misfit) & fits, misfit, np.inf)
    return np.where(np.isfinite(misfit).any(axis=-1), misfit.argmin(axis=-1), DEFAULT_PLANE)
