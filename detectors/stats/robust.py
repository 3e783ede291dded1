"""Medians and sigmas that a few wild values cannot move, for arrays with gaps.

Sorting once is some hundred times faster than numpy's nanmedian on the many short rows that a fleet makes.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

MAD_TO_SIGMA = 1.4826022185  # Iglewicz & Hoaglin 1993: 1 / 0.6744897502, the normal distribution's upper quartile
MEAN_DEVIATION_TO_SIGMA = np.sqrt(np.pi / 2)  # the same for the mean absolute deviation, exact for a normal one


def quantile(values: ArrayLike, share: float, axis: int = -1) -> Array:
    """The quantile of the finite values along `axis` by linear interpolation; NaN where there is none."""
    ordered = np.moveaxis(np.asarray(values, dtype=float), axis, -1)
    if ordered.shape[-1] == 0:
        return np.full(ordered.shape[:-1], np.nan)
    ordered = np.sort(np.where(np.isfinite(ordered), ordered, np.nan), axis=-1)  # NaN goes last
    last = np.isfinite(ordered).sum(axis=-1) - 1
    place = np.maximum(last, 0) * share
    below = np.floor(place).astype(np.intp)
    above = np.ceil(place).astype(np.intp)
    low = np.take_along_axis(ordered, below[..., None], axis=-1)[..., 0]
    high = np.take_along_axis(ordered, above[..., None], axis=-1)[..., 0]
    return low + (high - low) * (place - below)


def quantile_of(values: Array, share: float) -> float:
    """The quantile of one row of finite values by linear interpolation, to the bit as numpy's; NaN of none or with NaN.

    For what is asked of thousands of sites one by one: of ten values numpy's own takes 28 microseconds and this two
    (its median 16, and the one below three).
    """
    ordered = np.sort(values)
    if not len(ordered) or np.isnan(ordered[-1]):
        return float("nan")
    place = (len(ordered) - 1) * share
    below = int(place)
    low, high = float(ordered[below]), float(ordered[min(below + 1, len(ordered) - 1)])
    part = place - below
    return low + (high - low) * part if part < 0.5 else high - (high - low) * (1 - part)


def median_of(values: Array) -> float:
    """The median of one row of finite values, likewise."""
    ordered = np.sort(values)
    if not len(ordered) or np.isnan(ordered[-1]):
        return float("nan")
    return float(ordered[(len(ordered) - 1) // 2] + ordered[len(ordered) // 2]) / 2


def median(values: ArrayLike, axis: int = -1) -> Array:
    """The median of the finite values along `axis`; NaN where there is none."""
    return quantile(values, 0.5, axis)


def mad(values: ArrayLike, axis: int = -1) -> Array:
    """The median absolute deviation from the median; NaN where there is no value."""
    data = np.asarray(values, dtype=float)
    return median(np.abs(data - np.expand_dims(median(data, axis), axis)), axis)


def robust_sigma(values: ArrayLike, axis: int = -1) -> Array:
    """The standard deviation that the MAD stands for (MAD x 1.4826); where the MAD is 0, from the mean deviation.

    More than half of the values being equal gives a MAD of 0 however far the others lie; the mean absolute deviation
    then tells them apart. It is 0 only where all values are equal.
    """
    data = np.asarray(values, dtype=float)
    deviation = np.abs(data - np.expand_dims(median(data, axis), axis))
    finite = np.isfinite(deviation)
    count = finite.sum(axis=axis)
    total = np.where(finite, deviation, 0.0).sum(axis=axis)
    by_mean = np.where(count > 0, total / np.maximum(count, 1), np.nan) * MEAN_DEVIATION_TO_SIGMA
    by_median = median(deviation, axis) * MAD_TO_SIGMA
    return np.where(by_median == 0, by_mean, by_median)


def medians_of_groups(group: NDArray[np.intp], values: Array) -> tuple[Array, NDArray[np.intp]]:
    """Medians and counts of the values of each group, both [groups]; groups are 0 to their highest number, none empty.

    All values are finite.
    """
    order = np.lexsort((values, group))
    counts = np.bincount(group)
    begins = np.cumsum(counts) - counts
    ordered = values[order]
    return (ordered[begins + (counts - 1) // 2] + ordered[begins + counts // 2]) / 2, counts


def nullable(values: Array) -> list[float | None]:
    """The values of one row as Python's own; None where one is not finite."""
    known = np.isfinite(values).tolist()
    return [one if is_known else None for one, is_known in zip(values.tolist(), known, strict=True)]
