"""A roof whose best power does not fit the registered peak capacity, and never did.

Fewer modules than sold, a roof extended without a word, a slip of the pen in the register: all of them make every other
judgement of the site wrong. A roof that once fitted has lost something, and that is for the other detectors.
"""

from datetime import date

import numpy as np
import polars as pl

from detectors.finding import Finding, Kind, NotJudged, Verdict, because, series
from detectors.stats import level_shift
from detectors.stats.robust import Z_CUT, Array, median
from detectors.yields.fleet_yields import Yields

DETECTOR = "capacity-mismatch"
KIND = "capacity-mismatch"
RANK = 62
KINDS = {
    KIND: Kind(
        title="Its best power does not fit the registered peak capacity",
        group="yield",
        hides=("unexplained",),
        hides_why="against the capacity that is there, nothing may be missing",
        open_after=2,
        within=4,
        close_after=5,
        where="desk",
        setting="installed_kwp in sites.csv",
        now="{installed_kwp:.1f} kWp",
        should_be="{fitting_kwp:.1f} kWp fit the clear days: check the delivery note",
        visit_if="modules that were delivered do not feed in",
        cause="The register's peak capacity or planes are wrong, fewer modules were mounted or connected than sold, "
        "or the roof was extended.",
        next_step="Service desk: compare the register with the delivery note and photographs of the roof; "
        "send the installer if modules that were paid for do not feed in.",
        steps=(
            "Count the modules and read their rating from a label.",
            "Compare with the string plan and with the registered peak capacity.",
            "Measure open-circuit voltage of every input: it tells the number of modules in series.",
        ),
        cautions=("PV conductors are live in daylight with AC off; qualified persons only.", "No work on wet roofs."),
    )
}
REASONS = {
    "few-clear-days": "only {days} clear days so far",
    "planes-unknown": "its planes are neither registered nor plain from its clear days yet",
}

TOLERANCE = (
    0.20  # ours: the model's clear sky, soiling and modules' own spread together; neighbours take half of it off
)
ALONE_TOLERANCE = 0.30  # ours: without neighbours nothing takes the model's own error off
FEWEST_CLEAR_DAYS = (
    4  # common practice judges capacity after 3 clear days; ours: one more, so that halves can be compared
)
STEADY_RATIO = 0.10  # ours: the earlier and the later half of the clear days must agree, else something happened
WITNESSES = 3  # neighbours whose capacity is known, of which one may be wrong
MIN_JUDGED_DAYS = 10  # ours: until then the shortfall may as well be a fault that goes away
WITNESS_KM = 200.0  # ours: the model errs alike under one air mass and one season


def detect(yields: Yields, earlier: pl.DataFrame, day: date) -> list[Verdict]:
    """A finding per watched site whose clear days fit another peak capacity; the value is that capacity in kWp."""
    seen = yields.seen
    if seen.sites.is_empty():
        return []
    models = seen.sites.select("site_id").join(
        yields.models, on="site_id", how="left", maintain_order="left"
    )  # fmt: skip
    installed = seen.sites["installed_kwp"].to_numpy()
    capacity, error, early, late = (_column(models, name) for name in (
        "capacity_kwp", "capacity_spread_kwp", "capacity_early_kwp", "capacity_late_kwp"
    ))  # fmt: skip
    bias, witnesses = _model_bias(yields, capacity / installed)
    clear = models["clear_days"].fill_null(0).to_numpy()
    told = set(earlier.filter(pl.col("group") == KINDS[KIND].group)["site_id"])
    verdicts: list[Verdict] = []
    for row, site in enumerate(seen.sites.iter_rows(named=True)):
        if site["watched"] is False:
            continue
        reason = yields.doubts.get(site["site_id"])
        if reason is None and (clear[row] < FEWEST_CLEAR_DAYS or not np.isfinite(capacity[row])):
            reason = because(REASONS, "few-clear-days", days=clear[row])
        if reason is None and not seen.has_planes[row]:
            reason = because(REASONS, "planes-unknown")
        if reason is not None:
            verdicts.append(NotJudged(site["site_id"], day, DETECTOR, reason))
            continue
        scale = capacity[row] / installed[row] / bias[row]
        doubt = error[row] / capacity[row]
        tolerance = TOLERANCE if witnesses[row] >= WITNESSES else ALONE_TOLERANCE
        off = abs(np.log(scale))
        fits = off <= max(-np.log(1 - tolerance), Z_CUT * doubt)
        is_steady = abs(early[row] / late[row] - 1) <= STEADY_RATIO
        if fits or not is_steady or site["site_id"] in told or not _always_so(yields, row, scale):
            continue
        verdicts.append(
            _finding(yields, row, models.row(row, named=True), scale, doubt, tolerance, int(witnesses[row]))
        )
    return verdicts


def _column(frame: pl.DataFrame, name: str) -> Array:
    return frame[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()


def _model_bias(yields: Yields, scale: Array) -> tuple[Array, Array]:
    """What the model errs by around each site, by the median of the others near it, and how many those are."""
    sites = yields.seen.sites
    lat, lon = np.radians(sites["latitude"].to_numpy()), np.radians(sites["longitude"].to_numpy())
    # Cells of some 200 km stand for nearness: the model errs alike over whole regions.
    side = np.radians(WITNESS_KM / 111.2)
    cell = np.round(lat / side) * 10_000 + np.round(lon * np.cos(np.round(lat / side) * side) / side)
    bias, count = np.ones(len(scale)), np.zeros(len(scale))
    for one in np.unique(cell):
        inside = cell == one
        known = scale[inside & np.isfinite(scale)]
        count[inside] = max(len(known) - 1, 0)
        if len(known) > WITNESSES:
            middle = float(median(known))
            bias[inside] = float(np.clip(middle, 0.8, 1.25))
    return bias, count


def _always_so(yields: Yields, row: int, scale: float) -> bool:
    """The yields say the same as the clear days' best powers, without a step, and no better time is remembered."""
    ratio = yields.ratio[row]
    judged = ratio[np.isfinite(ratio)]
    if len(judged) < MIN_JUDGED_DAYS:
        return False
    remembered = yields.reference_ratio[row]
    if np.isfinite(remembered) and remembered > 1.12 * median(judged[-10:]):
        return False
    third = max(len(judged) // 3, 3)
    first, last = (max(float(median(part)), 1e-3) for part in (judged[:third], judged[-third:]))
    if abs(np.log(first / last)) > 2 * STEADY_RATIO:
        return False
    step = level_shift.find(ratio)
    if step is not None and step.is_sharp and abs(step.size) > STEADY_RATIO and step.size_error < STEADY_RATIO / 2:
        return False
    # Energy and best power must tell one story: a roof that clips or is shaded makes less energy at full power.
    return bool((median(judged) < 1) == (scale < 1) and abs(np.log(median(judged))) > 0.5 * abs(np.log(scale)))


def _finding(
    yields: Yields, row: int, model: dict, scale: float, doubt: float, tolerance: float, witnesses: int
) -> Finding:
    seen = yields.seen
    installed = seen.sites["installed_kwp"][row]
    fitting = installed * scale
    own = yields.register.row(row, named=True)
    is_lower = scale < 1
    return Finding(
        site_id=model["site_id"],
        day=seen.dates[-1],
        kind=KIND,
        severity="soon" if is_lower else "watch",
        value=float(fitting),
        unit="kWp",
        threshold=float(installed * (1 - tolerance if is_lower else 1 / (1 - tolerance))),
        summary=f"Its clear days fit {fitting:.1f} kWp, the register says {installed:.1f} kWp, and always did.",
        measured=f"{fitting:.1f} +/- {fitting * doubt:.1f} kWp from {model['clear_days']} clear days",
        expected=f"{installed:.1f} kWp",
        since=_first_day(yields, row),
        evidence={
            "fitting_kwp": float(fitting),
            "spread_kwp": float(fitting * doubt),
            "installed_kwp": float(installed),
            "clear_days_count": int(model["clear_days"]),
            "neighbours_count": witnesses,
            "learned_tilt_deg": model["tilt_deg"],
            "learned_azimuth_deg": model["azimuth_deg"],
            "learned_tilt_spread_deg": model["tilt_spread_deg"],
            "learned_azimuth_spread_deg": model["azimuth_spread_deg"],
            "orientation_text": _orientation(yields, row, model, own),
        },
        series=(series("site", "ratio", "measured", seen.dates, yields.ratio[row]),),
    )


def _orientation(yields: Yields, row: int, model: dict, own: dict) -> str:
    """Where the planes come from, and whether the clear days contradict a register that speaks of one plane."""
    text = yields.planes_text(row)
    if own["azimuth_deg"] is None or model["azimuth_deg"] is None:
        return text
    turned = abs((model["azimuth_deg"] - own["azimuth_deg"] + 180) % 360 - 180)
    if own["tilt_deg"] >= 10 and turned > max(30.0, Z_CUT * model["azimuth_spread_deg"]):
        return f"register says {own['azimuth_deg']:.0f} deg azimuth, its clear days {model['azimuth_deg']:.0f} deg"
    return text


def _first_day(yields: Yields, row: int) -> date:
    known = np.flatnonzero(np.isfinite(yields.ratio[row]))
    return yields.seen.dates[int(known[0])] if len(known) else yields.seen.dates[-1]
