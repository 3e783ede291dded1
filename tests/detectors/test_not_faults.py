"""What looks like a fault of yield and is none, lived through by the engine; each beside the fault it must not hide."""

from datetime import date

import polars as pl
import pytest

from tests.support import yield_fleet
from tests.support.yield_fleet import fault

NO_EXPORT = {"limit": "no-export", "house": "family", "battery": True, "battery_kwh": 7.0}
LOOK_ALIKES = {
    "curtailed": NO_EXPORT,  # full by noon on bright days, then cut to what the house takes
    "eastwest": {"planes": 2, "opposite": True},  # a flat, wide day; its planes are in the register
    "clipped": {"dc_ac": 1.65},  # flat tops, a tenth of the clear days' energy less
    "shaded": {"shade": True},  # a wall on one side all the year
    "unregistered": {"planes": 2, "opposite": True, "planes_known": 0.0},
    "coarse": {"power_step_w": 100.0},
}
NEEDS = {
    **{f"healthy-{n}": {} for n in range(4)},
    **LOOK_ALIKES,
    **{f"{name}-faulty": needs for name, needs in LOOK_ALIKES.items()},
}
FAULTS = {f"{name}-faulty": fault("underperformance", 24, size=40.0) for name in LOOK_ALIKES}


pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def spring():
    return yield_fleet.live_nights(yield_fleet.make(6701, NEEDS, FAULTS, days=40))


@pytest.mark.parametrize("name", LOOK_ALIKES)
def test_a_look_alike_opens_nothing_and_hides_no_fault(spring, name):
    opened = spring.opened()
    assert name not in opened
    case = opened[f"{name}-faulty"]
    assert (case["opened_on"] - date(2026, 4, 25)).days in range(0, 13)
    assert case["kind"] in ("underperformance", "string-loss")


def test_the_healthy_ones_beside_them_open_nothing(spring):
    assert not [name for name in spring.opened() if name.startswith("healthy")]


def test_weeks_of_snow_on_all_roofs_are_no_fault():
    """Six weeks in the Alps after the new year: most roofs lie under snow most of the time, and slide at their own."""
    needs = {f"roof-{n}": {} for n in range(6)} | {"two": {"planes": 2, "inputs": True}}
    lived = yield_fleet.live_nights(
        yield_fleet.make(6702, needs, {}, first=date(2026, 1, 5), days=45, climate="alpine")
    )
    assert lived.rows["yield_odds"].filter(pl.col("spell_days") > 0).height > 20, "no snow: choose another seed"
    assert lived.opened() == {}


def test_a_winter_of_dark_days_hides_no_fault():
    needs = {f"roof-{n}": {} for n in range(5)} | {"half": {}, "dark": {}}
    faults = {"half": fault("underperformance", 20, size=60.0), "dark": fault("no-generation", 24)}
    made = yield_fleet.make(6705, needs, faults, first=date(2025, 11, 10), days=45, climate="maritime")
    opened = yield_fleet.live_nights(made).opened()
    assert opened.keys() == {"half", "dark"}
    assert opened["dark"]["kind"] == "no-generation"


def test_a_lone_roof_of_unknown_planes_is_left_in_peace_and_found_when_it_falls():
    """Nobody is near; its clear days alone tell of it."""
    needs = {"steep": {"planes_known": 0.0}}
    alone = yield_fleet.make(6703, needs, {}, days=40, climate="mediterranean")
    assert yield_fleet.live_nights(alone).opened() == {}
    faulty = yield_fleet.make(
        6703, needs, {"steep": fault("underperformance", 20, size=50.0)}, days=40, climate="mediterranean"
    )
    assert "steep" in yield_fleet.live_nights(faulty).opened()


def test_a_sister_site_of_half_the_modules_is_told_and_not_its_neighbour():
    """Two sites alone: of a pair nobody can say which is wrong, but clear days can."""
    needs = {"half": {}, "whole": {}}
    made = yield_fleet.make(6704, needs, {}, days=25, climate="mediterranean")
    double = pl.when(pl.col("site_id") == "half").then(2.0).otherwise(1.0)
    wrong = made.sites.with_columns(installed_kwp=pl.col("installed_kwp") * double)
    found = yield_fleet.live_nights(yield_fleet.Roofs(wrong, made.planes, made.readings, [], made.first, made.days))
    assert {name: case["kind"] for name, case in found.opened().items()} == {"half": "capacity-mismatch"}
