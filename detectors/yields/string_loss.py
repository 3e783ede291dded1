"""One of a roof's inputs, or a share of its power that is one, gone from one day to the next.

A blown fuse, an open connector, an input switched off: the rest of the roof runs on, so nobody looks.
"""

from collections.abc import Mapping
from datetime import date

import polars as pl

from detectors.finding import Finding, Kind, Verdict
from detectors.yields import dead_inputs, verdicts
from detectors.yields.kinds import NO_GENERATION
from detectors.yields.night import Night
from detectors.yields.verdicts import Open

DETECTOR = "string-loss"
KIND = "string-loss"
RANK = 61
KINDS = {
    KIND: Kind(
        title="One of its inputs went missing",
        group="yield",
        hides=("unexplained",),
        hides_why="the lost input is what is unlike its past",
        close_after=2,
        where="site",
        bring=(
            "string plan",
            "DC clamp meter",
            "insulation tester",
            "spare connectors and fuses of the type installed",
        ),
        proof="In sun, every input shows its current for 15 minutes, in proportion to its modules.",
        cause="A string is open or switched off: a fuse, a connector, a cable, or the inverter's input itself.",
        next_step="Service desk: compare the inputs' voltages and currents at noon; "
        "send the installer with the string plan to the input that is down.",
        steps=(
            "Compare voltage and current of every input at noon with the string plan.",
            "Isolate AC, then PV DC; prove dead before touching a connector or fuse.",
            "Measure open-circuit voltage and insulation of the input that is down.",
            "Check fuses, connectors and the cable along its way.",
            "Swap inputs to tell the string from the inverter.",
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
    yield_case: pl.DataFrame,
    yield_residual: pl.DataFrame,
    yield_night: Night,
    hourly: pl.DataFrame,
    days: pl.DataFrame,
    day: date,
) -> list[Verdict]:
    """A finding per watched site that lost an input; the value is the % of its power that is missing."""
    opened = list(verdicts.open_cases(KIND, yield_case, yield_residual, yield_night, days))
    fallen = verdicts.fallen(opened)  # an input that falls as its roof rises lay under snow
    dark = yield_case.filter(pl.col("day") == day, pl.col("kind") == NO_GENERATION)["site_id"].to_list()
    proved = [one.site_id for one in fallen if one.is_to_act_on and not one.may_be_snow]
    told = dead_inputs.findings(hourly, dark, yield_night, days, day, proved=proved)
    dead = {one.site_id: one for one in told}
    found = [dead[one.site_id] if is_told_by_input(one, dead) else finding_of(one) for one in fallen]
    with_case = {one.site_id for one in opened}
    found += [one for site_id, one in dead.items() if site_id not in with_case]
    return [*found, *verdicts.not_judged(DETECTOR, yield_night, found, day)]


def is_told_by_input(one: Open, dead: Mapping[str, Finding]) -> bool:
    """Whether the roof's other inputs tell better than the sky what an open case lost: of a dead input, unlimited.

    Beside them the share that an input used to give is known to some per cent; the level of the whole roof, under a
    clear sky alone most of all, is not. Behind a limit they say nothing of what would have been used.
    """
    told = dead.get(one.site_id)
    return told is not None and not one.has_limit and told.evidence["input_count"] == one.input


def finding_of(one: Open) -> Finding:
    """The finding of an open case; to watch where snow may lie on the plane of one input alone."""
    is_covered = one.may_be_snow and one.input > 0
    snow = verdicts.SNOW_WORDS if is_covered else ""
    what = f"input {one.input} fell" if one.input else "a share that is one of its strings went missing"
    return one.finding(
        severity="watch" if is_covered else "soon",
        value=one.missing_pct,
        unit="%",
        threshold=0.0,
        summary=f"Since {one.first_day.isoformat()} {what}: {one.missing_pct:.0f} % of its power is missing.{snow}",
        measured=f"{one.missing_pct:.0f} % less than before, over {one.days} days",
        expected=f"as its neighbours made of the same sky; the change lies {one.interval_text}",
    )
