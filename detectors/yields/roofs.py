"""What the roofs answer to the sky at the instants of a day: registered planes, or learned shares of basis ones."""

from typing import NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.solar import plane_response
from detectors.solar.plane_response import USUAL_SHARES, Answer
from detectors.solar.position import elevation_deg
from detectors.solar.pv_model import Sky, clear_sky
from detectors.stats.robust import Array

BLOCK_SITES = 1000  # ours: their 96 instants hold 0.8 MB an array
LOW_SUN_DEG = 4.0  # ours: below it horizons decide
MIN_BLOCK_INSTANTS = 1


def instants(longitude: Array, day: Array, per_day: int) -> Array:
    """Middles of a day's equal parts, [rows, per_day] in days since 1970; `day` is [rows], days since 1970.

    In the order 00:00 to 24:00 UTC, each part on the UTC date that puts it within half a day of local solar noon.
    """
    start = day[:, None] + ((np.arange(per_day) + 0.5) / per_day)[None, :]
    noon = day[:, None] + 0.5 - longitude[:, None] / 360
    return np.asarray(start + np.round(noon - start))


def skies(latitude: Array, longitude: Array, at: Array) -> Sky:
    """The clear sky over each row's place at its instants, [rows, instants]; all 0 where the sun is low."""
    count = at.shape
    parts = [np.zeros(count) for _ in Sky._fields]
    order = np.argsort(longitude, kind="stable")
    for begin in range(0, len(order), BLOCK_SITES):
        rows = order[begin : begin + BLOCK_SITES]
        height = elevation_deg(latitude[rows, None], longitude[rows, None], at[rows])
        lit = np.flatnonzero((height > LOW_SUN_DEG).any(axis=0))
        if len(lit) < MIN_BLOCK_INSTANTS:
            continue
        part = clear_sky(latitude[rows], longitude[rows], at[np.ix_(rows, lit)])
        is_up = height[:, lit] > LOW_SUN_DEG
        for values, into in zip(part, parts, strict=True):
            into[np.ix_(rows, lit)] = np.where(is_up, values, 0.0)
    return Sky(*parts)


PlaneRow = tuple[float, float, float]  # share, tilt_deg, azimuth_deg


class Planes(NamedTuple):
    """Registered planes, one row each."""

    site: NDArray[np.intp]  # place of its site
    share: Array  # of the site's peak capacity
    tilt_deg: Array
    azimuth_deg: Array

    def is_known(self, sites: int) -> NDArray[np.bool_]:
        """Whether the register knows each site's planes, [sites]."""
        known = np.zeros(sites, dtype=bool)
        known[self.site] = True
        return known

    def of(self, n: int) -> list[PlaneRow]:
        """The planes of one site."""
        mine = np.flatnonzero(self.site == n)
        return list(zip(*(one[mine].tolist() for one in (self.share, self.tilt_deg, self.azimuth_deg)), strict=True))


def registered(sites: pl.DataFrame, planes: pl.DataFrame) -> Planes:
    """The planes of `sites` (SITES, in their order) that the register knows in full."""
    index = sites.lazy().select("site_id", "tilt_deg", "azimuth_deg").with_row_index("row")
    several = (
        planes.lazy()
        .join(index.select("site_id", "row"), on="site_id", how="inner")
        .filter((pl.col("tilt_deg").is_not_null() & pl.col("azimuth_deg").is_not_null()).all().over("site_id"))
        .with_columns(share=pl.col("kwp") / pl.col("kwp").sum().over("row"))
        .select("row", "share", "tilt_deg", "azimuth_deg")
    )
    one = (
        index.join(several.select("row").unique(), on="row", how="anti")
        .drop_nulls(["tilt_deg", "azimuth_deg"])
        .select("row", pl.lit(1.0).alias("share"), "tilt_deg", "azimuth_deg")
    )
    rows = pl.concat([several, one]).sort("row", "tilt_deg", "azimuth_deg", "share").collect()
    return Planes(
        rows["row"].to_numpy().astype(np.intp),
        rows["share"].to_numpy(),
        rows["tilt_deg"].to_numpy(),
        rows["azimuth_deg"].to_numpy(),
    )


def answers(sky: Sky, latitude: Array, planes: Planes, shares: Array) -> Answer:
    """Each row's roof, [rows, instants]; `shares`, [rows, 7], of basis planes where no planes are registered."""
    rows = len(latitude)
    beam, dome = np.zeros(sky.ghi.shape), np.zeros(sky.ghi.shape)
    if len(planes.site):
        part = Sky(*(values[planes.site] for values in sky))
        one = plane_response.answer(part, planes.tilt_deg[:, None], planes.azimuth_deg[:, None])
        np.add.at(beam, planes.site, one.beam_w_m2 * planes.share[:, None])
        np.add.at(dome, planes.site, one.sky_w_m2 * planes.share[:, None])
    unknown = np.flatnonzero(~planes.is_known(rows))
    for begin in range(0, len(unknown), BLOCK_SITES):
        mine = unknown[begin : begin + BLOCK_SITES]
        lit = np.flatnonzero((sky.ghi[mine] > 0).any(axis=0))
        part = Sky(*(values[np.ix_(mine, lit)] for values in sky))
        basis = plane_response.basis_answers(part, latitude[mine])
        mix = shares[mine][:, :, None]
        beam[np.ix_(mine, lit)] = (basis.beam_w_m2 * mix).sum(axis=1)
        dome[np.ix_(mine, lit)] = (basis.sky_w_m2 * mix).sum(axis=1)
    return Answer(beam, dome)


def over_intervals(values: Array, interval_s: Array, part_s: int) -> Array:
    """Means over each row's own interval where it is longer than the parts of `values`, [rows, parts]."""
    means = values
    for length in np.unique(interval_s[interval_s > part_s]):
        many = int(length // part_s)
        if values.shape[1] % many:
            continue
        rows = np.flatnonzero(interval_s == length)
        wide = values[rows].reshape(len(rows), -1, many).mean(axis=2)
        means = means.copy() if means is values else means
        means[rows] = np.repeat(wide, many, axis=1)
    return means


def usual_shares(rows: int) -> Array:
    """Shares of the basis planes where nothing was learned, [rows, 7]."""
    return np.tile(USUAL_SHARES, (rows, 1))
