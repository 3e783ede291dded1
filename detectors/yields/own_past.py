"""What a site usually makes of a sky at this time of the day, beyond what its planes explain: shade, wrong planes.

Per half hour and by bright or dull sky the log ratio of actual to expected over the last weeks, less the site's level.
Its median is shrunk towards 0 by how well it is known; what stays unknown goes into the day's variance.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from detectors.solar import plane_response
from detectors.stats.robust import MAD_TO_SIGMA, Array, medians_of_groups
from detectors.yields.day_residual import weighted_median

HALF_HOURS = 48
BINS = 2 * HALF_HOURS  # of the UTC day, dull then bright
BRIGHT = 0.55  # ours: clearness; above it the beam gives most of the light
PRIOR, PRIOR_UNKNOWN = 0.05, 0.12  # measured: sigma of such ratios under a high sun, planes known and unknown
LOW_SUN, LOW_SUN_DEG, LOW_SUN_UNKNOWN = 0.45, 20.0, 1.5  # measured: what low suns add, and unknown planes to that
HORIZON_DEG = 8.0  # ours: hills and houses around roofs: Rayleigh's distribution, one in twenty above 20 degrees
SUN_OVER_SKY = 5.0  # ours: of the light on a plane that faces a low sun, under a clear sky
DAY_SIGMA, MIN_DAY_SIGMA = 0.25, 0.1  # measured: scatter of one half hour's ratio from day to day
HALF_WEIGHT = 0.12  # ours: an interval known so well counts half
TRAINING_DAYS = 50  # ours: the sun's course moves on
MIN_W_PER_KWP = 10.0  # ours: below it ratios are rounding
CORRECTION_SIGMA_RATIO = 0.1  # ours: of a large correction; it moves with the season
CLIP_LOW, CLIP_HIGH = -2.5, 1.5


class Past(NamedTuple):
    """What is learned of each site's bins, [sites, BINS]; NaN where nothing is known."""

    offset: Array  # median log ratio
    noise: Array  # its variance


def nothing(sites: int) -> Past:
    """Nothing known."""
    return Past(np.full((sites, BINS), np.nan), np.full((sites, BINS), np.nan))


def prior_sigma(elevation_deg: Array, clearness: Array | float, is_unknown: NDArray[np.bool_]) -> Array:
    """How far a ratio may lie from 0 at this sun and sky, before anything was seen; all broadcast."""
    low = LOW_SUN * np.clip(1 - elevation_deg / LOW_SUN_DEG, 0.0, 1.0)
    plain = np.where(is_unknown, PRIOR_UNKNOWN + LOW_SUN_UNKNOWN * low, PRIOR + low)
    return np.asarray(np.hypot(plain, horizon_sigma(elevation_deg, clearness)))


def horizon_sigma(elevation_deg: Array, clearness: Array | float) -> Array:
    """Sigma of the log of a roof's light, as this sun may stand behind its horizon; all broadcast.

    Until a roof was seen under such a sun nobody knows its horizon. Without the sun the sky's light is left.
    """
    sky = np.clip(np.nan_to_num(clearness), 0.05, 1.0)
    beam = np.interp(sky, plane_response.CLEARNESS, plane_response.BEAM_PART)
    hidden = np.exp(-((elevation_deg / HORIZON_DEG) ** 2) / 2)
    return np.asarray(np.log1p(SUN_OVER_SKY * beam / sky) * np.sqrt(hidden * (1 - hidden)))


def bin_of(half_hour: np.ndarray, clearness: Array) -> np.ndarray:
    """The bin of a half hour of UTC (0 to 47) under this clearness."""
    return half_hour + HALF_HOURS * (np.nan_to_num(clearness) > BRIGHT)


def learn(bins: np.ndarray, log_ratio: Array, energy: Array, prior: Array) -> tuple[Array, Array]:
    """One site's offsets and noises, both [BINS].

    One entry per half hour seen: its bin, log ratio, energy and prior sigma.
    """
    offset, noise = np.full(BINS, np.nan), np.full(BINS, np.nan)
    if len(bins) <= 4:
        return offset, noise
    level = weighted_median(log_ratio[None], (energy / (prior**2 + MIN_DAY_SIGMA**2))[None])[0]
    rest = log_ratio - level
    own, group = np.unique(bins, return_inverse=True)
    middle, counts = medians_of_groups(group, rest)
    scatter, _ = medians_of_groups(group, np.abs(rest - middle[group]))
    sigma = np.where(counts > 3, np.maximum(MIN_DAY_SIGMA, MAD_TO_SIGMA * scatter), DAY_SIGMA)
    offset[own] = np.clip(middle, CLIP_LOW, CLIP_HIGH)
    noise[own] = sigma**2 / counts
    return offset, noise


class Correction(NamedTuple):
    """For parts of days; all arrays have one shape."""

    log_usual: Array  # log ratio that is usual at this sun and sky
    weight: Array  # of the quarter hour: 1 where all is known
    sigma: Array  # what stays unknown


def shrink(offset: Array, noise: Array, prior: Array) -> Correction:
    """Offsets shrunk by how well they are known against the `prior` variance; all of one shape."""
    known = np.isfinite(offset)
    trust = np.where(known, prior / (prior + np.where(known, noise, 1.0)), 0.0)
    usual = trust * np.where(known, offset, 0.0)
    left = prior * (1 - trust) + (CORRECTION_SIGMA_RATIO * np.abs(usual)) ** 2
    return Correction(usual, 1 / (1 + left / HALF_WEIGHT**2), np.sqrt(left))


def correct(
    past: Past, half_hour: np.ndarray, clearness: Array, elevation_deg: Array, is_unknown: NDArray[np.bool_]
) -> Correction:
    """What the past says of a day; `half_hour` is [quarters], `is_unknown` [sites]."""
    prior = prior_sigma(elevation_deg, clearness, is_unknown[:, None]) ** 2
    place = bin_of(half_hour[None, :], clearness)
    found = shrink(np.take_along_axis(past.offset, place, 1), np.take_along_axis(past.noise, place, 1), prior)
    return found._replace(log_usual=np.where(np.isfinite(clearness), found.log_usual, 0.0))


def day_sigma(correction: Correction, expected_w: Array, share: Array) -> Array:
    """Of a day's level, what the past leaves open, [sites]: the mean over the energy that counts.

    Errors of one half hour and of the next go together, so they do not average out.
    """
    weight = expected_w * np.exp(correction.log_usual) * correction.weight * share
    total = weight.sum(axis=1)
    return np.asarray((weight * correction.sigma).sum(axis=1) / np.maximum(total, 1e-9))
