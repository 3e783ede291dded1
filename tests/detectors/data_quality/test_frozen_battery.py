"""A battery's power and level that stand still, and what is natural in a battery."""

import numpy as np
import pytest

from tests.support.standing_home import (
    HOURS,
    STEPS,
    home_with,
    judge,
    lively,
    sunny,
)


def test_a_battery_that_rests_or_keeps_to_a_schedule_is_natural():
    site = {"battery_kwh": 10.0}
    full = np.full(STEPS, 100.0)
    assert judge(home_with(battery_w=np.zeros(STEPS), soc_pct=full), site=site) == []
    charge = np.where((HOURS >= 1) & (HOURS < 4), -2000.0, 0.0)
    level = np.clip(20 + np.cumsum(-charge) / 4 / 100, 0, 100)
    load = lively()
    home = home_with(battery_w=charge, soc_pct=np.round(level), grid_w=load - sunny() - charge)
    assert judge(home, site=site) == []


def test_a_battery_power_that_its_level_does_not_follow_is_frozen():
    charge = np.full(STEPS, -1234.0)  # 29.6 kWh in a day
    load = lively()
    home = home_with(battery_w=charge, soc_pct=np.full(STEPS, 55.0), grid_w=load - sunny())
    (found,) = judge(home, site={"battery_kwh": 10.0})
    assert found.evidence["channel_name"] == "battery_w"


def test_a_battery_can_take_no_more_than_it_holds():
    site = {"battery_kwh": 10.0}
    (found,) = judge({"pv_w": sunny(), "battery_w": np.full(STEPS, -1234.0)}, site=site)  # 29.6 kWh
    assert found.evidence["channel_name"] == "battery_w"
    assert judge({"pv_w": sunny(), "battery_w": np.full(STEPS, -440.0)}, site=site) == []  # 10.6 kWh


@pytest.mark.parametrize(
    ("level", "is_told"),
    [
        (50 - 30 * np.cos(HOURS / 12 * np.pi), True),  # charged and discharged again
        (60 - 0.1 * HOURS, False),  # self-discharge
        (np.where(HOURS < 13, 40.0, 95.0), False),  # a correction: one jump
        (np.where(HOURS % 6 < 3, 45.0, 50.0), False),  # shown in steps of five
    ],
)
def test_a_power_of_zero_while_the_level_moves_stands_still(level, is_told):
    """Load is worked out from the others here, so that the balance closes over it."""
    site = {"battery_kwh": 10.0}
    idle = home_with(battery_w=np.zeros(STEPS), soc_pct=np.round(level, 1))
    found = judge(idle, site=site)
    assert [(one.evidence["channel_name"], one.value) for one in found] == ([("battery_w", 24.0)] if is_told else [])
    assert judge(idle, site={"battery_kwh": 0.9}) == []  # what a standby of 30 W moves in a day
    assert judge({**idle, "soc_pct": np.full(STEPS, np.nan)}, site=site) == []


@pytest.mark.parametrize(
    ("level", "is_told"),
    [
        (65 - 30 * np.cos(HOURS / 12 * np.pi), True),  # charged and discharged again, at 300 W of discharge
        (95 - 72 * HOURS / 24, False),  # what 300 W take out of 10 kWh
        (np.where(HOURS < 13, 95 - 3.0 * HOURS, 90 - 3.0 * (HOURS - 13)), False),  # with one correction
        (np.where(HOURS % 6 < 3, 45.0, 50.0), False),  # shown in steps of five
    ],
)
def test_a_coarse_power_stands_still_if_the_level_goes_and_comes_back_meanwhile(level, is_told):
    """300 W on a meter of 100 W, from which the load is worked out: neither resolution nor balance tells."""
    pv, load = np.round(sunny() / 100) * 100, np.round(lively() / 100) * 100
    home = {"pv_w": pv, "load_w": load, "grid_w": load - pv - 300, "battery_w": np.full(STEPS, 300.0)}
    found = judge({**home, "soc_pct": np.round(level)}, site={"battery_kwh": 10.0})
    assert [one.evidence["channel_name"] for one in found] == (["battery_w"] if is_told else [])


@pytest.mark.parametrize(
    ("level", "is_told"),
    [
        (65 - 30 * np.cos(HOURS / 12 * np.pi), True),  # charged and discharged again, at 171 W of discharge
        (95 - 41 * HOURS / 24, False),  # what 171 W take out of 10 kWh
        (np.full(STEPS, 55.0), False),  # the standby and the sensor's offset at a battery that rests
    ],
)
def test_a_small_power_of_a_large_site_stands_still_if_the_level_goes_and_comes_back(level, is_told):
    """171 W are less than 1 % of 24 kW, which an inverter that rests may show; load is worked out from it."""
    home = home_with(battery_w=np.full(STEPS, 171.0), soc_pct=np.round(level))
    found = judge(home, site={"battery_kwh": 10.0, "inverter_kw": 24.0})
    assert [one.evidence["channel_name"] for one in found] == (["battery_w"] if is_told else [])


def test_a_level_is_left_to_the_battery_where_its_power_is_read():
    home = home_with(battery_w=np.where(sunny() > 2000, -1500.0 + lively() / 10, 0.0), soc_pct=np.full(STEPS, 55.0))
    assert judge(home, site={"battery_kwh": 10.0}) == []
