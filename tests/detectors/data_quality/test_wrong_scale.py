"""Powers that are a thousandth of what they were, beside small powers that are true. The series are invented."""

import numpy as np
import polars as pl
import pytest

from detectors.frames import POWER_CHANNELS
from tests.support.battery_home import HOURS, STEPS, Home, flags_of, home, rows, told

PAST = [home(seed) for seed in range(2, 22)]


def _scaled(of: Home, times: float = 1 / 1000) -> Home:
    return {name: np.round(values * times) if name in POWER_CHANNELS else values for name, values in of.items()}


@pytest.mark.parametrize("days_before", [0, 30])
def test_kw_for_w_is_told_as_a_wrong_unit(days_before: int) -> None:
    days = [*PAST, *(_scaled(home(30 + n)) for n in range(days_before + 1))]
    (found,) = told(days)
    assert (found.kind, found.severity, found.value) == ("readings-implausible", "soon", STEPS)
    assert "a thousandth of what they were" in found.summary
    high_w, usual_w = found.evidence["pv_high_w"], found.evidence["pv_usual_high_w"]
    assert high_w == 6.0 and isinstance(usual_w, float) and 5000 < usual_w <= 6000
    flags = flags_of(rows(days))
    assert set(flags["channel"]) == set(POWER_CHANNELS) and set(flags["flag"]) == {"implausible"}
    assert flags.group_by("channel").agg(pl.col("readings").sum())["readings"].to_list() == [STEPS] * 4


def test_a_dark_day_or_a_load_that_is_not_read_changes_nothing() -> None:
    dark = _scaled(home(30, peak_w=1000.0))
    assert [one.kind for one in told([*PAST, dark])] == ["readings-implausible"]
    unread = [{**day, "load_w": np.full(STEPS, np.nan)} for day in [*PAST, _scaled(home(30))]]
    assert [one.kind for one in told(unread)] == ["readings-implausible"]


def test_without_a_battery_three_powers_tell_it() -> None:
    def plain(seed: int) -> Home:
        of = home(seed, capacity_kwh=0.0)
        return {name: of[name] for name in ("pv_w", "load_w", "grid_w")}

    past = [plain(seed) for seed in range(2, 22)]
    assert [one.kind for one in told([*past, _scaled(plain(30))], battery_kwh=None)] == ["readings-implausible"]
    off = {name: np.full(STEPS, 3.0) if name == "grid_w" else np.zeros(STEPS) for name in past[0]}
    off["load_w"] = off["grid_w"]
    assert "readings-implausible" not in [one.kind for one in told([*past, off], battery_kwh=None)]


def test_a_dead_inverter_leaves_what_the_house_draws() -> None:
    """Own use of 4 W shows as generation, 3 W as the battery's: a thousandth of both, but the house goes on."""
    alive = home(30)
    dead = {**alive, "pv_w": np.full(STEPS, 4.0), "battery_w": np.full(STEPS, 3.0), "grid_w": alive["load_w"]}
    assert "readings-implausible" not in [one.kind for one in told([*PAST, dead])]

    read = ("pv_w", "battery_w", "soc_pct")  # by the inverter alone, whatever the house draws
    assert "readings-implausible" not in [
        one.kind for one in told([{name: day[name] for name in read} for day in [*PAST, dead]])
    ]


def test_a_dead_roof_beside_a_battery_that_holds_the_grid_near_nothing() -> None:
    """4 W of generation and 5 W of exchange are a thousandth of both; the battery gives what the house draws."""
    of = home(30)
    dead = {**of, "pv_w": np.full(STEPS, 4.0), "grid_w": np.where(HOURS % 1 < 0.5, 5.0, 6.0), "battery_w": of["load_w"]}
    assert "readings-implausible" not in [one.kind for one in told([*PAST, dead])]


def test_an_empty_home_draws_a_fiftieth() -> None:
    assert told([*PAST, home(30, base_w=45.0)]) == []
    assert told([*PAST, home(30, base_w=45.0, peak_w=300.0)]) == []


def test_a_site_that_is_switched_off_moves_no_battery() -> None:
    """All channels read some watts of noise, two of them a thousandth of their usual size."""
    off = {name: np.where(HOURS % 1 < 0.5, 2.0, 3.0) for name in ("grid_w", "battery_w")}
    nothing = {"pv_w": np.zeros(STEPS), "load_w": np.zeros(STEPS), "soc_pct": np.full(STEPS, 50.0)}
    assert "readings-implausible" not in [one.kind for one in told([*PAST, {**off, **nothing}])]


def test_kw_with_one_decimal_are_coarse_and_right() -> None:
    def coarse(seed: int, peak_w: float = 6000.0) -> Home:
        return {name: np.round(values, -2) if name in POWER_CHANNELS else values
                for name, values in home(seed, peak_w=peak_w).items()}  # fmt: skip

    past = [coarse(seed) for seed in range(2, 22)]
    for peak_w in (6000.0, 300.0):
        assert "readings-implausible" not in [one.kind for one in told([*past, coarse(30, peak_w)])]


def test_powers_that_are_right_again_are_not_held_against_days_of_a_wrong_unit() -> None:
    """A week in kW, then W again; and a week a thousand times too high, which is told as beyond any rating."""
    assert told([*PAST, *(_scaled(home(30 + n)) for n in range(7)), home(50)]) == []
    high = [_scaled(home(30 + n), 1000.0) for n in range(7)]
    (found,) = told([*PAST, *high])
    assert found.kind == "readings-implausible" and "thousandth" not in found.summary
    assert told([*PAST[:7], *high, *high, home(50)]) == []


def test_a_site_that_nobody_knows_yet_is_left_open() -> None:
    assert "readings-implausible" not in [one.kind for one in told([*PAST[:6], _scaled(home(30))])]
