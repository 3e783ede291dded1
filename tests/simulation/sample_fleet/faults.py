"""What was planted in the fleet, and what only looks like a fault.

The physics and the clocks look their faults up here, so that this table cannot say anything else than the exports do.
"""

from dataclasses import dataclass
from datetime import date

from tests.simulation.sample_fleet.sites import FIRST_DAY, LAST_DAY

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

    def holds(self, day: date) -> bool:
        """True on the days, local to the site, on which it is there."""
        return self.first_day <= day <= self.last_day


def _m(day: int) -> date:
    return date(2026, 3, day)


def _a(day: int) -> date:
    return date(2026, 4, day)


SNOW = (_m(10), _m(12))
DARK = (_m(14), _m(20))
DRIFT_S_PER_DAY = 75.0
STEP_MIN = 75

FAULTS = (
    Planted("BIR-02", "underperformance", _m(22), LAST_DAY, 30, "%", "every reading 30 % low from this day on"),
    Planted(
        "BIR-03",
        "daylight-saving-wrong",
        _m(29),
        LAST_DAY,
        -60,
        "min",
        "stamps stay on standard time after the change; four stamps of 2026-03-29 exist in no clock of the zone",
        -60,
    ),
    Planted("BIR-05", "string-loss", _m(25), LAST_DAY, 45, "%", "the second of two inputs gives nothing any more"),
    Planted("BIR-06", "readings-frozen", _a(10), _a(14), 120, "h", "load_w repeats one value; all else goes on"),
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
        "NIR-04", "clock-step", _m(24), LAST_DAY, STEP_MIN, "min", "the clock was set 75 min forward at 14:00", STEP_MIN
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
        "WAT-03", "voltage-out-of-band", FIRST_DAY, LAST_DAY, None, "% of the 10-minute means", "the street runs high"
    ),
    Planted(
        "WAT-03", "meter-reversed", _a(2), LAST_DAY, None, "kWh/day", "the grid sensor's sign turned round on this day"
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
        _look(f"BIR-0{i}", "snow on every roof of the region, gone in the course of 2026-03-12", *SNOW)
        for i in range(1, 10)
    ),
    *(
        _look(f"BIR-0{i}", "dark week: the battery sits on its reserve, there is no surplus", *DARK)
        for i in (3, 4, 5, 9)
    ),
    _look("BIR-01", "a tree shades the roof in the afternoon, every clear day alike"),
    _look("BIR-02", "sends 2026-03-08 a second time on 2026-03-10, eight rows corrected", _m(8), _m(10)),
    _look("BIR-04", "may not feed in: generation held back when the battery is full, short feed-in after a load drops"),
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


def planted(site_id: str, kind: str) -> Planted | None:
    """The planted fault of this kind at the site."""
    return next((fault for fault in FAULTS if (fault.site_id, fault.kind) == (site_id, kind)), None)
