"""Specific yields of a fleet held against their neighbours', the planes' geometry taken out.

What a day's sky let through is learned from the sites around: each one's yield per kWp, over what its planes would make
of a clear sky, gives a sky factor; the median of the nearest is the sky over the site. What the site's own planes make
of that sky is its expectation. A roof that faces east is so held against what an east roof makes.

Where the register is silent on tilt and azimuth, the same is done for each of a handful of plausible roofs: whoever
judges can then ask for what holds whichever of them it is.
"""

from collections.abc import Collection, Sequence
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.clear_sky import clear_day, diffuse_ratio, transposition, views
from detectors.neighbours import Nearest, Opinion, consult, nearest
from detectors.robust import Array, median, spread

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
PERFORMANCE_RATIO = 0.80  # IEC 61724-1's worked example; it cancels between neighbours, all but in the sky's greyness
OFF_RATIO = 0.75  # as in underperformance: such a neighbour has no say
NODE_DAYS = 10  # ours: geometry is computed every 10 days and interpolated, within 0.5 % below 60 degrees
NODE_DEG = 0.5  # ours: the plausible roofs' geometry is shared by half degrees of latitude, within 1 %
TIGHT_AC_RATIO = 0.9  # ours: an inverter below 0.9 kW per kWp may clip a clear day
# Tilt and azimuth away from the equator: flat, common, steep; east or west, common and steep (one stands for both: day
# sums are symmetric about solar noon); and a shallow roof turned half away. Ours: what a sensible installer builds on.
PLAUSIBLE = ((10.0, 0.0), (30.0, 0.0), (55.0, 0.0), (30.0, 90.0), (50.0, 90.0), (25.0, 135.0))
DEFAULT_PLANE = 1


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
    has_planes: NDArray[np.bool_]  # [sites]: the register knows its planes
    level_spread: Array  # [sites]: how far its neighbours' own recent levels lie apart


class _Roofs(NamedTuple):
    """Roofs at the nodes' days: [sites, planes, nodes] and, for the views, [sites, planes]."""

    beam_ratio: Array
    clip_ratio: Array
    sky_view: Array
    ground_view: Array


class _Geometry(NamedTuple):
    clear_kwh_m2: Array  # [sites, days]
    clearness_ratio: Array
    sunset_rad: Array
    beam_ratio: Array  # [sites, planes, days]
    sky_view: Array  # [sites, planes, 1]
    ground_view: Array
    clip_ratio: Array  # [sites, planes, days]: share of a clear day that the inverter cuts off


def compare(
    days: pl.DataFrame, sites: pl.DataFrame, planes: pl.DataFrame, *, last_day: date, left_out: Collection[str] = ()
) -> Comparison:
    """The comparison over the 60 days up to `last_day`; the sites of `left_out` have no say and are not compared."""
    sites = sites.sort("site_id")
    dates = [last_day - timedelta(days=back) for back in range(WINDOW_DAYS - 1, -1, -1)]
    table = _tables(days, sites, dates)
    geometry, has_planes = _geometry(sites, planes, dates)
    usable = (table["pv_coverage_pct"] >= MIN_COVERAGE_PCT) & ~(table["held_back_h"] > MAX_HELD_BACK_H)
    usable &= ~np.isin(sites["site_id"].to_numpy(), sorted(left_out))[:, None]
    usable &= geometry.clear_kwh_m2 >= MIN_CLEAR_KWH_M2
    kwp = sites["installed_kwp"].to_numpy()[:, None]
    with np.errstate(invalid="ignore", divide="ignore"):
        ideal = PERFORMANCE_RATIO * kwp * geometry.clear_kwh_m2
        grey = np.where(usable, table["pv_kwh"] / ideal, np.nan)  # yield over a clear horizontal day's
    near = nearest(sites, most=CANDIDATES, within_km=WITHIN_KM)
    best = np.full(sites.height, DEFAULT_PLANE)
    opinion = _opinion(grey, grey, geometry, near, best)
    factors = grey[:, None, :] / _plane_factor(geometry, _filled(opinion.median, grey))
    best = _best_planes(factors / opinion.median[:, None, :], has_planes)
    level = _level(_pick(factors, best) / opinion.median)
    sound = np.where((level < OFF_RATIO) | (level > 1 / OFF_RATIO), np.nan, 1.0)[:, None]
    opinion = _opinion(grey * sound, _filled(opinion.median, grey), geometry, near, best)
    disagreement = opinion.spread / opinion.median
    judged = (opinion.median >= MIN_SKY_RATIO) & (disagreement <= MAX_DISAGREEMENT_RATIO)
    sky = np.where(judged, opinion.median, np.nan)
    made = sky[:, None, :] * _plane_factor(geometry, sky)
    expected = made * ideal[:, None, :]
    ratio = grey[:, None, :] / made
    best = _best_planes(ratio, has_planes)
    level = _level(_pick(ratio, best))
    return Comparison(
        sites, dates, table["pv_kwh"], table["pv_coverage_pct"], table["held_back_h"], opinion.median, disagreement,
        opinion.voices, expected, ratio, best, has_planes,
        consult((level * sound[:, 0])[:, None], near, most=MOST, least=LEAST).spread[:, 0],
    )  # fmt: skip


def expected(
    days: pl.DataFrame, sites: pl.DataFrame, planes: pl.DataFrame, *, left_out: Collection[str] = ()
) -> pl.DataFrame:
    """Per row of `days` in its last 60 days: site_id, day, expected_kwh, performance_pct; null where not judged.

    A site whose planes are unknown is held against the plausible roof that fits its own days best.
    """
    schema = {"site_id": pl.String, "day": pl.Date, "expected_kwh": pl.Float64, "performance_pct": pl.Float64}
    if days.is_empty() or sites.is_empty():
        return pl.DataFrame(schema=schema)
    seen = compare(days, sites, planes, last_day=days["day"].sort()[-1], left_out=left_out)
    ratio = _pick(seen.ratio, seen.best)
    kwh = np.where(np.isfinite(ratio), _pick(seen.expected_kwh, seen.best), np.nan)
    count = len(seen.dates)
    told = pl.DataFrame(
        {
            "site_id": np.repeat(seen.sites["site_id"].to_numpy(), count),
            "day": pl.Series(seen.dates * seen.sites.height, dtype=pl.Date),
            "expected_kwh": kwh.ravel(),
            "performance_pct": ratio.ravel() * 100,
        },
        schema=schema,
    ).fill_nan(None)
    return days.select("site_id", "day").join(told, on=["site_id", "day"], how="inner").sort("site_id", "day")


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


def _geometry(sites: pl.DataFrame, planes: pl.DataFrame, dates: list[date]) -> tuple[_Geometry, NDArray[np.bool_]]:
    """What each site's planes, or each of the plausible ones where they are unknown, make of a clear day."""
    nodes = np.arange(0, len(dates) + NODE_DAYS - 1, NODE_DAYS)
    on = [dates[0] + timedelta(days=int(node)) for node in nodes]
    latitude = sites["latitude"].to_numpy()
    ac_ratio = sites.select(pl.coalesce(pl.col("inverter_kw") / pl.col("installed_kwp"), np.inf)).to_numpy()[:, 0]
    level = clear_day(latitude, np.zeros(sites.height), np.zeros(sites.height), on)
    roofs = _plausible_roofs(latitude, ac_ratio, on)
    has_planes = _lay_known(roofs, _known_planes(sites, planes), latitude, ac_ratio, on)
    weight = _weights(len(dates), nodes)
    geometry = _Geometry(
        np.nan_to_num(level.ghi_kwh_m2) @ weight,
        np.nan_to_num(level.clearness_ratio) @ weight,
        level.sunset_rad @ weight,
        np.nan_to_num(roofs.beam_ratio) @ weight,
        roofs.sky_view[:, :, None],
        roofs.ground_view[:, :, None],
        roofs.clip_ratio @ weight,
    )
    return geometry, has_planes


def _plausible_roofs(latitude: Array, ac_ratio: Array, dates: Sequence[date]) -> _Roofs:
    """Every plausible roof at every site; computed once per half degree of latitude."""
    where, of_site = np.unique(np.round(latitude / NODE_DEG) * NODE_DEG, return_inverse=True)
    tilt, turn = np.array(PLAUSIBLE).T
    shape = (len(where), len(tilt), len(dates))
    toward = np.where(where >= 0, 180.0, 0.0)  # the equator, seen from there
    clear = clear_day(
        np.repeat(where, len(tilt)),
        np.tile(tilt, len(where)),
        (np.repeat(toward, len(tilt)) + np.tile(turn, len(where))) % 360,
        dates,
    )
    beam_ratio = clear.beam_ratio.reshape(shape)[of_site]
    clip_ratio = np.zeros_like(beam_ratio)
    tight = np.flatnonzero(ac_ratio < TIGHT_AC_RATIO)
    course = clear.plane_w_m2.reshape(*shape, -1)
    clip_ratio[tight] = _clip(course[of_site[tight]], ac_ratio[tight, None])
    sky, ground = (np.tile(view, (len(latitude), 1)) for view in views(tilt))
    return _Roofs(beam_ratio, clip_ratio, sky, ground)


def _lay_known(
    roofs: _Roofs, rows: pl.DataFrame, latitude: Array, ac_ratio: Array, dates: Sequence[date]
) -> NDArray[np.bool_]:
    """Which sites' planes are known; their own planes, mixed by share, take all the places in `roofs`."""
    row, share, tilt = rows["row"].to_numpy(), rows["share"].to_numpy(), rows["tilt_deg"].to_numpy()
    is_known = np.zeros(len(latitude), dtype=bool)
    is_known[row] = True
    if not is_known.any():
        return is_known
    clear = clear_day(latitude[row], tilt, rows["azimuth_deg"].to_numpy(), dates)

    def mixed(values: Array) -> Array:
        total = np.zeros((len(latitude), *values.shape[1:]))
        np.add.at(total, row, values * share.reshape(-1, *[1] * (values.ndim - 1)))
        return total[is_known][:, None]

    sky, ground = views(tilt)
    roofs.beam_ratio[is_known] = mixed(clear.beam_ratio)
    roofs.clip_ratio[is_known] = _clip(mixed(clear.plane_w_m2), ac_ratio[is_known, None])
    roofs.sky_view[is_known], roofs.ground_view[is_known] = mixed(sky), mixed(ground)
    return is_known


def _known_planes(sites: pl.DataFrame, planes: pl.DataFrame) -> pl.DataFrame:
    """row (of `sites`), share (of the site's kWp), tilt_deg, azimuth_deg of every plane that is known."""
    index = sites.select("site_id", "latitude", "tilt_deg", "azimuth_deg").with_row_index("row")
    several = (
        planes.join(index.select("site_id", "row"), on="site_id", how="inner")
        .filter((pl.col("tilt_deg").is_not_null() & pl.col("azimuth_deg").is_not_null()).all().over("site_id"))
        .sort("row", "tilt_deg", "azimuth_deg", "kwp")
        .select("row", (pl.col("kwp") / pl.col("kwp").sum().over("row")).alias("share"), "tilt_deg", "azimuth_deg")
    )
    one = index.join(several.select("row").unique(), on="row", how="anti").drop_nulls(["tilt_deg", "azimuth_deg"])
    return pl.concat([several, one.select("row", pl.lit(1.0).alias("share"), "tilt_deg", "azimuth_deg")]).sort(
        "row", maintain_order=True
    )


def _clip(course_w_m2: Array, ac_ratio: Array) -> Array:
    """The share of a clear day's energy above the inverter's rating; the last axis of `course_w_m2` is the day."""
    made = course_w_m2 / 1000 * PERFORMANCE_RATIO  # kW per kWp
    total = made.sum(axis=-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(total > 0, np.maximum(made - ac_ratio[..., None, None], 0.0).sum(axis=-1) / total, 0.0)


def _weights(count: int, nodes: NDArray[np.intp]) -> Array:
    """The matrix [nodes, days] that interpolates linearly between the nodes' days."""
    place = np.arange(count)
    return np.maximum(0.0, 1 - np.abs(place[None, :] - nodes[:, None]) / NODE_DAYS)


def _plane_factor(geometry: _Geometry, sky: Array) -> Array:
    """Energy on each plane over that on the horizontal under a sky of this factor, clipping taken off."""
    diffuse = diffuse_ratio(sky * geometry.clearness_ratio, geometry.sunset_rad)[:, None, :]
    factor = transposition(geometry.beam_ratio, geometry.sky_view, geometry.ground_view, diffuse)
    return factor * (1 - geometry.clip_ratio * np.clip(sky, 0.0, 1.0)[:, None, :])


def _opinion(grey: Array, sky: Array, geometry: _Geometry, near: Nearest, best: NDArray[np.intp]) -> Opinion:
    factor = _pick(_plane_factor(geometry, sky), best)
    return consult(grey / factor, near, most=MOST, least=LEAST)


def _filled(sky: Array, own: Array) -> Array:
    return np.where(np.isfinite(sky), sky, own)


def _pick(values: Array, best: NDArray[np.intp]) -> Array:
    return np.take_along_axis(values, best[:, None, None], axis=1)[:, 0]


def _level(ratio: Array) -> Array:
    return median(ratio[..., -RECENT_DAYS:])


def _best_planes(ratio: Array, has_planes: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Per site the plane under which its own earlier days are steadiest and nearest to its neighbours'."""
    # Ten earlier days leave the recent ones, where a fault may lie, out of the choice.
    has_past = np.isfinite(ratio[..., :-RECENT_DAYS]).sum(axis=-1, keepdims=True) >= RECENT_DAYS
    is_recent = np.arange(ratio.shape[-1]) >= ratio.shape[-1] - RECENT_DAYS
    past = np.where(has_past & is_recent, np.nan, ratio)
    level = median(past)
    with np.errstate(invalid="ignore", divide="ignore"):
        misfit = spread(past) / level + np.abs(np.log(level))
    misfit = np.where(np.isfinite(misfit), misfit, np.inf)
    best = misfit.argmin(axis=-1)
    nothing_known = has_planes | ~np.isfinite(misfit).any(axis=-1)
    return np.where(nothing_known, DEFAULT_PLANE, best)
