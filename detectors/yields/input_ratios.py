"""The inputs of a day, each held against the others of its site by the planes that were learned of it."""

import numpy as np
from numpy.typing import NDArray

from detectors.solar import plane_response
from detectors.solar.plane_response import Answer
from detectors.solar.pv_model import Sky
from detectors.stats.robust import Array
from detectors.yields import input_shares, roof_model
from detectors.yields.fleet_day import Fleet
from detectors.yields.half_hours import MAX_INPUTS


def of_day(fleet: Fleet, clearness: Array) -> tuple[Array, Array]:
    """Each input's log ratio to the others, and its sigma by its own scale; both [sites, inputs]."""
    x, sigma = (np.full((fleet.sites.height, MAX_INPUTS), np.nan) for _ in range(2))
    lengths = fleet.models["input_mix"].list.len().fill_null(0).to_numpy()
    planes = np.bincount(fleet.planes.site, minlength=fleet.sites.height)
    planes = np.where(planes > 0, planes, len(plane_response.TILTS_DEG))
    for count in np.unique(planes):
        rows = np.flatnonzero((lengths == MAX_INPUTS * count) & (planes == count))  # learned with the planes of today
        if len(rows):
            x[rows], sigma[rows] = _of_sites(fleet, clearness, rows, int(count))
    return x, sigma


def _of_sites(fleet: Fleet, clearness: Array, rows: NDArray[np.intp], count: int) -> tuple[Array, Array]:
    """The same of sites of so many planes, [rows, inputs]."""
    known = np.isin(fleet.planes.site, rows)
    if known.any():
        tilt, azimuth = (one[known].reshape(len(rows), count) for one in fleet.planes[2:])
    else:
        tilt, azimuth = plane_response.basis_planes(fleet.sites["latitude"].to_numpy()[rows])
    sky = Sky(*(one[rows][None] for one in fleet.sky))
    each = plane_response.answer(sky, tilt.T[:, :, None], azimuth.T[:, :, None])
    inputs = fleet.inputs_w[:, rows]
    kwp = fleet.roofs.kwp[rows]
    is_there = np.isfinite(inputs).any(axis=2, keepdims=True)
    total = np.where(is_there, inputs, 0.0).sum(axis=0)  # NaN where one of them is not known
    valid = np.isfinite(total) & (np.nan_to_num(total) > input_shares.MIN_POWER_RATIO * 1000 * kwp[:, None])
    answer = Answer(*(one[rows] for one in fleet.light.answer))
    seen = input_shares.own_sky(clearness[rows], total, answer, fleet.ambient_c[rows, None], kwp[:, None])
    models = fleet.models[rows]
    mix = roof_model.past_of(models, "input_mix", MAX_INPUTS * count).reshape(len(rows), MAX_INPUTS, count)
    ratios, sigma = input_shares.of_days(inputs, valid, mix.transpose(1, 2, 0), each, seen, kwp, 0.25)
    return ratios, sigma * roof_model.past_of(models, "input_scale", MAX_INPUTS)
