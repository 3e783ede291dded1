"""Whether anybody could see a fault of yield: what an observer who knows all but the fault would make of its days.

It is told from the truth alone, and knows nothing of detectors. The observer has a perfect model of the roof and sees
the light over all other roofs of the region. What it cannot know:

- the light over the roof itself, beside the mean of what the others have (the truth has both);
- what air, wind and modules do from day to day, and a meter's offset, by the light's energy;
- the level of the healthy roof, which the simulator draws about what the register lets expect, and which dirt lowers.

The matched filter's significance of a known signal d in days of sigma s, beside nuisances X of a prior's precision P,
is S^2 = d'Wd - d'WX (X'WX + P)^-1 X'Wd, W = 1 / s^2 (generalised least squares; Kay, Fundamentals of Statistical Signal
Processing: Detection Theory, chapters 4 and 7). A fault whose form, first day and size are known is seen no sooner.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from tests.simulation.axis import Axis
from tests.simulation.faults import Fault
from tests.simulation.live import Truth
from tests.simulation.site import Site

Array = NDArray[np.float64]

# One false alarm in twenty site-years over 365 first days and some four depths each allows a chance of 3e-5 a look: the
# normal distribution's 4 sigma. So do odds of 30 to 1 for what one site in a hundred has from its first day on.
SEEN_SIGMAS = 4.0
# Of the level over the register's, log, as `draw` makes roofs: wiring and mismatch 0.84 to 0.97 (0.042), inverter 0.945
# to 0.98 (0.011), modules' heat (0.01), meter (0.01), horizon's sky (0.02), glass, albedo and planes registered to some
# degrees (0.015), dirt (0.015).
LEVEL_SIGMA = 0.053
# ... where nobody registered the planes: so well half hours tell the sum of planes at healthy roofs (`DEVELOPERS.md`).
PLANES_SIGMA = 0.10
SLIDE_SIGMA = 0.0005  # per day: half of the roofs soil by 0 to 0.0012
DAY_SIGMA = 0.015  # of air by 3 degC, wind, and the dirt of a day
OFFSET_W = 3.0  # of a meter: normal 2, and its noise
CLEAR_SIGMA = 0.05  # of a clear sky by its haze, where nobody else sees the same: optical depths of 0.30 to 0.46
CLEAR_RATIO = 0.95  # of the highest light of these hours: the sky is clear for all that is known
CLIPPED, FREE = 0.98, 0.99
STEP_S = 900
MIN_KWH = 0.02  # per kWp, of a day


class Light:
    """The light of a region's sites by quarter hour, W/m2."""

    def __init__(self, sites: Sequence[Site], truth: Mapping[str, Truth]) -> None:
        self._by_site = {site.site_id: _quarters(truth[site.site_id].ghi, truth[site.site_id].axis) for site in sites}
        self._of_region: dict[int, list[str]] = {}
        for site in sites:
            self._of_region.setdefault(site.region, []).append(site.site_id)

    def of(self, site: Site) -> Array:
        return self._by_site[site.site_id]

    def around(self, site: Site) -> Array | None:
        """The mean of the others' light; None at a lone site."""
        others = [one for one in self._of_region[site.region] if one != site.site_id]
        return np.mean([self._by_site[one] for one in others], axis=0) if others else None


def significance(fault: Fault, site: Site, truth: Truth, light: Light) -> float:
    """How many sigma the fault stands out by, to the last day of the span."""
    axis = Axis(truth.axis.first, truth.axis.days, STEP_S)
    signal, kwh, sky_sigma = _days(fault, site, truth, light, axis)
    known = np.isfinite(signal) & np.isfinite(sky_sigma)
    if not known.any():
        return 0.0
    signal, kwh, sky_sigma = signal[known], kwh[known], sky_sigma[known]
    offset = OFFSET_W * 12 / 1000 / kwh
    weight = 1 / (sky_sigma**2 + DAY_SIGMA**2 + offset**2)
    is_registered = bool(site.arrays) or "tilt_deg" in site.told
    level = LEVEL_SIGMA if is_registered else float(np.hypot(LEVEL_SIGMA, PLANES_SIGMA))
    days = np.flatnonzero(known).astype(float)
    nuisances = np.stack([np.ones(len(days)), days], axis=1)
    precision = np.diag([1 / level**2, 1 / SLIDE_SIGMA**2])
    moved = nuisances.T @ (weight * signal)
    known_by = nuisances.T @ (weight[:, None] * nuisances) + precision
    square = float((weight * signal**2).sum()) - float((moved * np.linalg.solve(known_by, moved)).sum())
    return float(np.sqrt(max(square, 0.0)))


def _days(fault: Fault, site: Site, truth: Truth, light: Light, axis: Axis) -> tuple[Array, Array, Array]:
    """Of each day the fault's log ratio, the healthy roof's kWh, and sigma of what the light around leaves open.

    By the quarter hours in which nothing but the roof bounds its power; NaN of days without any.
    """
    healthy = truth.healthy
    assert healthy is not None
    made, due, could = (_quarters(one, truth.axis) for one in (truth.pv_w, healthy.pv_w, healthy.could_w))
    here, around = light.of(site), light.around(site)
    is_free = (due >= FREE * could) & (could > 0)
    if fault.kind == "capacity-mismatch":
        made, due = due, due * fault.detail["ratio"]
        is_free &= could < CLIPPED * 1000 * site.roof.inverter_kw
    day = axis.local_day(site.zone)
    if around is None:
        is_free &= here >= CLEAR_RATIO * _usual_best(here)
    inside = is_free & (day >= 0) & (day < axis.days)

    def daily(values: Array) -> Array:
        return np.bincount(day[inside], weights=values[inside], minlength=axis.days).astype(np.float64)

    hours = STEP_S / 3600
    kwh = daily(due) * hours / 1000
    with np.errstate(divide="ignore", invalid="ignore"):
        signal = np.log(np.maximum(daily(made), 0.02 * daily(due)) / daily(due))
        if around is None or site.logger.has_irradiance:
            apart = np.full(axis.days, CLEAR_SIGMA if around is None else 0.0)
        else:
            apart = _usual_scatter(np.log(daily(here) / daily(around)), daily(here))
    signal[kwh < MIN_KWH * site.roof.kwp] = np.nan
    return signal, kwh, apart


def _usual_scatter(apart: Array, energy: Array) -> Array:
    """Root mean square of the third of days that were as bright, [days]: of one day the difference is one draw."""
    out = np.full(len(apart), np.nan)
    known = np.flatnonzero(np.isfinite(apart))
    for part in np.array_split(known[np.argsort(energy[known])], 3):
        if len(part):
            out[part] = np.sqrt(np.mean(apart[part] ** 2))
    return out


def _usual_best(here: Array) -> Array:
    """The highest light that was seen at each quarter hour of the day within a fortnight on either side."""
    per_day = 86_400 // STEP_S
    by_day = here.reshape(-1, per_day)
    best = np.stack([by_day[max(n - 14, 0) : n + 15].max(axis=0) for n in range(len(by_day))])
    return best.ravel()


def _quarters(values: Array, axis: Axis) -> Array:
    """Means of quarter hours."""
    return np.asarray(values, dtype=np.float64).reshape(-1, STEP_S // axis.step_s).mean(axis=1)
