"""What the roofs of a fleet make of a clear day and of a grey one: their planes where the register knows them.

Where it does not, each of a handful of plausible roofs stands in for the site's own.
"""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.solar.clear_day import clear_day, diffuse_ratio, transposition, views
from detectors.stats.robust import Array

PERFORMANCE_RATIO = 0.80  # IEC 61724-1's worked example; it cancels between neighbours, all but in the sky's greyness
NODE_DAYS = 10  # ours: geometry is computed every 10 days and interpolated: within 1 % to 50 degrees, 2 % to 58
NODE_DEG = 0.5  # ours: the plausible roofs' geometry is shared by half degrees of latitude: within 1.5 % to 50 degrees
TIGHT_AC_RATIO = 0.9  # ours: an inverter below 0.9 kW per kWp may clip a clear day
# Tilt and azimuth away from the equator: flat, common, steep; east or west, common and steep (one stands for both: day
# sums are symmetric about solar noon); and a shallow roof turned half away. Ours: what a sensible installer builds on.
PLAUSIBLE = ((10.0, 0.0), (30.0, 0.0), (55.0, 0.0), (30.0, 90.0), (50.0, 90.0), (25.0, 135.0))
DEFAULT_PLANE = 1


class _Roofs(NamedTuple):
    """Roofs at the nodes' days: [sites, planes, nodes] and, for the views, [sites, planes]."""

    beam_ratio: Array
    clip_ratio: Array
    sky_view: Array
    ground_view: Array


class Geometry(NamedTuple):
    """What a fleet's roofs make of a clear day; what `plane_factor` needs for any other sky."""

    clear_kwh_m2: Array  # [sites, days]
    clearness_ratio: Array
    sunset_rad: Array
    beam_ratio: Array  # [sites, planes, days]
    sky_view: Array  # [sites, planes, 1]
    ground_view: Array
    clip_ratio: Array  # [sites, planes, days]: share of a clear day that the inverter cuts off


def geometry_of(sites: pl.DataFrame, planes: pl.DataFrame, dates: list[date]) -> tuple[Geometry, NDArray[np.bool_]]:
    """What each site's planes, or each of the plausible ones where they are unknown, make of a clear day."""
    nodes = np.arange(0, len(dates) + NODE_DAYS - 1, NODE_DAYS)
    on = [dates[0] + timedelta(days=int(node)) for node in nodes]
    latitude = sites["latitude"].to_numpy()
    ac_ratio = sites.select(pl.coalesce(pl.col("inverter_kw") / pl.col("installed_kwp"), np.inf)).to_numpy()[:, 0]
    level = clear_day(latitude, np.zeros(sites.height), np.zeros(sites.height), on)
    roofs = _plausible_roofs(latitude, ac_ratio, on)
    has_planes = _lay_known(roofs, _known_planes(sites, planes), latitude, ac_ratio, on)
    weight = _weights(len(dates), nodes)
    geometry = Geometry(
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
    if not len(where):
        return _Roofs(np.zeros(shape), np.zeros(shape), np.zeros((0, len(tilt))), np.zeros((0, len(tilt))))
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


def plane_factor(geometry: Geometry, sky: Array) -> Array:
    """Energy on each plane over that on the horizontal under a sky of this factor, clipping taken off."""
    diffuse = diffuse_ratio(sky * geometry.clearness_ratio, geometry.sunset_rad)[:, None, :]
    factor = transposition(geometry.beam_ratio, geometry.sky_view, geometry.ground_view, diffuse)
    return factor * (1 - geometry.clip_ratio * np.clip(sky, 0.0, 1.0)[:, None, :])
