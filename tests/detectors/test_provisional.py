"""Which clock findings correct the day's readings, and how the readings move."""

from datetime import timedelta

import polars as pl
import pytest

from detectors import earlier_frame, kinds
from detectors.finding import OVER, Finding
from detectors.provisional import CORRECTION_KEY, corrected, corrections, marked
from tests.support import build

DAY = build.DAY


def _clock(kind: str = "clock-step", site_id: str = "roof-1", **evidence) -> Finding:
    told = {"offset_min": 47.0, "uncertainty_min": 4.0, **evidence}
    return Finding(site_id=site_id, day=DAY, kind=kind, severity="soon", value=47.0, unit="min", threshold=20.0,
                   summary="The clock jumped", evidence=told)  # fmt: skip


@pytest.mark.parametrize(
    ("finding", "minutes"),
    [
        (_clock(), -47.0),
        (_clock("time-zone-wrong", correction_min=-45.0), -45.0),  # the zone's own difference
        (_clock("time-zone-wrong", correction_min=-45.0, correction_uncertainty_min=2.0, uncertainty_min=19.0), -45.0),
        (_clock("clock-drift"), -47.0),  # where it is today
        (_clock(uncertainty_min=11.0), None),
        (_clock(device_name="B"), None),  # the site's other devices are right
        (_clock("readings-frozen"), None),
        (_clock("daylight-saving-wrong", correction_min=60.0, **{OVER: "2025-06-01"}), None),  # right today
    ],
)
def test_an_offset_corrects_where_it_is_known_within_ten_minutes(finding, minutes):
    assert corrections([finding], kinds()) == ({} if minutes is None else {"roof-1": minutes})


@pytest.mark.parametrize(("evidence", "unreliable"), [({}, ["time", "stamps"]), ({OVER: "2025-06-01"}, [])])
def test_what_is_over_makes_nothing_of_the_day_unreliable(evidence, unreliable):
    told = earlier_frame([_clock("daylight-saving-wrong", **evidence)], kinds())
    assert told["unreliable"].to_list() == [unreliable]


@pytest.mark.parametrize("minutes", [-60.0, 47.0])
def test_the_readings_of_the_site_move_and_no_others(minutes):
    """Of the corrected day: what the day before brings in, and not what falls out of it."""
    span = [
        build.readings({"pv_w": list(range(n * 96, (n + 1) * 96))}, site_id=name, day=DAY + timedelta(days=n),
                       interval_s=900)
        for name in ("roof-1", "roof-2") for n in (-1, 0) if (name, n) != ("roof-2", -1)
    ]  # fmt: skip
    rows = pl.concat(span)
    moved = corrected(rows, {"roof-1": minutes}, DAY)
    other = pl.col("site_id") == "roof-2"
    assert moved.filter(other).equals(rows.filter(other))
    mine = moved.filter(~other)
    assert set(mine["ts_local"].dt.date()) == {DAY}
    assert mine["ts_utc"].is_sorted()
    both = mine.join(rows.filter(~other), on="pv_w")
    assert set((both["ts_utc"] - both["ts_utc_right"]).dt.total_minutes()) == {minutes}
    assert set((both["ts_local"] - both["ts_local_right"]).dt.total_minutes()) == {minutes}
    assert mine.height == (92 if minutes < 0 else 96)  # an hour of it is stamped on the next day


def test_what_is_judged_on_it_says_so():
    told = marked(_clock("battery-at-floor"), -60.0)
    assert told.evidence[CORRECTION_KEY] == -60.0 and told.evidence["offset_min"] == 47.0
    assert told.summary.startswith("The clock jumped. Provisional: ") and "-60 min" in told.summary
