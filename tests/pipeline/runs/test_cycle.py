"""Nights that are lived through later than they were, one after the other with `cycle --day`."""

from datetime import date, timedelta
from pathlib import Path

import pytest

from tests.support.fleet import Fleet, roof, sunny

pytestmark = pytest.mark.usefixtures("few_detectors")

FIRST = date(2026, 3, 1)


def _night(fleet: Fleet, number: int, *, late_by: int | None) -> None:
    """The files of a morning: S2's of the day that ended, S1's of the day so many days before it (None = none)."""
    day = FIRST + timedelta(days=number)
    fleet.drop(f"S2_roof_{number}.csv", roof(sunny(day)))
    if late_by is not None and number >= late_by:
        fleet.drop(f"S1_roof_{number}.csv", roof(sunny(day - timedelta(days=late_by))))
    fleet.cycle(day=day, is_published=False)


def _silent(fleet: Fleet) -> list[tuple[str, date]]:
    return fleet.ask("SELECT site_id, max(day) FROM finding WHERE kind = 'site-silent' GROUP BY ALL ORDER BY ALL")


def test_nights_played_again_in_a_row_know_whose_files_always_come_late(tmp_path: Path) -> None:
    """S1's files come three days late, every time; once they stop, the fourth day more is one too many."""
    fleet = Fleet(tmp_path, 2)
    for number in range(8):
        _night(fleet, number, late_by=3)
    assert [row for row in _silent(fleet) if row[1] > FIRST + timedelta(days=5)] == []
    for number in range(8, 12):
        _night(fleet, number, late_by=None)
    assert [site for site, day in _silent(fleet) if day == FIRST + timedelta(days=11)] == ["S1"]
    before = fleet.ask("FROM site_arrival ORDER BY ALL")
    fleet.rebuild()  # nothing in the archive says when a night was
    assert fleet.ask("FROM site_arrival ORDER BY ALL") == before
    assert [site for site, day in _silent(fleet) if day == FIRST + timedelta(days=11)] == ["S1"]
