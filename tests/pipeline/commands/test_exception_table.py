"""The list of exceptions on terminals: nothing that decides is cut off, whatever their width."""

from datetime import date

import pytest

from pipeline.commands.printing import exception_table

TITLES = {"capacity-mismatch": "Its best power does not fit the registered peak capacity"}
ROW = {
    "exception_id": "NIR-03-battery-not-discharging-1",
    "severity": "soon",
    "status": "open",
    "kind": "capacity-mismatch",
    "site_id": "NIR-03",
    "site_name": "Nirvali, Weaver's Yard",
    "first_day": date(2026, 3, 18),
    "kwh_per_day": 1234.5,
    "cost": 591.58,
    "currency": "INR",
    "hidden_by": None,
    "decided_for": "Bo",
}


@pytest.mark.parametrize("width", [80, 120, 200])
def test_id_site_title_and_energy_are_whole(width):
    hidden = ROW | {"exception_id": "NIR-03-yield-1", "hidden_by": ROW["exception_id"], "site_name": "Nirvali, Clinic"}
    text = exception_table([ROW, hidden], TITLES, width)
    lines = text.splitlines()
    assert max(map(len, lines)) <= width
    assert "…" not in text
    assert ROW["exception_id"] in lines[2]
    assert "1,234.5" in lines[2]
    first = " ".join(lines[2 : next(n for n, line in enumerate(lines) if line.startswith("NIR-03-yield-1"))])
    for word in f"{ROW['site_name']} {TITLES['capacity-mismatch']}".split():
        assert word in first, word
    assert "hidden" in text.split("NIR-03-yield-1")[1]
    assert lines[-1] == "1 open, 1 more hidden behind a cause"


def test_wider_terminals_say_more():
    narrow, wide, widest = (exception_table([ROW], TITLES, width) for width in (80, 120, 200))
    assert "2026-03-18" not in narrow and "2026-03-18" in wide
    assert "591.58 INR" not in wide and "591.58 INR" in widest
