"""Tilt, azimuth and size of roofs from the shape of their clear days: robust least squares, many roofs at once."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.solar.pv_model import GAMMA_PER_K, INVERTER_EFFICIENCY, PER_HOUR, SYSTEM_LOSS, Sky
from detectors.stats.robust import Array, robust_sigma

FAIMAN_K_PER_W_M2 = 1 / (25.0 + 6.84)  # pvlib.temperature.faiman's defaults at 1 m/s
TILTS_DEG = (3.0, 15.0, 30.0, 45.0, 62.0)  # where the search begins
AZIMUTHS_DEG = tuple(np.arange(0, 360, 20.0))
ROUNDS = 12  # ours: the step is below 0.1 degrees after eight
STEP = 0.02  # ours: one degree and a bit, for the slopes
STEEPEST = 0.98  # ours: sine of 80 degrees; walls are steeper, roofs are not
MIN_SIGMA = 0.02  # ours: of a roof's highest power; meters and hourly means are no better than that
BELOW, ABOVE = 1.5, 4.0  # ours: in sigmas; shade and haze pull down, next to nothing pushes up: the upper envelope
SHARED_SIGMA = 0.012  # ours: of the highest power; haze and ground err alike on all days, so days do not average it out
HIGH_SUN_SINE = 0.6  # ours: above 37 degrees of height the models of clear skies agree
# Ours: roofs lie between 10 and 45 degrees mostly, and most registers are right about their size within a fifth. Both
# decide what the data leave open: next to nothing while the sun stands high, much in a northern winter.
USUAL_SINE, USUAL_SINE_SIGMA = 0.45, 0.25
USUAL_LOG_SIZE, LOG_SIZE_SIGMA = 0.05, 0.2
BATCH = 64  # roofs; 64 x 90 starts x 288 hours hold 13 MB an array
FLOORS = (4.0, 4.0, 0.03)  # ours: degrees of tilt and of azimuth, share of size: what turbidity and ground leave open


class Fit(NamedTuple):
    """Per roof; NaN where there was nothing to fit."""

    tilt_deg: Array
    azimuth_deg: Array
    scale: Array  # size over the peak capacity that the powers were divided by
    tilt_sigma_deg: Array  # one standard deviation each
    azimuth_sigma_deg: Array
    scale_sigma: Array
    residual_ratio: Array  # what is left unexplained, over the highest power


def fit(sky: Sky, ambient_c: Array, power: Array, *, days: NDArray[np.intp]) -> Fit:
    """The roofs whose clear hours gave `power`.

    `sky` and `ambient_c` are [roofs, hours * PER_HOUR]; `power`, [roofs, hours], is in kW per kWp on the grid's side,
    NaN where it has no say; `days`, [roofs], says how many clear days that was.
    """
    parts = []
    for start in range(0, len(power), BATCH):
        block = slice(start, start + BATCH)
        parts.append(_fit_block(Sky(*(v[block] for v in sky)), ambient_c[block], power[block], days[block]))
    if not parts:
        return Fit(*(np.zeros(0) for _ in Fit._fields))
    return Fit(*(np.concatenate(values) for values in zip(*parts, strict=True)))


def _fit_block(sky: Sky, ambient_c: Array, power: Array, days: NDArray[np.intp]) -> Fit:
    is_valid = np.isfinite(power)
    y = np.where(is_valid, power, 0.0)
    peak = np.maximum(y.max(axis=-1), 1e-6)
    vector = _best_start(sky, ambient_c, y, is_valid)
    log_scale = np.log(_scale(_made(sky, ambient_c, vector), y, is_valid.astype(float)))
    state = np.column_stack([vector, log_scale])
    damping = np.full(len(y), 1e-3)
    weight = _weights(y - _modelled(sky, ambient_c, state), is_valid, peak)
    haze = through_haze(sky.up.max(axis=-1))
    hold = (MIN_SIGMA * peak * haze) ** 2 * is_valid.sum(axis=-1) / np.maximum(days, 1)
    for _ in range(ROUNDS):
        state, damping = _step(sky, ambient_c, y, weight, state, damping, hold)
        weight = _weights(y - _modelled(sky, ambient_c, state), is_valid, peak)
    return _to_fit(sky, ambient_c, y, weight, is_valid, state, peak, days)


def _made(sky: Sky, ambient_c: Array, vector: Array) -> Array:
    """kW per kWp by the hour of planes given by the horizontal part of their upright, [..., roofs, 2]."""
    a, b = vector[..., 0, None], vector[..., 1, None]
    c = np.sqrt(np.maximum(1 - a**2 - b**2, 0.03))
    facing = np.maximum(a * sky.east + b * sky.north + c * sky.up, 0.0)
    plane = facing * sky.beam + sky.diffuse * (1 + c) / 2 + sky.ground * (1 - c) / 2
    warm = 1 + GAMMA_PER_K * (ambient_c + plane * FAIMAN_K_PER_W_M2 - 25)
    made = plane / 1000 * warm * (1 - SYSTEM_LOSS) * INVERTER_EFFICIENCY
    return np.asarray(made.reshape(*made.shape[:-1], -1, PER_HOUR).mean(axis=-1))


def _modelled(sky: Sky, ambient_c: Array, state: Array) -> Array:
    return _made(sky, ambient_c, state[:, :2]) * np.exp(state[:, 2:3])


def _scale(made: Array, y: Array, weight: Array) -> Array:
    total = (weight * made**2).sum(axis=-1)
    return np.maximum((weight * y * made).sum(axis=-1) / np.maximum(total, 1e-9), 1e-3)


def _best_start(sky: Sky, ambient_c: Array, y: Array, is_valid: NDArray[np.bool_]) -> Array:
    """Per roof the best of a net of planes; every other instant is enough to choose by."""
    middle = Sky(*(values[:, ::PER_HOUR] / 2 + values[:, PER_HOUR - 1 :: PER_HOUR] / 2 for values in sky))
    tilt, azimuth = (
        np.radians(grid.ravel()) for grid in np.meshgrid(np.array(TILTS_DEG), np.array(AZIMUTHS_DEG), indexing="ij")
    )
    net = np.column_stack([np.sin(tilt) * np.sin(azimuth), np.sin(tilt) * np.cos(azimuth)])
    warm = ambient_c[:, ::PER_HOUR]
    best, min_misfit = np.zeros((len(y), 2)), np.full(len(y), np.inf)
    weight = is_valid.astype(float)
    for vector in net:
        a, b = vector
        c = np.sqrt(max(1 - a**2 - b**2, 0.03))
        facing = np.maximum(a * middle.east + b * middle.north + c * middle.up, 0.0)
        plane = facing * middle.beam + middle.diffuse * (1 + c) / 2 + middle.ground * (1 - c) / 2
        made = plane * (1 + GAMMA_PER_K * (warm + plane * FAIMAN_K_PER_W_M2 - 25)) / 1000
        misfit = (weight * np.abs(y - _scale(made, y, weight)[:, None] * made)).sum(axis=-1)
        is_better = misfit < min_misfit
        best[is_better], min_misfit[is_better] = vector, misfit[is_better]
    return best


def _weights(residual: Array, is_valid: NDArray[np.bool_], peak: Array) -> Array:
    """Cauchy's, sharper below the model than above it."""
    sigma = np.maximum(robust_sigma(np.where(is_valid, residual, np.nan)), MIN_SIGMA * peak)[:, None]
    cut = np.where(residual < 0, BELOW, ABOVE) * sigma
    return np.where(is_valid, 1 / (1 + (residual / cut) ** 2), 0.0)


def _slopes(sky: Sky, ambient_c: Array, state: Array) -> tuple[Array, Array]:
    """What the model gives and its slopes by the three parameters, [roofs, hours, 3]."""
    base = _modelled(sky, ambient_c, state)
    columns = []
    for n in range(2):
        moved = state.copy()
        moved[:, n] += STEP
        back = state.copy()
        back[:, n] -= STEP
        columns.append((_modelled(sky, ambient_c, moved) - _modelled(sky, ambient_c, back)) / (2 * STEP))
    return base, np.stack([*columns, base], axis=-1)


def _normal(slopes: Array, weight: Array) -> Array:
    return np.einsum("rhi,rh,rhj->rij", slopes, weight, slopes)


def _step(
    sky: Sky, ambient_c: Array, y: Array, weight: Array, state: Array, damping: Array, hold: Array
) -> tuple[Array, Array]:
    """One round of Levenberg and Marquardt for each roof on its own, held near usual roofs by `hold`."""
    base, slopes = _slopes(sky, ambient_c, state)
    normal = _normal(slopes, weight)
    pull = np.einsum("rhi,rh,rh->ri", slopes, weight, y - base)
    length = np.maximum(np.hypot(state[:, 0], state[:, 1]), 1e-3)
    along = np.column_stack([state[:, :2] / length[:, None], np.zeros(len(state))])
    sized = np.array([0.0, 0.0, 1.0])
    by_tilt, by_size = hold / USUAL_SINE_SIGMA**2, hold / LOG_SIZE_SIGMA**2
    normal += by_tilt[:, None, None] * along[:, :, None] * along[:, None, :]
    normal += by_size[:, None, None] * np.diag(sized)[None]
    pull += (by_tilt * (USUAL_SINE - length))[:, None] * along
    pull += (by_size * (USUAL_LOG_SIZE - state[:, 2]))[:, None] * sized
    scale = np.maximum(np.einsum("rii->ri", normal), 1e-9)
    normal += (damping[:, None] * scale)[:, :, None] * np.eye(3)[None]
    move = np.linalg.solve(normal, pull[:, :, None])[:, :, 0]
    new = state + np.clip(move, -0.3, 0.3)
    far = np.maximum(np.hypot(new[:, 0], new[:, 1]), 1e-9)
    new[:, :2] *= np.minimum(1.0, STEEPEST / far)[:, None]
    before = (weight * (y - base) ** 2).sum(axis=-1) + _strain(state, by_tilt, by_size)
    after = (weight * (y - _modelled(sky, ambient_c, new)) ** 2).sum(axis=-1) + _strain(new, by_tilt, by_size)
    is_better = after <= before
    return np.where(is_better[:, None], new, state), np.where(is_better, damping / 3, damping * 5)


def _strain(state: Array, by_tilt: Array, by_size: Array) -> Array:
    off = np.hypot(state[:, 0], state[:, 1]) - USUAL_SINE
    strain: Array = by_tilt * off**2 + by_size * (state[:, 2] - USUAL_LOG_SIZE) ** 2
    return strain


def through_haze(highest_sine: Array) -> Array:
    """By how much more the models of clear skies err under a sun that stays low; 1 where it stands high.

    Ours: by the cube of the way through the air. A winter's sun of the north tells next to nothing of planes.
    """
    return np.maximum(HIGH_SUN_SINE / np.maximum(highest_sine, 0.05), 1.0) ** 3


def _to_fit(
    sky: Sky,
    ambient_c: Array,
    y: Array,
    weight: Array,
    is_valid: NDArray[np.bool_],
    state: Array,
    peak: Array,
    days: NDArray[np.intp],
) -> Fit:
    base, slopes = _slopes(sky, ambient_c, state)
    heard = np.maximum(weight.sum(axis=-1), 1.0)
    sigma = np.sqrt((weight * (y - base) ** 2).sum(axis=-1) / heard)
    # Hours of one day err together: it is the days that count.
    together = is_valid.sum(axis=-1) / np.maximum(days, 1)
    variance = np.maximum(sigma, MIN_SIGMA * peak / 2) ** 2 * together
    variance += (SHARED_SIGMA * through_haze(sky.up.max(axis=-1)) * peak) ** 2 * is_valid.sum(axis=-1)
    normal = _normal(slopes, weight) + 1e-12 * np.eye(3)[None]
    covariance = np.linalg.inv(normal) * variance[:, None, None]
    a, b = state[:, 0], state[:, 1]
    sine = np.clip(np.hypot(a, b), 1e-3, 0.999)
    along = np.column_stack([a, b]) / sine[:, None]
    across = np.column_stack([b, -a]) / sine[:, None]
    horizontal = covariance[:, :2, :2]
    tilt_sigma = np.sqrt(np.einsum("ri,rij,rj->r", along, horizontal, along)) / np.sqrt(1 - sine**2)
    azimuth_sigma = np.sqrt(np.einsum("ri,rij,rj->r", across, horizontal, across)) / sine
    is_known = is_valid.sum(axis=-1) >= 6
    # Where the model errs so much, its own slopes are not to be trusted either.
    blind = np.sqrt(through_haze(sky.up.max(axis=-1)))
    tilt_sigma, azimuth_sigma = tilt_sigma * blind, azimuth_sigma * blind
    figures = (
        np.degrees(np.arcsin(sine)),
        np.degrees(np.arctan2(a, b)) % 360,
        np.exp(state[:, 2]),
        np.hypot(np.degrees(tilt_sigma), FLOORS[0]),
        np.minimum(np.hypot(np.degrees(azimuth_sigma), FLOORS[1] / np.maximum(sine, 0.1) / 2), 180.0),
        np.exp(state[:, 2]) * np.hypot(np.sqrt(covariance[:, 2, 2]), FLOORS[2]),
        sigma / peak,
    )
    return Fit(*(np.where(is_known, value, np.nan) for value in figures))
