"""A street whose voltage runs high with the sun, and an inverter that lowers its power for it.

The voltage at the inverter is the street's, lifted by what the site feeds in over its own line. Above a start the
inverter follows a straight line, from its rating to nothing; where that line and its own lift meet, both stand
(P(U) of EN 50549-1, from memory). It does so at all times: under the fault the street's other roofs lift it further.
"""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from tests.simulation.axis import Axis
from tests.simulation.site import Site

if TYPE_CHECKING:
    from tests.simulation.faults import Fault

Array = NDArray[np.float64]

NOMINAL_V = 230.0
HIGHEST_V = 252.5  # within the band of EN 50160, 230 V + 10 %
USUAL_RISE_V = 2.0  # of a street with few roofs, under a bright sky
BRIGHT = 0.97  # quantile of the light, nights included: some 40 minutes a day are brighter


def draw(rng: np.random.Generator) -> dict[str, float]:
    """A street and an inverter that meet within the band."""
    start, base = float(rng.uniform(1.087, 1.091)), float(rng.uniform(234, 239))
    return {
        "base_v": base, "rise_v": float(rng.uniform(248.5, 251.0)) - base,
        "line_share": float(rng.uniform(0.008, 0.03)), "start_v": start * NOMINAL_V,
        "end_v": (start + float(rng.uniform(0.006, 0.009))) * NOMINAL_V,
    }  # fmt: skip


def street_v(fault: "Fault", axis: Axis, ghi: Array) -> Array:
    """Volts of the street without the site; its other roofs lift it with the sun, more of them under the fault."""
    rng = np.random.default_rng(fault.seed)
    knots = rng.normal(0, 0.8, axis.steps * axis.step_s // 1800 + 2)
    slow = np.interp(axis.mid_s - axis.start_s, np.arange(len(knots)) * 1800.0, knots)
    width = max(1800 // axis.step_s, 1)
    around = np.convolve(ghi, np.ones(width) / width, mode="same")  # a cloud's edge does not reach all roofs at once
    rise = USUAL_RISE_V + (fault.detail["rise_v"] - USUAL_RISE_V) * fault.strength(axis.mid_s)
    volts = fault.detail["base_v"] + slow + rise * around / np.quantile(ghi, BRIGHT)
    return np.asarray(volts - max(0.0, float(volts.max()) - HIGHEST_V))


def line_ohm(fault: "Fault", site: Site) -> float:
    """Of each phase; a line is laid so that its rating lifts it by 1 to 3 % (common practice, no source)."""
    rated = site.roof.inverter_kw * 1000 / (3 if site.three_phase else 1)
    return float(fault.detail["line_share"]) * NOMINAL_V**2 / rated


def most_w(fault: "Fault", site: Site, axis: Axis, ghi: Array, load_w: Array) -> Array:
    """The generation that the inverter allows itself; no battery stands between."""
    rated = site.roof.inverter_kw * 1000
    start, end = fault.detail["start_v"], fault.detail["end_v"]
    lift = fault.detail["line_share"] * NOMINAL_V / rated  # V per W fed in
    slope = rated / (end - start)
    meets = slope * (end - street_v(fault, axis, ghi) + lift * load_w) / (1 + slope * lift)
    return np.asarray(np.clip(meets, 0.0, rated))
