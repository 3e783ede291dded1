"""One roof's model from its kept days: planes where the register has none, usual ratios, and how its inputs share."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.solar import plane_response
from detectors.solar.plane_response import Answer
from detectors.stats.robust import MAD_TO_SIGMA, Array, median
from detectors.yields import half_hours, input_shares, own_past, plane_shares
from detectors.yields.day_residual import SCALE_DAYS
from detectors.yields.half_hours import MAX_INPUTS, Days
from detectors.yields.own_past import Past
from detectors.yields.pyranometer import CLIPPED_RATIO
from detectors.yields.roofs import PlaneRow

LONE_RATIO = 0.1  # ours: with fewer half hours under a neighbour's sky than that a site stands alone
MIX_ROUNDS = 2  # ours: first by the planes of the whole roof, then by the inputs' own
MIN_INPUT_ROWS = 60  # ours: half hours; fewer tell no planes of inputs


class Roof(NamedTuple):
    """A roof's model, and its kept days by it."""

    shares: Array
    level: float
    past: Past  # [1, BINS]
    x: Array  # [days], NaN without neighbours
    past_sigma: Array
    input_mix: Array | None  # [inputs, planes]; None where inputs are not measured or too few
    input_scale: Array  # [inputs]
    input_x: Array  # [days, MAX_INPUTS]
    input_sigma: Array


def fit(
    days: Days,
    *,
    planes: list[PlaneRow],
    latitude: float,
    kwp: float,
    ceiling_w: float,
    level: float,
    shares: Array,
    is_out: NDArray[np.bool_],
) -> Roof:
    """The model of one site from its `days` (one row each); `is_out` are days that are not to be learned from.

    `planes` are the registered ones, none where they are not known; then `shares` of the basis planes are where the fit
    starts.
    """
    each = _each_plane(days, planes, latitude)
    if not planes:
        found = _fit_shares(days, each, kwp, ceiling_w, shares)
        shares = shares if found is None else found
        mix = shares
    else:
        mix = np.array([share for share, _, _ in planes])
    answer = Answer(np.tensordot(mix, each.beam_w_m2, 1), np.tensordot(mix, each.sky_w_m2, 1))
    gain = kwp * np.exp(level)
    past = _learn_past(days, answer, gain, ceiling_w, not planes, is_out)
    count = len(days.day)
    flat = [np.broadcast_to(one, (count, one.shape[1])) for one in past]
    fitted = half_hours.level(
        days, answer, np.full(count, gain), np.full(count, ceiling_w), Past(*flat), np.full(count, not planes)
    )
    inputs = _inputs(days, each, answer, kwp, is_out)
    return Roof(shares, level, past, level + fitted.x, fitted.past_sigma, *inputs)


def _each_plane(days: Days, planes: list[PlaneRow], latitude: float) -> Answer:
    """What each plane answers, [planes, rows, places]: the registered ones, else the basis."""
    if planes:
        tilt, azimuth = (np.array([one[k] for one in planes]) for k in (1, 2))
    else:
        tilt, azimuth = (one[0] for one in plane_response.basis_planes(np.array([latitude])))
    sky = type(days.sky)(*(values[None] for values in days.sky))
    return plane_response.answer(sky, tilt[:, None, None], azimuth[:, None, None])


def _is_usable(days: Days, ceiling_w: float) -> NDArray[np.bool_]:
    with np.errstate(invalid="ignore"):
        return (days.share > 0) & (days.power_w < CLIPPED_RATIO * ceiling_w)


def _fit_shares(days: Days, each: Answer, kwp: float, ceiling_w: float, shares: Array) -> Array | None:
    """Shares of the basis planes; None where the days tell too little.

    Suspect days count too: each day is scaled on its own, and what looks like a wrong level may be wrong planes.
    """
    usable = _is_usable(days, ceiling_w)
    known = np.isfinite(days.clearness)
    is_lone = not usable.any() or (usable & known).sum() < LONE_RATIO * usable.sum()
    clearness = np.ones(days.clearness.shape) if is_lone else np.nan_to_num(days.clearness)
    plane = plane_response.irradiance_w_m2(each, clearness[None])
    made = plane * plane_response.efficiency(plane, days.ambient_c[None, :, None]) * kwp * days.share[None]
    power = np.nan_to_num(days.power_w) * days.share
    if is_lone:
        recent = days.day >= days.day.max(initial=0) - plane_shares.ENVELOPE_DAYS
        row, at = np.nonzero(usable & recent[:, None])
        rows, values = plane_shares.envelope(days.slot[row, at], power[row, at], made[:, row, at].T)
        return plane_shares.fit(rows, values)
    row, at = np.nonzero(usable & known)
    if len(row) < plane_shares.MIN_ROWS:
        return None
    by_plane, actual = made[:, row, at].T, power[row, at]
    scale = plane_shares.day_scales(actual, by_plane @ shares, row)
    good = np.isfinite(scale)
    if good.sum() < plane_shares.MIN_ROWS:
        return None
    return plane_shares.fit(by_plane[good], actual[good] / scale[good])


def _learn_past(
    days: Days, answer: Answer, gain: float, ceiling_w: float, is_unknown: bool, is_out: NDArray[np.bool_]
) -> Past:
    expected = plane_response.expected_w(
        answer, np.nan_to_num(days.clearness), days.ambient_c[:, None], np.array(gain), np.array(ceiling_w)
    )
    due, made = expected * days.share, np.nan_to_num(days.power_w) * days.share
    recent = days.day >= days.day.max(initial=0) - own_past.TRAINING_DAYS
    enough = (due > own_past.MIN_W_PER_KWP * gain) & np.isfinite(days.clearness)
    row, at = np.nonzero(enough & (recent & ~is_out)[:, None])
    if not len(row):
        return own_past.nothing(1)
    due, made = due[row, at], made[row, at]
    ratio = np.log(np.maximum(made, 0.02 * due) / due)
    prior = own_past.prior_sigma(days.elevation_deg[row, at], days.clearness[row, at], np.array(is_unknown))
    bins = own_past.bin_of(days.slot[row, at], days.clearness[row, at])
    offset, noise = own_past.learn(bins, ratio, due, prior)
    return Past(offset[None], noise[None])


def _inputs(
    days: Days, each: Answer, answer: Answer, kwp: float, is_out: NDArray[np.bool_]
) -> tuple[Array | None, Array, Array, Array]:
    """How the inputs share the planes, their day-to-day scale, and the kept days' ratios with their sigmas."""
    from scipy.optimize import nnls  # loads slowly, and most commands judge no day

    x, sigma = (np.full((len(days.day), MAX_INPUTS), np.nan) for _ in range(2))
    used = np.flatnonzero(np.isfinite(days.inputs_w).any(axis=(1, 2)))
    power = days.inputs_w[used]
    valid = np.isfinite(power).all(axis=0) & (power.sum(axis=0) > input_shares.MIN_POWER_RATIO * kwp * 1000)
    row, at = np.nonzero(valid & ~is_out[:, None])
    if len(used) < 2 or len(row) < MIN_INPUT_ROWS:
        return None, np.ones(MAX_INPUTS), x, sigma
    sky = input_shares.own_sky(days.clearness, power.sum(axis=0), answer, days.ambient_c[:, None], kwp)
    light = plane_response.irradiance_w_m2(each, sky[None])[:, row, at]
    mix = np.zeros((MAX_INPUTS, len(light)))
    total = power[:, row, at].sum(axis=0)
    due = plane_response.irradiance_w_m2(answer, sky)[row, at][None]
    for _ in range(MIX_ROUNDS):
        by_plane = (light * input_shares.part_scale(due, total)).T
        for n, one in zip(used, power, strict=True):
            mix[n], _ = nnls(*input_shares.fit_rows(by_plane, one[row, at], total))
        due = mix[used] @ light
    x, sigma = input_shares.of_days(days.inputs_w, valid, mix, each, sky, kwp, 0.5)
    return mix, _input_scales(np.where(is_out[:, None], np.nan, x), sigma), x, sigma


def _input_scales(x: Array, sigma: Array) -> Array:
    """Of each input's days, [inputs], from the differences of neighbouring ones."""
    scales = np.ones(x.shape[1])
    for n in range(x.shape[1]):
        known = np.isfinite(x[:, n])
        if known.sum() > 4:
            z = np.diff(x[known, n]) / np.hypot(sigma[known, n][1:], sigma[known, n][:-1])
            scale = MAD_TO_SIGMA * float(median(np.abs(z)))
            scales[n] = np.sqrt((SCALE_DAYS + len(z) * scale**2) / (SCALE_DAYS + len(z)))
    return np.maximum(scales, input_shares.MIN_SCALE)
