"""Nothing generated, though the neighbours or the sky say that the roof should have.

The owner pays for every hour that it stays unseen, and sees nothing: the lights are on.
"""

import math
from datetime import date

import polars as pl

from detectors.finding import Finding, Kind, Verdict
from detectors.yields import verdicts
from detectors.yields.night import Night
from detectors.yields.verdicts import Open
from detectors.yields.zeros import ALIVE

DETECTOR = "no-generation"
KIND = "no-generation"
RANK = 60
KINDS = {
    KIND: Kind(
        title="Generated nothing all day",
        group="yield",
        hides=("unexplained",),
        hides_why="a roof that gives nothing is unlike its past and its neighbours",
        close_after=1,
        where="site",
        bring=("voltage tester for the DC voltage of the strings", "insulation tester", "string plan"),
        proof="In daylight it feeds in for 15 minutes, and the display shows power on every input.",
        cause="The inverter is off or in a fault, a breaker has opened, or its connection to the modules is broken.",
        next_step="Service desk: read the inverter's state and last fault, ask the owner for the breaker's position; "
        "send the installer if it does not come back.",
        steps=(
            "Check the AC breaker and the voltage at the inverter's terminals.",
            "Read the inverter's fault history.",
            "Measure open-circuit voltage and insulation of every input.",
            "Restart as the maker's manual says and watch that it feeds in.",
        ),
        cautions=(
            "Qualified persons only. PV conductors are live in daylight with AC off; "
            "never part DC connectors or open fuses under load.",
            "Do not clear repeated insulation trips from afar.",
        ),
    )
}
REASONS = verdicts.REASONS
WORTH_KWH = 0.1  # ours: of the day; a roof of which nothing could have been used sends nobody in a hurry
BACK_SHARE = math.exp(ALIVE)  # as the test has it: what makes a tenth of what is due is not dead


def detect(
    yield_case: pl.DataFrame, yield_residual: pl.DataFrame, yield_night: Night, days: pl.DataFrame, day: date
) -> list[Verdict]:
    """A finding per watched site that makes nothing; the value is what it should have made of the day, kWh."""
    found = [finding_of(one) for one in verdicts.open_cases(KIND, yield_case, yield_residual, yield_night, days)]
    return [*found, *verdicts.not_judged(DETECTOR, yield_night, found, day)]


def finding_of(one: Open) -> Finding:
    """The finding of an open case; urgent where something was due, and where no snow can lie on it.

    On the first day on which it generates again nobody is sent: a second one closes the case.
    """
    made, due = one.actual_kwh, one.expected_kwh
    is_back = one.days > 1 and made >= max(BACK_SHARE * due, WORTH_KWH)
    dark_days = one.days - is_back
    span = f"{dark_days} days" if dark_days > 1 else "a day"
    lone = "" if one.has_neighbours else ", which no cloud explains"
    last = f"{due:.1f} kWh were due on the last one, {made:.2f} kWh came."
    if is_back:
        last = f"on the day after {made:.2f} kWh came of {due:.1f} that were due: one more such day closes this."
    snow = "" if is_back or not one.may_be_snow else verdicts.SNOW_WORDS
    return one.finding(
        severity="urgent" if due >= WORTH_KWH and not (one.may_be_snow or is_back) else "watch",
        value=due,
        unit="kWh",
        threshold=0.0,
        summary=f"Generated nothing for {span}{lone}; {last}{snow}",
        measured=f"{made:.2f} kWh on {one.day.isoformat()}",
        expected=f"{due:.1f} kWh, the sky taken from {one.sky}",
    )
