"""What the register leaves empty is not known: nothing is judged against a level that nobody gave."""

import pytest

from detectors.battery import battery_at_floor, battery_below_reserve, battery_grid_charging, battery_not_discharging
from detectors.features import battery_day, battery_rests, load_following
from detectors.finding import NotJudged
from detectors.frames import DAYS
from tests.support import build
from tests.support.battery_day import SITE, balanced, changed, of, plain, readings, steps

UNKNOWN = dict.fromkeys(
    ("battery_reserve_pct", "battery_resume_pct", "battery_backup_floor_pct", "feed_in_buffer_w"), None
)
BARE = {**SITE, **UNKNOWN}
HIGH = plain(floor_pct=80.0, full_pct=100.0)
DEEP = {**plain(floor_pct=20.0, full_pct=60.0), "voltage_l1_v": [231.0] * 96}


def _not_discharging(*courses, site=BARE):
    rows, sites = readings(*courses), build.sites(site)
    kept = battery_rests.make(rows, sites)
    return battery_not_discharging.detect(
        of(build.DAY, rows), kept, build.days({"surplus_kwh": 20.0}), sites, build.earlier(), build.DAY
    )


def test_where_no_level_was_learned_nothing_is_judged():
    (verdict,) = _not_discharging(HIGH, HIGH)
    assert isinstance(verdict, NotJudged) and verdict.reason == "the register gives no reserve of the battery"


@pytest.mark.parametrize("deep", [DEEP, HIGH])
def test_no_reserve_that_it_could_fall_below(deep):
    (verdict,) = battery_below_reserve.detect(readings(deep), build.sites(BARE), build.earlier(), build.DAY)
    assert isinstance(verdict, NotJudged) and "no reserve" in verdict.reason


def test_no_reserve_that_it_could_stay_at():
    stuck = {"soc_min_pct": 34.0, "soc_max_pct": 35.0, "surplus_kwh": 20.0, "surplus_at_floor_kwh": 20.0,
             "charge_kwh": 0.0, "feed_in_kwh": 20.0, "import_kwh": 9.0, "coverage_pct": 100.0}  # fmt: skip
    days, following = build.days(stuck, stuck), load_following.SCHEMA.to_frame()
    surplus = days.select(battery_day.SCHEMA.names())
    for site, expected in ((SITE, "battery-at-floor"), (BARE, None)):
        (verdict,) = battery_at_floor.detect(
            days.select(DAYS.names()), surplus, following, build.sites(site), build.earlier(), build.DAY
        )
        assert getattr(verdict, "kind", None) == expected
    assert "no reserve" in verdict.reason


@pytest.mark.parametrize(("hours", "judged"), [(0.5, False), (2.0, True)])
def test_a_small_charge_from_the_grid_may_keep_a_floor_that_nobody_gave(hours, judged):
    """1 kWh at 2 kW is a tenth of the capacity, 4 kWh are more than any floor needs."""
    night = balanced(changed(plain(floor_pct=60.0, full_pct=60.0), steps(1, 1 + hours), battery_w=-2000.0))
    (verdict,) = battery_grid_charging.detect(
        readings(night), build.days({}), build.sites(BARE), build.earlier(), build.DAY
    )
    assert isinstance(verdict, NotJudged) is not judged
    if not judged:
        assert verdict.reason.startswith("charged 1.0 kWh from the grid") and "no backup floor" in verdict.reason


def test_a_battery_that_may_wait_anywhere_to_resume_is_stuck_only_where_it_stopped():
    """The reserve is known, the level of resuming is not: at rest at 80 % all day, it may be waiting for charge."""
    resting = changed(HIGH, range(96), battery_w=0.0, soc_pct=80.0)
    (verdict,) = _not_discharging(*[balanced(resting)] * 3, site={**BARE, "battery_reserve_pct": 35.0})
    assert isinstance(verdict, NotJudged) and verdict.reason.startswith("waits at 80 %")
    (found,) = _not_discharging(HIGH, HIGH, HIGH, site={**BARE, "battery_reserve_pct": 35.0})
    assert found.kind == "battery-not-discharging" and found.evidence["resume_pct"] is None
