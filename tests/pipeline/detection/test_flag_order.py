"""Flags look back on days before: in whatever order these come, the flags end the same."""

import math
from datetime import timedelta
from pathlib import Path

import pytest

from tests.support.fleet import DAY, Fleet

pytestmark = pytest.mark.usefixtures("few_detectors")

PEAK_W = (
    18_000.0  # of a roof registered as 10 kWp, whose cap is 13 kW: from the fourth such day on it is a wrong rating
)
SPIKE_W = 22_000.0


def _export(nth: int) -> str:
    lines = ["t,pv,load,v"]
    for n in range(96):
        hour = n / 4
        pv = PEAK_W * max(0.0, math.sin((hour - 6) / 12 * math.pi)) if 6 < hour < 18 else 0.0
        pv = SPIKE_W if n == 30 else pv
        lines.append(f"{DAY + timedelta(days=nth)} {n // 4:02d}:{15 * (n % 4):02d},{pv:.0f},{400 + nth},230")
    return "\n".join(lines) + "\n"


def _flags(root: Path, *batches: tuple[int, ...]) -> list[tuple]:
    fleet = Fleet(root, 1)
    for batch in batches:
        for nth in batch:
            fleet.drop(f"S1_roof_{nth}.csv", _export(nth))
        fleet.take_in()
    return fleet.ask(
        "SELECT day, channel, flag, from_utc, readings FROM reading_flag WHERE channel = 'pv_w' ORDER BY ALL"
    )


@pytest.mark.slow
def test_a_rating_that_days_contradict_is_contradicted_in_any_order(tmp_path: Path) -> None:
    in_turn = _flags(tmp_path / "in_turn", (0, 1, 2, 3, 4))
    assert {row[0] for row in in_turn} == {DAY}  # of a new site's first day nobody knows yet
    assert _flags(tmp_path / "last_first", (3, 4), (0, 1, 2)) == in_turn
