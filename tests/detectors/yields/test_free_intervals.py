"""Which intervals of a limited site are free, on rows whose books are written by hand."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.frames import READINGS
from detectors.yields import fleet_day, free_intervals
from detectors.yields.free_intervals import to_quarters
from detectors.yields.quarter_hours import table
from tests.support import build
from tests.support.bright_day import STREET, night_of, powers
from tests.support.noon_rows import NOON, noon_rows

NO_EXPORT = {"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 50.0, "battery_kwh": 10.0}


def _books(pv: float, grid: float, battery: float = 0.0, **more: float) -> dict[str, float]:
    return {"pv_w": pv, "grid_w": grid, "battery_w": battery, "load_w": pv + grid + battery, **more}


def _quarter(rows: pl.DataFrame, site: dict, name: str, at: int = 48) -> float:
    return float(table(to_quarters(rows, build.sites(site)), name)[0, at])


def test_a_site_without_a_limit_is_always_free():
    rows = noon_rows(15, _books(3000, -2000), _books(0, 500))
    made = to_quarters(rows, build.sites({"feed_in_limit_kw": None}))
    assert made["proven_w"][0] is None
    assert table(made, "pv_w")[0, 48:50].tolist() == [3000, 0]
    assert made["day"].to_list() == [date(2025, 6, 10)]


@pytest.mark.parametrize(
    ("grid", "battery", "limit", "held_pct"),
    [
        ((8, -12, 5, 0), 0.0, None, 100),
        ((8, -12, -400, 0), 0.0, None, 0),  # half an hour may be chance
        ((8, -12, 5, 0), -700.0, None, 0),  # a battery at work keeps the grid at nothing
        ((8, -12, 5, 0), 0.0, 0.0, None),  # it has a limit, and rules of its own
    ],
)
def test_a_site_without_a_limit_whose_grid_stands_at_nothing_is_held(grid, battery, limit, held_pct):
    rows = noon_rows(15, *(_books(1500 + 300 * n, one, battery) for n, one in enumerate(grid)))
    told = table(to_quarters(rows, build.sites({"feed_in_limit_kw": limit})), "held_pct")[0, 48]
    assert np.isnan(told) if not held_pct else told == held_pct


def test_a_battery_that_nobody_reads_may_be_what_keeps_the_grid_at_nothing():
    rows = noon_rows(15, *({**_books(1500 + 300 * n, 5), "battery_w": None} for n in range(4)))
    told = [table(to_quarters(rows, build.sites({"battery_kwh": one})), "held_pct")[0, 48] for one in (10.0, None)]
    assert np.isnan(told[0]) and told[1] == 100


def test_hours_without_feed_in_take_nothing_from_a_roofs_level():
    """From 10 to 14 UTC the roof makes what its house takes, as where feed-in costs money; else its all."""
    is_noon = (np.arange(96) >= 40) & (np.arange(96) < 56)
    load_w = np.where(is_noon, 800.0 + 20 * (np.arange(96) % 7), 300.0)
    due_w = powers()[STREET]
    held = np.where(is_noon, load_w / np.maximum(due_w, 1.0), 1.0)
    told = night_of(held, load_w=load_w)
    assert abs(told.x[STREET]) < 0.05 and told.fleet.is_held[STREET].sum() == 16
    assert not told.fleet.is_held[:STREET].any()
    weak = night_of(np.where(is_noon, held, 0.7), load_w=load_w)
    assert weak.x[STREET] == pytest.approx(np.log(0.7), abs=0.06)


@pytest.mark.parametrize(("grid", "is_free"), [(50, False), (100, False), (400, True)])
def test_an_import_beyond_what_is_kept_up_proves_that_nothing_was_curtailed(grid, is_free):
    """50 W kept up, 60 W and 3 % of 1,000 W of margin: free above 140 W."""
    rows = noon_rows(15, _books(1000, grid, soc_pct=100.0))
    assert (_quarter(rows, NO_EXPORT, "free_pct") == 100) == is_free


def test_a_feed_in_limit_is_free_below_it():
    site = {"feed_in_limit_kw": 5.0, "battery_kwh": None}
    assert _quarter(noon_rows(15, _books(6000, -4900)), site, "free_pct") == 0
    assert _quarter(noon_rows(15, _books(4500, -4000)), site, "free_pct") == 100


def test_charging_with_room_may_be_free_by_the_battery():
    rows = noon_rows(15, _books(3000, 50, -2000, soc_pct=60.0), _books(3000, 50, -2000, soc_pct=95.0))
    made = to_quarters(rows, build.sites(NO_EXPORT))
    assert table(made, "charging_pct")[0, 48:50].tolist() == [100, 0]
    assert table(made, "charge_w")[0, 48] == 2000
    assert (
        table(made, "usable_w")[0, 48] == 1050 - 50 - 60
    )  # the house draws 1,050 W, 50 W are kept up, 60 W are the margin


@pytest.mark.parametrize(("soc_pct", "is_free"), [(60.0, True), (95.0, False)])
def test_a_battery_that_gives_with_room_left_proves_that_nothing_was_curtailed(soc_pct, is_free):
    """What the roof could have made beyond would have gone to the house, and the rest of it into the battery."""
    assert (_quarter(noon_rows(15, _books(800, 50, 600, soc_pct=soc_pct)), NO_EXPORT, "free_pct") == 100) == is_free


@pytest.mark.parametrize(
    ("pv", "grid", "battery", "soc_pct", "full_pct"),
    [
        (800, 50, 0, 95.0, 100),  # the house has its part at the import that is kept up, the battery is full
        (800, 400, 0, 95.0, 0),  # the house would take more
        (3000, 50, -2000, 60.0, 0),  # the battery charges: whether it could take more its limit tells
        (0, 50, 0, 95.0, 100),  # nothing is wanted beyond what is kept up
        (0, 100, 0, 95.0, 0),  # a dark roof: an idle house would have taken 50 W of it
    ],
)
def test_a_roof_is_held_where_its_takers_have_theirs_and_it_made_what_they_took(pv, grid, battery, soc_pct, full_pct):
    row = _books(pv, grid, battery, soc_pct=soc_pct)
    assert _quarter(noon_rows(15, row), NO_EXPORT, "full_pct") == full_pct


def test_books_that_do_not_close_prove_nothing():
    row = _books(1000, 800) | {"load_w": 2600.0}
    assert _quarter(noon_rows(15, row), NO_EXPORT, "free_pct") == 0


def test_a_coarse_meter_needs_imports_beyond_its_steps():
    """A counter of 0.01 kWh at 5 minutes tells 120 W steps: 240 W of import may be none."""
    rows = noon_rows(5, *[_books(960, 120 * n) for n in range(9)])
    fine = noon_rows(5, *[_books(960 + n, grid) for n, grid in enumerate((0, 1, 240, 3, 4, 5, 6, 7, 8))])
    assert _quarter(rows, NO_EXPORT, "free_pct", 48) == 0
    assert _quarter(rows, NO_EXPORT, "free_pct", 50) == 100
    assert _quarter(fine, NO_EXPORT, "free_pct", 48) == pytest.approx(33, abs=1)


def test_without_a_level_room_is_what_was_given_back():
    """A quarter of 10 kWh: after 3 kWh were discharged there is room, after a full charge there is none."""
    drain = [_books(200, 60, 3000)] * 4
    fill = [_books(4000, 60, -3500)] * 5
    rows = noon_rows(15, *drain, *fill)
    made = to_quarters(rows, build.sites(NO_EXPORT))
    assert table(made, "room_pct")[0, 51] == 100
    assert table(made, "room_pct")[0, 56] == 0


@pytest.mark.parametrize(
    ("pv", "grid", "battery", "has_room"),
    [
        (1000, 50, 0, False),  # it rests beside a roof that makes just what the house takes
        (1000, 50, -2000, True),
        (1000, 900, 0, True),  # the roof makes less than the house takes: nothing is left to charge with
        (0, 60, 0, True),  # a dark roof and an empty house
    ],
)
def test_a_battery_that_rests_beside_a_curtailed_roof_takes_no_charge(pv, grid, battery, has_room):
    made = _quarter(noon_rows(15, _books(pv, grid, battery, soc_pct=20.0)), NO_EXPORT, "room_pct")
    assert (made == 100) == has_room


def test_nor_does_it_until_it_is_next_seen_at_work():
    """Under a cloud the house imports: what the battery could take then is not to be held against the roof."""
    curtailed, clouded = _books(1000, 50, soc_pct=20.0), _books(200, 800, soc_pct=20.0)
    rows = noon_rows(
        15, clouded, curtailed, clouded, curtailed, clouded, _books(2500, 50, -1500, soc_pct=20.0), clouded
    )
    made = table(to_quarters(rows, build.sites(NO_EXPORT)), "room_pct")
    assert made[0, 48:55].tolist() == [0, 0, 0, 0, 100, 100, 100]
    resting = table(to_quarters(noon_rows(15, clouded, clouded), build.sites(NO_EXPORT)), "room_pct")
    assert resting[0, 48:50].tolist() == [100, 100]


def _charging(steps, follows: bool, ceiling: float = 400.0) -> dict:
    """A battery with room; the roof `follows` the house, whose load goes by `steps`, or makes what the sky gives."""
    books = []
    for n, load in enumerate(steps):
        charge = ceiling - 2 * n if follows else 2400.0 - load
        books.append(_books(load + charge, 0.0, -charge, soc_pct=50.0))
    (row,) = to_quarters(noon_rows(5, *books), build.sites(NO_EXPORT)).to_dicts()
    return row


def test_generation_that_follows_the_house_shows_at_what_charging_its_battery_holds_it():
    """A cold battery takes some 400 W; a kettle is met by the roof, which had been held back."""
    steps = [500.0, 1500.0] * 6
    held = _charging(steps, follows=True)
    assert held["held_charge_w"] == pytest.approx(380, abs=6)
    assert held["charges"] == 12
    assert _charging(steps, follows=False)["held_charge_w"] is None  # the battery takes up each step
    assert _charging([500.0] * 12, follows=True)["held_charge_w"] is None  # a still house shows nothing
    assert _charging([500.0, 1500.0] * 2, follows=True)["held_charge_w"] is None  # three steps may be clouds


def test_what_held_the_roof_this_day_is_its_batterys_ceiling():
    """In summer it took 3 kW: beside that 400 W look like charging that the roof could not exceed."""
    ceiling, has_limit = np.array([3000.0]), np.array([True])
    for follows, is_free, battery in ((True, False, 0.9 * 380), (False, True, 2700.0)):
        row = _charging([500.0, 1500.0] * 6, follows=follows)
        told = fleet_day.free(pl.DataFrame([row], schema=free_intervals.INTERVALS), has_limit, ceiling)
        assert told[2][0, 48] == is_free
        assert told[4][0, 48] == pytest.approx(battery, abs=6)


def test_clouds_that_go_with_a_few_steps_do_not_hold_a_battery():
    """Four steps of the house that the sky happened to make, among twelve that the battery took up."""
    loads = [500.0 + 1000.0 * (n % 2) for n in range(17)]
    charges = [900.0] * 5 + [900.0 + 1000.0 * (n % 2) for n in range(12)]
    books = [_books(a + b, 0.0, -b, soc_pct=50.0) for a, b in zip(loads, charges, strict=True)]
    (row,) = to_quarters(noon_rows(5, *books), build.sites(NO_EXPORT)).to_dicts()
    assert row["held_charge_w"] is None


def test_hours_are_laid_over_their_quarters_and_minutes_averaged():
    hourly = to_quarters(noon_rows(60, _books(1000, -500)), build.sites({"feed_in_limit_kw": None}))
    assert table(hourly, "pv_w")[0, 48:53].tolist()[:4] == [1000] * 4
    assert np.isnan(table(hourly, "pv_w")[0, 52])
    tens = to_quarters(
        noon_rows(10, _books(900, 0), _books(600, 0), _books(300, 0)), build.sites({"feed_in_limit_kw": None})
    )
    assert table(tens, "pv_w")[0, 48:50].tolist() == [800, 400]


def test_nothing_read_nothing_told():
    assert to_quarters(READINGS.to_frame(), build.sites({})).equals(free_intervals.INTERVALS.to_frame())


def test_a_roof_curtailed_to_an_idle_house_proves_nothing():
    """Of 160 W of stand-by 120 W are kept up as import all day: the roof's 40 W are all that it was allowed."""
    site = {"feed_in_limit_kw": 0.0, "feed_in_buffer_w": None, "battery_kwh": None, "installed_kwp": 7.5}
    idle = [_books(40, 120) for _ in range(20)]
    assert _quarter(noon_rows(15, *idle), site, "free_pct") == 0


def test_a_dark_roof_is_free_beyond_what_was_kept_up_before():
    """160 W of stand-by and no generation: a dead roof, or one never asked, since 200 W are kept up."""
    site = {"feed_in_limit_kw": 0.0, "feed_in_buffer_w": None, "battery_kwh": None, "installed_kwp": 7.5}
    dark = noon_rows(15, *(_books(0, 160) for _ in range(20)))

    def free_pct(rows, *kept_w):
        days = [NOON.date() - timedelta(days=len(kept_w) - at) for at in range(len(kept_w))]
        kept = pl.DataFrame(
            {"site_id": "roof-1", "day": days, "kept_w": list(kept_w)}, schema=free_intervals.LOWEST_IMPORT
        )
        return float(table(to_quarters(rows, build.sites(site), kept), "free_pct")[0, 48])

    assert free_pct(dark) == 0  # a regulator may keep up 500 W
    assert free_pct(noon_rows(15, *(_books(0, 700) for _ in range(20)))) == 100
    assert free_pct(dark, 50.0, 48.0, 300.0, 420.0) == 100  # on two days the house took all that the roof made
    assert free_pct(dark, 190.0, 205.0, 300.0, 420.0) == 0


def test_the_noise_of_a_regulator_does_not_free_a_roof():
    """A house of 60 W, 160 W while its refrigerator runs; 200 W are kept up, so that the roof was never asked."""
    site = {"feed_in_limit_kw": 0.0, "feed_in_buffer_w": None, "battery_kwh": None, "installed_kwp": 9.0}
    books = [_books(10, 150) if at % 3 == 0 else _books(20, 40) for at in range(40)]
    assert _quarter(noon_rows(15, *books), site, "free_pct") == 0
