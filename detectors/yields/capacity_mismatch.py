"""A roof whose level never fitted the registered peak capacity.

Fewer modules than sold, a roof extended without a word, a typing error in the register: all of them make every other
figure of the site wrong. A roof that once fitted has lost something, and that is for the other detectors.
"""

from datetime import date

import polars as pl

from detectors.finding import Finding, Kind, Verdict
from detectors.yields import verdicts
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


def detect(
    yield_case: pl.DataFrame, yield_residual: pl.DataFrame, yield_night: Night, days: pl.DataFrame, day: date
) -> list[Verdict]:
    """A finding per watched site whose level fits another peak capacity; the value is that capacity in kWp."""
    found = [finding_of(one) for one in verdicts.open_cases(KIND, yield_case, yield_residual, yield_night, days)]
    return [*found, *verdicts.not_judged(DETECTOR, yield_night, found, day)]


def finding_of(one: Open) -> Finding:
    """The finding of an open case, with the peak capacity that fits."""
    fitting = one.installed_kwp * one.level_ratio
    found = one.finding(
        severity="soon" if one.level_ratio < 1 else "watch",
        value=fitting,
        unit="kWp",
        threshold=one.installed_kwp,
        summary=f"Its power fits {fitting:.1f} kWp, the register says {one.installed_kwp:.1f} kWp, "
        "and it did so from its first day on.",
        measured=f"{fitting:.1f} kWp over {one.days} days",
        expected=f"{one.installed_kwp:.1f} kWp, the sky taken from {one.sky}",
    )
    return found.model_copy(update={"evidence": {**found.evidence, "fitting_kwp": fitting}})
