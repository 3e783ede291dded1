"""A grid meter whose link is lost reads exactly 0, beside homes in which 0 is what flows. The series are invented."""

import numpy as np
import polars as pl
import pytest

from detectors.data_quality.flags import good_values
from detectors.frames import DEVICE_READINGS
from tests.support.battery_home import DAY, HOURS, STEPS, Home, flags_of, home, rows, told

PAST = [home(seed) for seed in range(2, 22)]
NO_LIMIT_W = 0.0


def _without_meter(of: Home) -> Home:
    """The day as an inverter shows it that works the load out of what it has: the grid reads nothing."""
    return {**of, "grid_w": np.zeros(STEPS), "load_w": np.clip(of["pv_w"] + of["battery_w"], 0, None)}


def _coarse(of: Home, step_w: float) -> Home:
    return {**of, "grid_w": np.round(of["grid_w"] / step_w) * step_w}


def _curtailed(of: Home) -> Home:
    """May not feed in: generation follows what house and battery take."""
    return {**of, "pv_w": of["pv_w"] + np.minimum(of["grid_w"], 0), "grid_w": np.maximum(of["grid_w"], 0)}


def _island(of: Home) -> Home:
    """The day without a grid: generation and battery follow the house."""
    pv = np.minimum(of["pv_w"], of["load_w"] + np.round(900 + 300 * np.sin(HOURS)))
    return {**of, "pv_w": pv, "battery_w": of["load_w"] - pv, "grid_w": np.zeros(STEPS)}


def test_a_home_with_a_battery_is_clean() -> None:
    assert told([*PAST, home(1)]) == []


def test_a_meter_that_reads_nothing_for_two_days_has_lost_its_link() -> None:
    days = [*PAST, *(_without_meter(home(seed)) for seed in (30, 31))]
    (found,) = told(days)
    assert (found.kind, found.severity, found.value) == ("readings-frozen", "soon", 48.0)
    assert "link is lost, or the site runs as an island" in found.summary
    assert found.evidence["channel_name"] == "grid_w" and (DAY - found.since).days == 1


def test_its_values_count_nowhere_and_the_other_channels_stay() -> None:
    readings = rows([*PAST, *(_without_meter(home(seed)) for seed in (30, 31))])
    today = readings.filter(pl.col("ts_local").dt.date() == DAY)
    good = good_values(today.select(DEVICE_READINGS.names()), flags_of(readings))
    assert good["grid_w"].null_count() == STEPS and good["pv_w"].null_count() == 0
    shuffled = readings.sample(fraction=1.0, shuffle=True, seed=3)
    assert flags_of(shuffled).equals(flags_of(readings))


def test_a_house_that_nothing_feeds_tells_it_on_the_first_day() -> None:
    """A battery of 2 kWh is empty by three: what the house draws until sunrise at six comes from the grid."""
    past = [home(seed, capacity_kwh=2.0) for seed in range(2, 22)]
    (found,) = told([*past, _without_meter(home(30, capacity_kwh=2.0))], battery_kwh=2.0)
    assert (found.kind, found.value) == ("readings-frozen", 24.0)


def test_a_single_day_on_which_the_sources_feed_the_house_may_be_a_grid_that_was_off() -> None:
    days = [*PAST, *(_island(home(seed)) for seed in (30, 31))]
    assert told(days[:-1]) == []
    (found,) = told(days)
    assert found.value == 48.0


def test_load_that_is_not_read_changes_nothing() -> None:
    nothing = np.full(STEPS, np.nan)
    days = [{**day, "load_w": nothing} for day in [*PAST, *(_without_meter(home(seed)) for seed in (30, 31))]]
    assert [one.kind for one in told(days)] == ["readings-frozen"]


@pytest.mark.parametrize("step_w", [10.0, 100.0])
def test_a_coarse_meter_hides_what_a_regulator_errs_by(step_w: float) -> None:
    """Whole days at 0, after days without a battery, of which few readings are 0."""
    past = [_coarse(home(seed, capacity_kwh=0.0), step_w) for seed in range(2, 22)]
    days = [*past, *(_without_meter(_curtailed(home(seed))) for seed in (30, 31, 32))]
    assert told(days, feed_in_limit_kw=NO_LIMIT_W) == []


def test_a_meter_that_often_shows_nothing_for_most_of_the_day_may_do_so_all_day() -> None:
    often = [{**day, "grid_w": np.where(HOURS < 18, 0.0, day["grid_w"])} for day in PAST]
    days = [*often, *(_without_meter(home(seed)) for seed in (30, 31))]
    assert told(days) == []


def test_whole_days_at_nothing_that_come_again_and_again_are_the_sites_habit() -> None:
    habit = [_without_meter(day) if place % 5 == 0 else day for place, day in enumerate(PAST)]
    assert told([*habit, *(_without_meter(home(seed)) for seed in (30, 31))]) == []


def test_an_idle_home_has_no_exchange() -> None:
    """Away, without feed-in: what stands by is some 40 W, and generation is held down to it."""
    idle = {name: np.where((HOURS > 7) & (HOURS < 19), 40.0, 0.0) for name in ("pv_w", "load_w")}
    asleep = {**idle, "grid_w": np.zeros(STEPS), "battery_w": 40.0 - idle["pv_w"], "soc_pct": np.full(STEPS, 60.0)}
    assert told([*PAST, asleep, asleep, asleep], feed_in_limit_kw=NO_LIMIT_W) == []


@pytest.mark.parametrize(("shown_v", "kinds"), [(0.0, []), (np.nan, []), (231.0, ["readings-frozen"])])
def test_an_island_has_no_mains(shown_v: float, kinds: list[str]) -> None:
    volts = np.round(230 + np.random.default_rng(1).normal(0, 2, STEPS), 1)
    past = [{**day, "voltage_l1_v": volts} for day in PAST]
    now_v = volts if shown_v > 0 else np.full(STEPS, shown_v)
    days = [{**_island(home(seed)), "voltage_l1_v": now_v} for seed in (30, 31, 32)]
    assert [one.kind for one in told([*past, *days])] == kinds


def test_gaps_leave_a_day_open() -> None:
    """A fifth of the day is missing, then a tenth of it less one reading."""
    for lost, kinds in ((58, []), (28, ["readings-frozen"])):
        last = {name: np.where(np.arange(STEPS) < lost, np.nan, values) for name, values in home(31).items()}
        days = [*PAST, _without_meter(home(30)), {**last, "grid_w": np.where(np.isnan(last["grid_w"]), np.nan, 0.0)}]
        assert [one.kind for one in told(days)] == kinds


def test_a_site_that_nobody_knows_yet_is_left_open() -> None:
    assert told([*PAST[:6], *(_without_meter(home(seed)) for seed in (30, 31))]) == []
