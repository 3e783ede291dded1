"""Power and voltage where it is high, by the arithmetic of a line of 0.2 V per kW and a response from 250.5 to 252.5 V.

P(U) of EN 50549-1 (from memory): a straight line from the rating, here 10 kW, to nothing.
"""

import numpy as np
import pytest

from detectors.features import voltage_response
from tests.support import build

RATED_KW, START_V, END_V, LIFT_V_PER_KW = 10.0, 250.5, 252.5, 0.2
HOURS = 6


def _street(minutes, mean_v, sigma_v=0.6):
    """A street's voltage that walks to and fro within half an hour, six hours of it."""
    rng = np.random.default_rng(11)
    knots = rng.normal(mean_v, sigma_v, HOURS * 4 + 1)
    return np.interp(np.arange(HOURS * 60 // minutes) * minutes / 15, np.arange(len(knots)), knots)


def _row(volts, power_kw, minutes=5, **site):
    given = {"voltage_l1_v": list(volts), "pv_w": list(1000 * np.asarray(power_kw))}
    readings = build.readings(given, interval_s=60 * minutes)
    made = voltage_response.make(readings, build.sites({"installed_kwp": RATED_KW, **site}))
    assert made.schema == voltage_response.SCHEMA
    return made.row(0, named=True) if made.height else None


def _cut(minutes):
    """Where the response and the line's own rise meet."""
    slope = RATED_KW / (END_V - START_V)
    power = np.clip(slope * (END_V - _street(minutes, 250.5)) / (1 + slope * LIFT_V_PER_KW), 0, RATED_KW)
    return _street(minutes, 250.5) + LIFT_V_PER_KW * power, power


@pytest.mark.parametrize("minutes", [1, 5, 10, 15])
def test_a_power_that_follows_its_voltage_moves_against_it_at_every_change(minutes):
    row = _row(*_cut(minutes), minutes)
    assert row["against_changes"] > 0.95 * row["changes"]
    assert 0.5 * HOURS * 3 < row["changes"] <= HOURS * 3  # one in twenty minutes, whatever the logger's pace


def test_clouds_over_a_roof_at_a_high_voltage_move_both_together():
    power = np.clip(RATED_KW * (0.6 + 0.3 * np.random.default_rng(3).standard_normal(HOURS * 12)), 1, RATED_KW)
    row = _row(251.0 + LIFT_V_PER_KW * power, power)
    assert row["changes"] > 5
    assert row["against_changes"] < 0.05 * row["changes"]


def test_the_streets_own_loads_say_neither():
    """Power goes its own way, by 0.01 V per kW: half of the changes are against each other, as by chance."""
    rng = np.random.default_rng(5)
    power = np.clip(5 + rng.standard_normal(288), 1, RATED_KW)
    row = _row(251.5 + 0.5 * rng.standard_normal(288) + 0.01 * power, power)
    assert row["against_changes"] / row["changes"] == pytest.approx(0.5, abs=0.12)


def test_an_afternoon_over_an_east_roof_while_the_street_still_rises_is_none():
    """Power sinks and the voltage rises, both steadily: no change of course but noise too small to count."""
    rng, n = np.random.default_rng(7), HOURS * 12
    power, volts = np.linspace(8, 2, n) + 0.01 * rng.standard_normal(n), np.linspace(250.5, 253, n)
    row = _row(volts + 0.01 * rng.standard_normal(n), power)
    assert row is None or row["changes"] < 1


def test_nothing_is_told_below_the_response_in_the_dark_behind_a_limit_or_by_coarse_readings():
    volts, power = _cut(5)
    assert _row(volts - 6, power) is None
    assert _row(volts, 0.02 * power) is None
    assert _row(volts, power, feed_in_limit_kw=5.0) is None
    assert _row(*_cut(30), 30) is None
    assert _row([None] * len(power), power) is None
