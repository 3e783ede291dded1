"""First and last light without what the weather around moved them by.

A dull morning is dull at the neighbours too: of 15-min days at two roofs of one Swiss canton (AEW, 2019) first light's
deviations from the days around go together by a correlation of 0.66, last light's by 0.64, and the middle's sigma falls
from 9.0 to 6.8 min once its own share of the other roof's is taken off. Only deviations from the days around count, so
a neighbour whose own clock is wrong, or all of them, move nothing.
"""

from itertools import islice

import numpy as np

from detectors.clock.onsets import Array, Index, Onsets
from detectors.stats.distance import great_circle_km
from detectors.stats.robust import quantile

WITHIN_KM = 50.0  # as for the yields' neighbours: what clouds leave of a day's energy is alike that far
KM_PER_DEGREE = 111.0  # of latitude, rounded down
MAX_NEIGHBOURS = 8  # ours: the nearest; more would lie farther off
DAYS_AROUND = 15  # ours: a week either way; a steady move does not show in deviations from the median of these
MAX_DEVIATION_MIN = 30.0  # ours: one dead inverter or one snowy roof must not fit the ratio
MIN_DAYS = 10  # ours: with a neighbour's light, from which a ratio is fitted


def around(values: Array, count: int) -> Array:
    """The `count` days around each one, mirrored at the ends; shape (..., days, count)."""
    padding = [(0, 0)] * (values.ndim - 1) + [(count // 2, count // 2)]
    padded = np.pad(values, padding, mode="reflect")
    return np.lib.stride_tricks.sliding_window_view(padded, count, axis=-1)


def neighbours(onsets: Onsets, device: int) -> Index:
    """The devices of the nearest other sites, at most MAX_NEIGHBOURS, none farther than WITHIN_KM; nearest first."""
    latitude, longitude = float(onsets.latitude[device]), float(onsets.longitude[device])
    band = np.flatnonzero(np.abs(onsets.latitude - latitude) <= WITHIN_KM / KM_PER_DEGREE)
    far = great_circle_km(latitude, longitude, onsets.latitude[band], onsets.longitude[band])
    order = np.argsort(far, kind="stable")
    within = band[order[far[order] <= WITHIN_KM]].tolist()
    others = (n for n in within if onsets.sites[n] != onsets.sites[device])
    return np.fromiter(islice(others, MAX_NEIGHBOURS), dtype=np.int64)


def without_weather(values: Array, beside: Array) -> Array:
    """Onsets or ends of one device, (days,), less the share of its neighbours' deviations that it goes along with.

    `beside`: the same of its neighbours, (neighbours, days), NaN where unknown. All in minutes. The share is fitted by
    least squares to the device's own deviations, and lies between none and all of it.
    """
    if len(values) < DAYS_AROUND or not len(beside):
        return values
    regional = quantile(_deviations(beside), 0.5, axis=0)
    known = np.isfinite(regional)
    if known.sum() < MIN_DAYS:
        return values
    regional = np.where(known, regional, 0.0)
    own = _deviations(values)
    share = float(np.clip(own @ regional / max(float(regional @ regional), 1.0), 0.0, 1.0))
    return values - share * regional


def _deviations(values: Array) -> Array:
    """How far each day lies from the median of the days around, MAX_DEVIATION_MIN at most."""
    return np.clip(values - quantile(around(values, DAYS_AROUND), 0.5), -MAX_DEVIATION_MIN, MAX_DEVIATION_MIN)
