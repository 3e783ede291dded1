"""A roof that yields less than its installed peak capacity should, held against its neighbours and its own past.

The owner was promised a yield per kWp and sees a bill, not a fault. One bad day is weather or snow; a roof that lags
behind its neighbours day after day under the same sky has lost something.
"""

from datetime import date

import polars as pl

from detectors.finding import Finding, Kind, Verdict
from detectors.yields import late_mornings, soiling, verdicts
from detectors.yields.cold import COVERED_RATIO
from detectors.yields.night import Night
from detectors.yields.verdicts import Open

DETECTOR = "underperformance"
KIND = "underperformance"
RANK = 63  # after the kinds that tell more of the cause
KINDS = {
    KIND: Kind(
        title="Yields less than its peak capacity should",
        group="yield",
        hides=("unexplained",),
        hides_why="what is missing is what makes the site unlike its past and its neighbours",
        close_after=2,
        where="site",
        bring=("string plan", "DC clamp meter", "insulation tester", "a camera for the roof"),
        proof="In sun, every input shows its current for 15 minutes, in proportion to its modules; "
        "note the power and the time.",
        cause="A part of the modules is not producing: a string or an input lost, modules dirty or newly shaded, "
        "a module or the inverter derated, or fewer modules than registered.",
        next_step="Service desk: compare the inputs' powers at noon and read the inverter's fault list; "
        "send the installer with the string plan if an input is down or nothing explains it.",
        steps=(
            "Compare voltage and current of every input at noon with the string plan.",
            "Look for new shade, dirt and broken modules from the ground.",
            "Read the inverter's fault and derating history.",
            "Measure open-circuit voltage and insulation of the inputs that fall short.",
            "Compare module count and type with the registered peak capacity.",
        ),
        cautions=(
            "Qualified persons only. PV conductors are live in daylight with AC off; "
            "never part DC connectors or open fuses under load.",
            "No work on wet roofs; fall protection.",
        ),
    )
}
REASONS = verdicts.REASONS


def detect(
    yield_case: pl.DataFrame, yield_residual: pl.DataFrame, yield_night: Night, days: pl.DataFrame, day: date
) -> list[Verdict]:
    """A finding per watched site that lags behind what it should yield; the value is the % of its energy missing.

    Mornings without power are told too, and a slow slide without a step as soiling, to watch.
    """
    opened = verdicts.open_cases(KIND, yield_case, yield_residual, yield_night, days)
    found = [finding_of(one) for one in verdicts.fallen(opened)]
    skipped = yield_case.filter(pl.col("day") == day)["site_id"].to_list()
    late = list(late_mornings.findings(yield_residual, skipped, yield_night, days, day))
    found += late
    told = {one.site_id for one in late}
    found += [
        one for one in soiling.findings(yield_residual, yield_case, yield_night, days, day) if one.site_id not in told
    ]
    return [*found, *verdicts.not_judged(DETECTOR, yield_night, found, day)]


def finding_of(one: Open) -> Finding:
    """The finding of an open case; to watch where snow may cover the roof, through which a little still comes."""
    is_covered = one.may_be_snow and one.missing_pct >= 100 * (1 - COVERED_RATIO)
    snow = verdicts.SNOW_WORDS if is_covered else ""
    often = "" if one.share_of_days is None else f" on {100 * one.share_of_days:.0f} % of its days"
    return one.finding(
        severity="watch" if is_covered else "soon",
        value=one.missing_pct,
        unit="%",
        threshold=0.0,
        summary=f"Yields {one.missing_pct:.0f} % less than before{often} since {one.first_day.isoformat()}; "
        f"{one.lost_kwh:.1f} kWh are missing.{snow}",
        measured=f"{one.missing_pct:.0f} % less than before{often}, over {one.days} days",
        expected=f"as its neighbours made of the same sky; the change lies {one.interval_text}",
    )
