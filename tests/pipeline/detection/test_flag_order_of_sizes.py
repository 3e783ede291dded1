"""Grid meters at 0 and powers of a wrong unit are told by the days before, in whatever order these come."""

import math
from datetime import timedelta
from pathlib import Path

import pytest

from tests.support.fleet import DAY, PROFILES, Fleet

pytestmark = pytest.mark.usefixtures("few_detectors")
PAST, LAST = tuple(range(8)), (8, 9, 10)
SITE = {"site_id": "S1", "battery_kwh": "5"}
PROFILE = PROFILES["roof"] + '[channels.grid_w]\ncolumn = "grid"\n'


def _export(nth: int, kind: str) -> str:
    """A day of 15 min; `kind` "link": from the ninth day on the grid reads 0; "unit": all powers are in kW."""
    times = 0.001 if kind == "unit" and nth in LAST else 1.0
    lines = ["t,pv,load,grid,v"]
    for n in range(96):
        hour = n / 4
        pv = 6000 * max(0.0, math.sin((hour - 6) / 12 * math.pi))
        load = 400 + 300 * (n % 3) + nth
        regulated = 2.0 + n % 3 if hour < 4 else load - pv  # a battery feeds the house until four
        grid = 0.0 if kind == "link" and nth in LAST else regulated
        at = f"{DAY + timedelta(days=nth)} {n // 4:02d}:{15 * (n % 4):02d}"
        lines.append(f"{at},{pv * times:.3f},{load * times:.3f},{grid * times:.3f},230")
    return "\n".join(lines) + "\n"


def _flags(root: Path, kind: str, *batches: tuple[int, ...]) -> list[tuple]:
    fleet = Fleet(root, [SITE], profiles={"roof": PROFILE})
    for batch in batches:
        for nth in batch:
            fleet.drop(f"S1_roof_{nth}.csv", _export(nth, kind))
        fleet.take_in()
    return fleet.ask("SELECT day, channel, flag, rule, from_utc, readings, total_h FROM reading_flag ORDER BY ALL")


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "rule"), [("link", "frozen"), ("unit", "thousandth")])
def test_late_days_of_the_past_change_the_flags_after_them(tmp_path: Path, kind: str, rule: str) -> None:
    """The link is told on its second whole local day: the battery, which is not read, may have fed the house before."""
    in_turn = _flags(tmp_path / "in_turn", kind, PAST, LAST)
    assert {row[0] for row in in_turn if row[3] == rule} == {
        DAY + timedelta(days=n) for n in LAST[2 * (kind == "link") :]
    }
    assert _flags(tmp_path / "last_first", kind, LAST, PAST) == in_turn
