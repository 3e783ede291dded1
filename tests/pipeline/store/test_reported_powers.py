"""What the history gives of powers: no load and no zero below zero, and counters in whatever order they come."""

from itertools import permutations

import duckdb

from tests.support.fleet import PROFILES, Fleet

HEAD = PROFILES["roof"].partition("[channels.")[0] + "interval_min = 15\n"
POWERS = (
    HEAD
    + """
[channels.load_w]
column = "load"
[channels.grid_w]
column = "grid"
scale = -1
"""
)
COUNTERS = HEAD.replace('zone = "utc"', 'zone = "Europe/Berlin"\nmarks = "interval end"') + """
[channels.import_kwh_total]
column = "bought"
counter = "daily"
[channels.feed_in_kwh_total]
column = "fed"
counter = "lifetime"
"""  # fmt: skip


def test_a_load_dips_below_zero_by_its_meters_alone_and_no_zero_is_negative(tmp_path):
    """Two meters that change at once err by some watts; -300 W is a fault."""
    fleet = Fleet(tmp_path, 1, profiles={"roof": POWERS})
    fleet.drop(
        "S1_roof_a.csv", "t,load,grid\n2026-06-01 10:00,-5,0\n2026-06-01 10:15,-300,0.0\n2026-06-01 10:30,1,-0\n"
    )
    fleet.take_in(is_published=True)
    with duckdb.connect(str(fleet.space.reader / "noonmark.duckdb"), read_only=True) as analyst:
        told = analyst.execute("SELECT load_w, CAST(grid_w AS VARCHAR) FROM reading ORDER BY ts_utc").fetchall()
    assert told == [(0.0, "0.0"), (None, "0.0"), (1.0, "0.0")]  # what cannot be is not good
    assert [load for (load,) in fleet.ask("SELECT load_w FROM reading_raw ORDER BY ts_utc")] == [-5.0, -300.0, 1.0]


def test_a_power_that_a_late_counter_makes_known_reaches_the_hours_too(tmp_path):
    """In the first quarter after midnight nothing flows: the late file turns an unknown energy into none."""
    stamps = [f"2026-10-{20 + (n * 15) // 1440} {n * 15 % 1440 // 60:02}:{n * 15 % 60:02}" for n in range(73, 121)]
    bought = [0.1 * (n - 73) if n <= 96 else 0.1 * max(n - 97, 0) for n in range(73, 121)]
    rows = [f"{t},{b:.1f},1234\n" for t, b in zip(stamps, bought, strict=True)]
    files = {f"S1_roof_{k}.csv": "t,bought,fed\n" + "".join(rows[k * 12 : (k + 1) * 12]) for k in range(4)}
    told = []
    for number, order in enumerate([tuple(files), *list(permutations(files))[1:24:5]]):
        fleet = Fleet(tmp_path / str(number), 1, profiles={"roof": COUNTERS})
        for name in order:
            fleet.drop(name, files[name])
            if number:
                fleet.take_in(is_published=True)
        fleet.take_in(is_published=True)
        told.append(fleet.ask("SELECT ts_utc, round(grid_w, 3) FROM feature_site_hour ORDER BY ts_utc"))
    assert all(one == told[0] for one in told)
    assert {power for _, power in told[0][1:]} == {400.0, 300.0}  # before the first reading nothing is known
