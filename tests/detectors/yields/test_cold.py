"""How long dark roofs may excuse one another: as long as weather can, and not when the season speaks against it."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.yields import cold, records, testing, verdicts, zeros
from detectors.yields.cold import FEW_SPELL_DAYS, LIT_AROUND_DAYS, MAX_SPELL_DAYS, WORN_OUT, Cold, of_day, spell_days
from detectors.yields.sequential_test import OPEN
from tests.support import build, yield_fleet
from tests.support.bright_day import DAY as ON
from tests.support.bright_day import STREET, night_of
from tests.support.yield_fleet import fault


def _lived(days: list[list[float]], *, possible: list[bool] | None = None) -> list[int]:
    """The first site's spell day by day; each day tells the clear ratio of every site, all neighbours of each other."""
    count = len(days[0])
    around = np.array([[other for other in range(count) if other != n] for n in range(count)], dtype=np.intp)
    spell, told = np.zeros(count, dtype=np.intp), []
    for n, ratio in enumerate(days):
        is_so = np.full(count, True if possible is None else possible[n])
        spell = spell_days(spell, np.array(ratio), around.reshape(count, -1), Cold(is_so, is_so))
        told.append(int(spell[0]))
    return told


@pytest.mark.parametrize(("sites", "most"), [(1, FEW_SPELL_DAYS), (2, FEW_SPELL_DAYS), (6, MAX_SPELL_DAYS)])
def test_a_spell_is_worn_out_and_does_not_open_again_before_the_light_comes_back(sites, most):
    told = _lived([[0.0] * sites] * (most + 20))
    assert told[:most] == list(range(1, most + 1))
    assert set(told[most:]) == {WORN_OUT}
    again = _lived([[0.0] * sites] * (most + 3) + [[0.9] * sites] + [[0.0] * sites] * 2)
    assert again[-3:] == [0, 1, 2]  # it was bright: new snow is another spell


def test_so_few_roofs_are_excused_for_some_days_only_where_it_is_not_cold():
    """A dead lone roof in a mild May of the south was taken for one under snow for ten days."""
    mild = Cold(np.array([True]), np.array([False]))
    spell, told = np.zeros(1, dtype=np.intp), []
    for _ in range(6):
        spell = spell_days(spell, np.zeros(1), np.empty((1, 0), dtype=np.intp), mild)
        told.append(int(spell[0]))
    assert told == [1, 2, 3, WORN_OUT, WORN_OUT, WORN_OUT]
    assert not cold.may_be_snow(spell, mild).any()


def test_snow_lies_further_from_the_equator_in_the_south():
    noon, latitude = np.full(4, 30.0), np.array([38.0, -38.0, -43.0, 33.0])
    assert of_day(noon, noon, latitude, np.full(4, np.nan)).is_possible.tolist() == [True, False, True, False]


def test_one_bright_roof_ends_the_spell_of_all():
    assert _lived([[0.0, 0.0, 0.0]] * 3 + [[0.0, 0.0, 0.8]] + [[0.0, 0.5, 0.8]]) == [1, 2, 3, 0, 0]


def test_a_day_too_warm_for_snow_ends_it():
    assert _lived([[0.0, 0.0]] * 4, possible=[True, True, False, False]) == [1, 2, 0, 0]
    noon, north = np.array([30.0, 30.0, 60.0]), np.full(3, 47.0)
    assert of_day(noon, noon, north, np.array([np.nan, 9.0, np.nan])).is_possible.tolist() == [True, False, False]


def test_snow_falls_in_late_spring_and_on_a_tropical_mountain_where_it_is_measured_to_freeze():
    noon, latitude = np.array([56.0, 56.0, 56.0, 80.0, 80.0]), np.array([47.0, 47.0, 47.0, -16.5, -16.5])
    day = of_day(noon, noon, latitude, np.array([1.5, 5.0, np.nan, 1.0, 5.0]))
    assert day.is_possible.tolist() == day.is_cold.tolist() == [True, False, False, True, False]


def test_an_october_is_as_warm_as_its_sun_of_a_month_before():
    """47 degrees north: on 17 October the noon sun stands as on 24 February, and a month before at 45 degrees."""
    noon, before = np.full(2, 33.5), np.array([45.0, 23.0])
    day = of_day(noon, before, np.full(2, 47.0), np.full(2, np.nan))
    assert day.is_cold.tolist() == [False, True]
    assert day.is_possible.all()  # snow on a whole neighbourhood shows itself


def test_a_roof_that_is_dark_beside_another_shares_its_snow():
    near = np.array([[1, 2], [0, 2], [0, 1]])
    ratio, is_so = np.array([0.01, 0.02, 0.9]), np.ones(3, dtype=bool)
    shared = cold.is_shared(ratio, near, Cold(is_so, is_so), is_so)
    assert shared.tolist() == [True, True, False]
    assert not cold.is_shared(ratio, near, Cold(is_so, ~is_so), is_so).any()  # too warm
    assert not cold.is_shared(ratio, near, Cold(is_so, is_so), np.array([True, False, True]))[0]  # it is at fault
    assert not cold.is_shared(np.array([0.01, np.nan, 0.9]), near, Cold(is_so, is_so), is_so).any()


def test_two_roofs_of_a_street_that_go_dark_on_one_cold_day_may_lie_under_snow():
    """The others are lit: it slid from them. One alone is a fault; two are told once it is too warm for snow."""
    names, first = [f"roof{n}" for n in range(6)], date(2026, 2, 8)
    waited = []
    for dark in (names[:1], names[:2]):
        faults = {name: fault("no-generation", 4) for name in dark}
        made = yield_fleet.make(6713, {name: {} for name in names}, faults, first=first, days=20)
        opened = yield_fleet.live_nights(made).opened()
        assert {name: case["kind"] for name, case in opened.items()} == dict.fromkeys(dark, "no-generation")
        waited.append(max((case["opened_on"] - first).days - 4 for case in opened.values()))
    assert waited[0] <= 1 and waited[1] >= 5


def test_two_roofs_that_stay_dark_beside_lit_ones_are_dead_however_cold_it_is():
    """Both were excused by each other for the five weeks that December lasted."""
    names, dark = [f"roof{n}" for n in range(7)], ["roof0", "roof1"]
    faults = {name: fault("no-generation", 4) for name in dark}
    made = yield_fleet.make(6716, {name: {} for name in names}, faults, first=date(2025, 11, 25), days=20)
    opened = yield_fleet.live_nights(made).opened()
    assert {name: case["kind"] for name, case in opened.items()} == dict.fromkeys(dark, "no-generation")
    assert all((case["opened_on"] - made.day(4)).days <= LIT_AROUND_DAYS + 2 for case in opened.values())
    assert all(case["first_day"] == made.day(4) for case in opened.values())


def test_a_dark_roof_that_is_excused_is_listed_as_not_judged():
    names, dark = [f"roof{n}" for n in range(7)], ["roof0", "roof1"]
    faults = {name: fault("no-generation", 4) for name in dark}
    made = yield_fleet.make(6716, {name: {} for name in names}, faults, first=date(2025, 11, 25), days=8)
    night = yield_fleet.live_nights(made).objects["yield_night"]
    said = {one.site_id: one.reason.code for one in verdicts.not_judged("no-generation", night, [], made.day(7))}
    assert said == dict.fromkeys(dark, "may-be-snow")


def test_days_dark_beside_lit_roofs_are_counted_up_to_the_day_before():
    """Of four roofs: dark for three days; after new snow for one; not known on the last day; lit."""
    days = [date(2026, 1, 1) + timedelta(days=n) for n in range(4)]
    courses = {"a": "lddd", "b": "ddsd", "c": "ddd?", "d": "dddl"}
    rows = [
        {"site_id": site, "day": on, "is_zero": mark in "ds", "spell_days": int(mark == "s"), "neighbours": 5.0}
        for site, course in courses.items()
        for on, mark in zip(days, course, strict=True)
        if mark != "?"
    ]
    residuals = build.frame(records.RESIDUAL, rows)
    found = zeros.dark_days(residuals, pl.Series(["a", "b", "c", "d", "e"]), date(2026, 1, 5))
    assert found.tolist() == [3, 1, 0, 0, 0]


@pytest.mark.parametrize(("first", "waits"), [(date(2026, 10, 6), False), (date(2026, 2, 10), True)])
def test_a_roof_that_dies_beside_one_other_waits_in_the_cold_alone(first, waits):
    """The noon sun stands alike on 16 October and 26 February, when the roof dies; in October the air is warm yet."""
    made = yield_fleet.make(6714, {"dead": {}, "lit": {}}, {"dead": fault("no-generation", 10)}, first=first, days=22)
    opened = yield_fleet.live_nights(made).opened()
    assert {name: case["kind"] for name, case in opened.items()} == {"dead": "no-generation"}
    assert ((opened["dead"]["opened_on"] - made.day(10)).days > 2) == waits


def test_two_dead_roofs_in_winter_are_told_once_no_snow_lies_so_long():
    dead = {name: fault("no-generation", 2) for name in ("first", "second")}
    made = yield_fleet.make(6711, {name: {} for name in dead}, dead, first=date(2026, 2, 20), days=15)
    opened = yield_fleet.live_nights(made).opened()
    assert {name: case["kind"] for name, case in opened.items()} == dict.fromkeys(dead, "no-generation")


@pytest.mark.parametrize(
    ("first", "most", "may_be_snow"), [(date(2026, 1, 5), 14, True), (date(2026, 10, 6), 5, False)]
)
def test_a_lone_dead_roof_waits_as_long_as_snow_lies_in_its_season(first, most, may_be_snow):
    dies = 10
    made = yield_fleet.make(6715, {"lone": {}}, {"lone": fault("no-generation", dies)}, first=first, days=28)
    lived = yield_fleet.live_nights(made)
    opened = lived.opened()["lone"]
    assert opened["kind"] == "no-generation" and (opened["opened_on"] - made.day(dies)).days <= most
    assert bool(lived.objects["yield_night"].may_be_snow[0]) == may_be_snow


def test_a_roof_that_is_off_for_two_winter_days_beside_lit_ones_is_no_roof_under_snow():
    names = ["off", *(f"lit{n}" for n in range(5))]
    off = {"off": fault("no-generation", 11, last_day=12)}
    made = yield_fleet.make(6712, {name: {} for name in names}, off, first=date(2026, 2, 3), days=14)
    nights = yield_fleet.live_nights(made)
    assert {name: case["kind"] for name, case in nights.opened().items()} == {"off": "no-generation"}
    odds = nights.rows["yield_odds"]
    assert not odds["is_covered"].any()
    first = odds.filter(pl.col("site_id") == "off", pl.col("day") == made.day(11))
    assert first["log_odds"].item() > OPEN  # on the first of the two


def test_a_roof_stays_covered_while_snow_lets_a_little_light_through():
    """Snow lay the night before; three per cent of what is due come through, then the half of it."""
    before = build.frame(testing.ODDS, [{"site_id": "street", "day": ON - timedelta(days=1), "is_covered": True}])
    assert [bool(night_of(one, odds=before).is_covered[STREET]) for one in (0.0, 0.03, 0.5)] == [True, True, False]
    assert not night_of(0.03).is_covered.any()
    lit_around = [bool(night_of(0.0, odds=before, dark_days=days).is_covered[STREET]) for days in (6, LIT_AROUND_DAYS)]
    assert lit_around == [True, False]  # after a week beside lit roofs it is not snow


def test_a_spell_that_is_worn_out_may_be_snow_in_its_season_alone():
    spell = np.array([WORN_OUT, 0, WORN_OUT, WORN_OUT, WORN_OUT])
    noon, latitude = np.array([15.0, 15.0, 60.0, 15.0, 15.0]), np.array([52.0, 52.0, 52.0, 52.0, 20.0])
    warmth = np.array([np.nan, np.nan, np.nan, 12.0, np.nan])
    assert cold.may_be_snow(spell, of_day(noon, noon, latitude, warmth)).tolist() == [True, False, False, False, False]


def test_a_roof_beside_few_lit_ones_may_be_dark_for_its_own_snow_for_some_days():
    assert cold.may_be_own_snow(True, 1.0, 6) and cold.may_be_own_snow(True, float("nan"), 6)
    assert not cold.may_be_own_snow(True, 1.0, 11)  # no flat roof keeps it for so long beside lit ones
    assert not cold.may_be_own_snow(True, 5.0, 6)
    assert not cold.may_be_own_snow(False, 1.0, 6)


def test_a_roof_that_went_dark_as_snow_fell_on_all_may_keep_it_for_some_days_however_many_are_lit():
    assert cold.may_be_own_snow(False, 5.0, 6, began_in_spell=True)
    assert not cold.may_be_own_snow(False, 5.0, 11, began_in_spell=True)


def _levels(x, *, sigma=0.05, baseline=0.0, is_sound=True):
    count = len(x)
    every = [np.broadcast_to(np.asarray(one, dtype=float), count) for one in (x, sigma, baseline, 0.05)]
    return cold.Levels(*every, np.broadcast_to(np.asarray(is_sound), count))


def _all_near(count):
    return np.array([[other for other in range(count) if other != n] for n in range(count)], dtype=np.intp)


@pytest.mark.parametrize(
    ("x", "is_white"),
    [
        ([-0.7] + [0.0] * 9, False),  # alone: it lacks something of its own
        ([-0.7, -0.5] + [0.0] * 8, False),  # two faults of ten roofs
        ([-0.7, -0.5, -0.3] + [0.0] * 7, True),
        ([0.0, -0.5, -0.3] + [0.0] * 7, True),  # its neighbours' snow lifts a roof that has none
        ([-0.7, -0.15, -0.15, -0.15] + [0.0] * 6, False),  # so much roofs differ from day to day
        ([-0.7, 0.0, 0.0] + [np.nan] * 7, True),  # two others tell nothing of it
    ],
)
def test_snow_or_rime_shows_on_more_roofs_than_one(x, is_white):
    day = Cold(np.ones(10, dtype=bool), np.ones(10, dtype=bool))
    assert bool(cold.is_white(_levels(x), _all_near(10), day)[0]) == is_white
    mild = Cold(np.ones(10, dtype=bool), np.zeros(10, dtype=bool))
    assert not cold.is_white(_levels(x), _all_near(10), mild).any()


def test_roofs_at_fault_and_days_that_tell_little_show_no_rime():
    day = Cold(np.ones(10, dtype=bool), np.ones(10, dtype=bool))
    x = [-0.7, -0.5, -0.4] + [0.0] * 7
    assert not cold.is_white(_levels(x, is_sound=[True, False, False] + [True] * 7), _all_near(10), day)[0]
    assert not cold.is_white(_levels(x, sigma=0.4), _all_near(10), day)[0]


def test_snow_may_lie_on_a_roof_until_it_stands_at_its_level_or_none_lies_so_long():
    day, no = Cold(np.ones(1, dtype=bool), np.ones(1, dtype=bool)), np.zeros(1, dtype=bool)
    days, told = np.zeros(1, dtype=np.intp), []
    for spell, is_free in [(0, 0), (1, 0), (2, 0), (0, 0), (0, 0), (0, 1), (0, 0), (1, 0), *[(0, 0)] * 11]:
        days = cold.white_days(days, np.array([spell]), no, np.array([bool(is_free)]), day)
        told.append(int(days[0]))
    assert told == [0, 1, 1, 2, 3, 0, 0, *range(1, FEW_SPELL_DAYS + 1), 0, 0]


def test_another_roof_that_is_covered_shows_snow_and_one_that_lacks_a_part_does_not():
    day = Cold(np.ones(4, dtype=bool), np.ones(4, dtype=bool))
    none, covered = np.zeros(4, dtype=np.intp), _levels([0.0, -2.0, 0.0, 0.0])
    assert cold.is_snow_around(covered, none, _all_near(4), day).tolist() == [True, False, True, True]
    assert not cold.is_snow_around(covered, np.array([0, 2, 0, 0]), _all_near(4), day).any()  # it lay there before
    assert not cold.is_snow_around(_levels([0.0, -0.7, -0.7, 0.0]), none, _all_near(4), day).any()


def test_what_is_left_of_snow_covers_a_roof_whole():
    day = Cold(np.ones(4, dtype=bool), np.ones(4, dtype=bool))
    seen, days = np.array([False, False, False, True]), np.array([0, 3, 3, 0])
    deep = _levels([-2.0, -0.7, -2.0, -0.7]).is_deep()
    assert cold.doubt(seen, days, deep, day).tolist() == [cold.OWN, cold.OWN, cold.WHITE, cold.WHITE]
    mild = Cold(np.ones(4, dtype=bool), np.zeros(4, dtype=bool))
    assert cold.doubt(seen & False, days, deep, mild).tolist() == [cold.CLEAN] * 4


def test_a_half_roof_that_goes_missing_in_midwinter_beside_others_at_their_levels_is_told_within_a_week():
    """It took ten days or was never told: each of its days counted as rime, and each that seemed better in full."""
    names = [f"roof{n}" for n in range(9)]
    lost = {"roof0": fault("underperformance", 16, size=50.0)}
    made = yield_fleet.make(6717, {name: {} for name in names}, lost, first=date(2025, 12, 1), days=32)
    opened = yield_fleet.live_nights(made).opened()
    assert set(opened) == {"roof0"}
    assert (opened["roof0"]["opened_on"] - made.day(16)).days <= 7


def test_rime_that_the_sun_melts_late_is_no_fault():
    """On cold, clear mornings roofs give nothing to a half for some hours, each its own share of the days."""
    rime = dict(zip([f"roof{n}" for n in range(9)], np.linspace(0.0, 0.9, 9), strict=True))
    made = yield_fleet.make(
        6718, {name: {"rime": share} for name, share in rime.items()}, {}, first=date(2025, 12, 10), days=40,
        climate="alpine",
    )  # fmt: skip
    nights = yield_fleet.live_nights(made)
    lacks = nights.rows["yield_residual"].filter(pl.col("x") < -0.3, pl.col("spell_days") == 0)
    assert lacks.height > 10  # it was there
    assert nights.opened() == {}


def test_a_roof_that_dies_on_a_dull_winter_day_after_it_was_free_of_snow_is_told_at_once():
    """Nothing told it from one under snow on days that give less than 1 kWh per kWp, as Decembers do."""
    names = [f"roof{n}" for n in range(7)]
    made = yield_fleet.make(
        6720, {name: {} for name in names}, {"roof0": fault("no-generation", 16)}, first=date(2025, 12, 1), days=24
    )
    nights = yield_fleet.live_nights(made)
    opened = nights.opened()
    assert {name: case["kind"] for name, case in opened.items()} == {"roof0": "no-generation"}
    due = nights.rows["yield_residual"].filter(pl.col("site_id") == "roof0", pl.col("day") >= made.day(16))
    assert due["energy"].head(3).max() < zeros.PLAIN_ENERGY
    assert (opened["roof0"]["opened_on"] - made.day(16)).days <= 2
    # Snow fell on them all since: it has not darkened a roof that was proved dead before.
    night = nights.objects["yield_night"]
    at = night.fleet.sites["site_id"].to_list().index("roof0")
    rows = nights.rows["yield_residual"].filter(pl.col("site_id") == "roof0")
    assert night.is_covered[at]
    assert not verdicts._may_be_snow(night, at, opened["roof0"], rows)
    # Nor is it in doubt again because a neighbour or two were not heard today.
    fewer = night._replace(neighbours=np.full_like(night.neighbours, 2.8), is_cold=np.ones_like(night.is_cold))
    assert not verdicts._may_be_snow(fewer, at, opened["roof0"], rows)
