"""A roof whose level never fitted the registered peak capacity.

Fewer modules than sold, a roof extended without a word, a typing error in the register: all of them make every other
figure of the site wrong. A roof that once fitted has lost something, and that is for the other detectors.

The sequential test asks for days enough to tell a level from planes and weather. Hours in which the roof made more than
the registered modules can need no test.
"""

from collections.abc import Iterator
from datetime import date

import numpy as np
import polars as pl

from detectors.finding import Finding, Kind, Verdict
from detectors.solar.ratings import CLOUD_EDGE, WINDOW_DAYS, beyond_capacity
from detectors.yields import verdicts
from detectors.yields.capacity_doubts import MIN_SHARE
from detectors.yields.night import Night
from detectors.yields.verdicts import Open

DETECTOR = "capacity-mismatch"
KIND = "capacity-mismatch"
RANK = 62
KINDS = {
    KIND: Kind(
        title="Its best power does not fit the registered peak capacity",
        group="yield",
        hides=("unexplained",),
        hides_why="against the capacity that is there, nothing may be missing",
        close_after=3,
        where="desk",
        setting="installed_kwp in sites.csv",
        now="{installed_kwp:.1f} kWp",
        should_be="{fitting_kwp:.1f} kWp, which fits the clear days: check the delivery note",
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
REASONS = verdicts.REASONS
CLEAR_SHARE, CLEAR_DAYS = 0.35, 3  # of a day's energy near its best; two thirds of such days are clear (`lone_site`)
CLEAR_KWH = 1.0  # ours: per kWp under a clear sky, in what could be judged
CLEAR_QUANTILE = 0.75  # ours: the best of them, as some of them are hazy or thin clouds
AT_CEILING = 0.95  # ours: of the inverter's rating
ERROR_RATIO = 1 / 3  # ours: a string or two are forgotten at a roof, not two thirds of it; less is the register's error


def detect(
    yield_case: pl.DataFrame,
    yield_residual: pl.DataFrame,
    yield_night: Night,
    days: pl.DataFrame,
    flow_peaks: pl.DataFrame,
    sites: pl.DataFrame,
    day: date,
) -> list[Verdict]:
    """A finding per watched site whose level fits another peak capacity; the value is that capacity in kWp."""
    ceiling_w = dict(zip(yield_night.fleet.sites["site_id"], yield_night.fleet.roofs.ceiling_w, strict=True))
    found = [
        finding_of(one)
        for one in verdicts.open_cases(KIND, yield_case, yield_residual, yield_night, days)
        if abs(1 - one.level_ratio) >= MIN_SHARE  # else it was put right
        and not is_contradicted(one, yield_residual.filter(pl.col("site_id") == one.site_id), ceiling_w[one.site_id])
    ]
    with_case = yield_case.filter(pl.col("day") == day)
    others = sites.filter(pl.col("watched").fill_null(True)).join(with_case, on="site_id", how="anti")
    found += _by_hours(yield_residual, flow_peaks, others, day)
    return [*found, *verdicts.not_judged(DETECTOR, yield_night, found, day)]


def is_contradicted(one: Open, residuals: pl.DataFrame, ceiling_w: float) -> bool:
    """Whether the roof's own clear days show no more than half of what its neighbours say it has more.

    Neighbours that shed their snow late, or lie in the shade, say so of a healthy roof. At the inverter's ceiling clear
    days do not show what a roof could make, nor behind a limit those that leave little to judge by, or on which so high
    a level could not have shown. `residuals`: the site's RESIDUAL rows.
    """
    if one.level_ratio <= 1:
        return False
    since = residuals.filter(pl.col("day") >= one.first_day)
    could_show = pl.col("lone_highest").fill_null(np.inf) > np.log(one.level_ratio)
    is_telling = (pl.col("lone_near") >= CLEAR_SHARE) & (pl.col("lone_energy") >= CLEAR_KWH) & could_show
    clear = since.filter(is_telling)["lone_x"].fill_nan(None).drop_nulls()
    highest = since["peak_w"].max()
    if len(clear) < CLEAR_DAYS or (isinstance(highest, float) and highest >= AT_CEILING * ceiling_w):
        return False
    return bool(np.quantile(clear.to_numpy(), CLEAR_QUANTILE) < np.log(one.level_ratio) / 2)


def finding_of(one: Open) -> Finding:
    """The finding of an open case, with the peak capacity that fits.

    What modules that nobody sold would have made is no loss.
    """
    fitting = one.installed_kwp * one.level_ratio
    is_error = one.level_ratio < ERROR_RATIO
    found = one.finding(
        severity="soon" if one.level_ratio < 1 else "watch",
        value=fitting,
        unit="kWp",
        threshold=one.installed_kwp,
        summary=f"Its power fits {fitting:.1f} kWp, the register says {one.installed_kwp:.1f} kWp, "
        "and it did so from its first day on."
        + (" That is an error in the register: nothing is lost." if is_error else ""),
        measured=f"{fitting:.1f} kWp over {one.days} days",
        expected=f"{one.installed_kwp:.1f} kWp, the sky taken from {one.sky}",
    )
    nothing: dict[str, object] = {"losses": (), "loss_kwh": 0.0, "cost": 0.0} if is_error else {}
    return found.model_copy(update={"evidence": {**found.evidence, "fitting_kwp": fitting}, **nothing})


def _by_hours(residuals: pl.DataFrame, flow_peaks: pl.DataFrame, sites: pl.DataFrame, day: date) -> Iterator[Finding]:
    """Findings of sites whose hours pass what the registered modules can make."""
    kwp = dict(sites.select("site_id", "installed_kwp").iter_rows())
    for site_id, first_day, count, peak_w in beyond_capacity(flow_peaks, sites, day).iter_rows():
        fitting = max(kwp[site_id] * _level(residuals.filter(pl.col("site_id") == site_id), first_day), peak_w / 1000)
        yield Finding(
            site_id=site_id,
            day=day,
            kind=KIND,
            severity="watch",
            value=fitting,
            unit="kWp",
            threshold=kwp[site_id],
            summary=f"It made up to {peak_w / 1000:.1f} kW for an hour, more than {kwp[site_id]:.1f} kWp of modules "
            f"can make ({count} of the last {WINDOW_DAYS} days): its power fits some {fitting:.1f} kWp so far.",
            measured=f"{peak_w / 1000:.1f} kW for an hour",
            expected=f"{CLOUD_EDGE * kwp[site_id]:.1f} kW at most of {kwp[site_id]:.1f} kWp",
            since=first_day,
            evidence={
                "installed_kwp": kwp[site_id],
                "fitting_kwp": fitting,
                "peak_w": peak_w,
                "beyond_days": count,
            },
        )


def _level(residuals: pl.DataFrame, first_day: date) -> float:
    """The roof's level over the registered one by the days since `first_day`; 0 where none told it."""
    since = residuals.filter(pl.col("day") >= first_day)
    x = since.select(pl.coalesce("x", "lone_x").fill_nan(None)).to_series().drop_nulls().to_numpy()
    return float(np.exp(np.median(x))) if len(x) else 0.0
