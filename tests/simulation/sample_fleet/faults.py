"""What was planted in the fleet, and what only looks like a fault.

The simulator's faults are made of this table, so that it cannot say anything else than the exports do.
"""

from dataclasses import dataclass, field
from datetime import date
from typing import Any

from tests.simulation.axis import Axis
from tests.simulation.faults import ALWAYS, NAN, STEP, Fault
from tests.simulation.sample_fleet.sites import FIRST_DAY, LAST_DAY, REGIONS, Spec

NO_FAULT = "none"


@dataclass(frozen=True)
class Planted:
    """One line of faults.csv; `size` is in the unit of the kind's finding, None = measured on the made series."""

    site_id: str
    kind: str
    first_day: date
    last_day: date
    size: float | None
    unit: str
    note: str
    offset_min: float | None = None  # clock faults: stamped - true, on the last day
    hour: int = 0  # local hour of its first day at which it begins
    detail: dict[str, Any] = field(default_factory=dict)  # what the simulator's fault wants to know besides


def _m(day: int) -> date:
    return date(2026, 3, day)


def _a(day: int) -> date:
    return date(2026, 4, day)


SNOW = (_m(10), _m(12))
TRIALS = {"KLI-01": (_m(11), _m(15))}  # before commissioning
DARK = (_m(14), _m(20))
DRIFT_S_PER_DAY = 75.0
STEP_MIN = 75

FAULTS = (
    Planted("BIR-02", "underperformance", _m(22), LAST_DAY, 30, "%", "30 % less from this day on"),
    Planted(
        "BIR-03",
        "daylight-saving-wrong",
        _m(29),
        LAST_DAY,
        -60,
        "min",
        "stamps stay on standard time after the change; four stamps of 2026-03-29 exist in no clock of the zone",
        -60,
        detail={"is_standard": True},
    ),
    Planted(
        "BIR-05",
        "string-loss",
        _m(25),
        LAST_DAY,
        45,
        "%",
        "the second of two inputs gives nothing any more",
        detail={"input": 1},
    ),
    Planted(
        "BIR-06",
        "readings-frozen",
        _a(10),
        _a(14),
        120,
        "h",
        "load_w repeats one value; all else goes on",
        detail={"channel": "load_w"},
    ),
    Planted(
        "NIR-01",
        "time-zone-wrong",
        FIRST_DAY,
        LAST_DAY,
        -30,
        "min",
        "stamps written in the zone next door (+05:00)",
        -30,
    ),
    Planted(
        "NIR-02",
        "unexpected-export",
        _a(1),
        LAST_DAY,
        None,
        "kWh/day",
        "may not feed in; the limit was lost on this day",
        detail={"part": 1.0},
    ),
    Planted(
        "NIR-03",
        "battery-not-discharging",
        _m(18),
        LAST_DAY,
        80,
        "%",
        "discharge stops at 80 %, the register says 35 %",
    ),
    Planted(
        "NIR-04",
        "clock-step",
        _m(24),
        LAST_DAY,
        STEP_MIN,
        "min",
        "the clock was set 75 min forward at 14:00",
        STEP_MIN,
        hour=14,
    ),
    Planted(
        "NIR-05", "battery-at-floor", _m(28), LAST_DAY, 22, "days", "charging is blocked; surplus goes to the grid"
    ),
    Planted(
        "WAT-01",
        "time-zone-wrong",
        FIRST_DAY,
        LAST_DAY,
        570,
        "min",
        "register says UTC, stamps are +09:30 all year",
        570,
    ),
    Planted(
        "WAT-02",
        "site-silent",
        _a(6),
        LAST_DAY,
        312,
        "h",
        "device B alone falls silent, device A goes on; no loss of yield",
    ),
    Planted(
        "WAT-03",
        "voltage-out-of-band",
        FIRST_DAY,
        LAST_DAY,
        None,
        "% of the 10-minute means",
        "the street runs high",
        detail={"volts": 4.0, "is_noon": True},
    ),
    Planted(
        "WAT-03",
        "meter-reversed",
        _a(2),
        LAST_DAY,
        None,
        "kWh/day",
        "the grid sensor's sign turned round on this day",
        detail={"phase": -1},
    ),
    Planted("KLI-01", "capacity-mismatch", _m(16), LAST_DAY, 5, "kWp", "the register says 10 kWp, 5 kWp were mounted"),
    Planted(
        "KLI-02",
        "battery-grid-charging",
        _m(14),
        _m(31),
        None,
        "kWh/day",
        "charges from 01:00 to 04:00; not agreed; set right later",
        detail={"hour": 1.0, "hours": 3.0, "watts": 1800.0},
    ),
    Planted("KLI-02", "site-silent", _a(15), LAST_DAY, 96, "h", "nothing more arrives"),
    Planted(
        "COL-01",
        "clock-drift",
        FIRST_DAY,
        LAST_DAY,
        DRIFT_S_PER_DAY,
        "s/day",
        "the logger's clock gains, from 0 on 2026-03-05",
        round(DRIFT_S_PER_DAY * 45 / 60, 1),
    ),
)


def _look(site_id: str, note: str, first: date = FIRST_DAY, last: date = LAST_DAY) -> Planted:
    return Planted(site_id, NO_FAULT, first, last, None, "", note)


LOOK_ALIKES = (
    *(
        _look(f"BIR-0{i}", "snow on every roof of the region, the last of it gone in the course of 2026-03-12", *SNOW)
        for i in range(1, 10)
    ),
    *(
        _look(f"BIR-0{i}", "dark week: the battery sits on its reserve, there is no surplus", *DARK)
        for i in (3, 4, 5, 9)
    ),
    _look("BIR-01", "a tree shades the roof in the afternoon, every clear day alike"),
    _look("BIR-02", "sends 2026-03-08 a second time on 2026-03-10, eight rows corrected", _m(8), _m(10)),
    _look("BIR-04", "may not feed in: generation curtailed when the battery is full"),
    _look("BIR-04", "stamps written in the neighbouring zone, and the register says so"),
    _look("BIR-06", "east and west planes: a flat, wide day"),
    _look("BIR-07", "yields half of what it should, but is not watched"),
    _look("WAT-02", "feed-in limited to 5 kW: a flat top on clear days"),
    _look("WAT-03", "inverter smaller than the modules: clipped at 5 kW"),
    _look("KLI-01", "first trials before commissioning, with pauses", _m(11), _m(15)),
    _look("KLI-02", "its lifetime counter rolls over at 100000 kWh", FIRST_DAY, LAST_DAY),
)

DAMAGED = (  # file, what is wrong with it
    (
        "evening-csv/BIR-01_15min_2026-03-18.csv",
        "three bad rows: a word for a power, an impossible date, a torn line; one bad cell: a word for a temperature",
    ),
    ("metric-long/NIR-05/20260312.csv.gz", "the compressed file ends in the middle"),
    ("stray/minutes_2026-03-21.csv", "no profile matches"),
)


def faults_at(spec: Spec, axis: Axis) -> list[Fault]:
    """The site's faults as the simulator wants them; one of the whole span is there before it and after it too."""
    return [_simulated(one, REGIONS[spec.region].zone, axis) for one in FAULTS if one.site_id == spec.site_id]


def _simulated(one: Planted, zone: str, axis: Axis) -> Fault:
    is_always = one.first_day == FIRST_DAY and one.kind != "clock-drift"  # a drift begins at nothing
    begin_s = axis.midnight_s(zone, (one.first_day - axis.first).days) + one.hour * 3600
    end_s = axis.midnight_s(zone, (one.last_day - axis.first).days + 1)
    return Fault(
        one.site_id,
        one.kind,
        ALWAYS if is_always else STEP,
        axis.start_s if is_always else begin_s,
        float(axis.edges_s[-1]) if one.last_day == LAST_DAY else end_s,
        one.first_day,
        one.last_day,
        NAN if one.size is None else float(one.size),
        dict(one.detail),
    )
