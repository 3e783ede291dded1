"""Feed-in out of nothing in the dark, and the look-alikes; three nights are common practice (no published source).

The dark is checked against NREL's solar position algorithm as pvlib has it.
"""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import polars as pl
import pytest
from pvlib.solarposition import spa_python

from detectors.features.meter_signs import make
from detectors.finding import Finding, NotJudged
from detectors.grid.meter_reversed import KINDS
from detectors.grid.meter_signs import flows
from tests.support import build
from tests.support.grid_sign import GRID, LOAD, PLACES, PV, detect, rows_of, verdicts_of


def test_a_sensor_the_right_way_round_is_clean():
    assert verdicts_of() == []


def test_a_turned_sensor_is_found_with_its_impossible_feed_in():
    (found,) = verdicts_of(grid_w=-GRID)
    assert isinstance(found, Finding)
    # Load beyond generation, shown as feed-in: impossible where it is more than all that was generated.
    gone = np.minimum(LOAD - PV, LOAD - 2 * PV)
    noise = 20 + 0.10 * PV
    assert found.value == pytest.approx(gone[gone > noise].sum() / 12000, rel=1e-6)
    assert (found.unit, found.severity, found.loss_kwh) == ("kWh", "soon", 0.0)
    assert found.evidence["answer_ratio"] > 0.8
    assert "whole sensor" in found.evidence["guess_text"]


def test_where_feed_in_is_limited_a_blind_regulator_is_urgent():
    (found,) = verdicts_of(grid_w=-GRID, site={"feed_in_limit_kw": 0.0})
    assert found.severity == "urgent"


@pytest.mark.parametrize(("latitude", "longitude"), [(48.0, 11.0), (-33.9, 18.4), (59.0, 18.0), (21.0, -157.8)])
@pytest.mark.parametrize("day", [date(2025, 3, 20), date(2025, 12, 21)])
def test_the_dark_is_the_night_below_six_degrees(latitude, longitude, day):
    start = datetime(day.year, day.month, day.day, tzinfo=UTC)
    rows = build.readings({"grid_w": [-500.0] * 288}, start=start, timezone="UTC")
    site = {"latitude": latitude, "longitude": longitude, "timezone": "UTC"}
    told = flows(rows, build.sites(site))
    ends = pd.date_range(start, periods=289, freq="5min")
    height = spa_python(ends, latitude, longitude)["elevation"].to_numpy()
    highest = np.maximum(height[:-1], height[1:])
    sure = np.abs(highest + 6) > 0.1
    assert (told["is_dark"].to_numpy() == (highest <= -6))[sure].all()
    assert told["is_dark"].sum() > 60


def test_three_nights_make_an_exception():
    assert (KINDS["meter-reversed"].open_after, KINDS["meter-reversed"].revisit) == (3, True)
    rows = pl.concat([rows_of(day=build.DAY - timedelta(days=n), grid_w=-GRID if n < 3 else GRID) for n in range(6)])
    known = build.sites()
    today = rows.filter(pl.col("ts_local").dt.date() == build.DAY)
    (found,) = detect(today, make(rows, known), known, build.earlier(), build.DAY)
    assert found.since == build.DAY - timedelta(days=2)
    assert found.evidence["seen_count"] == 3


def test_a_battery_that_sells_at_night_is_possible():
    battery = np.where(np.arange(PLACES) < 30, 2500.0, 0.0)
    assert verdicts_of(grid_w=GRID - battery, battery_w=battery, site={"battery_kwh": 10.0}) == []


def test_a_battery_that_is_not_read_may_be_what_feeds_in():
    (verdict,) = verdicts_of(grid_w=np.where(PV > 0, 0.0, -800.0), site={"battery_kwh": 10.0})
    assert isinstance(verdict, NotJudged)
    assert "battery" in verdict.reason


def test_a_turned_sensor_shows_once_the_battery_is_idle():
    battery = np.where(np.arange(PLACES) < 12, 400.0, 0.0)
    (found,) = verdicts_of(grid_w=-(GRID - battery), battery_w=battery, site={"battery_kwh": 10.0})
    assert isinstance(found, Finding)


def test_a_generator_that_nobody_reads_is_not_judged():
    at_night = np.where(PV == 0, 3000.0, 0.0)
    (verdict,) = verdicts_of(grid_w=GRID - at_night)
    assert isinstance(verdict, NotJudged)
    assert "source that is not read" in verdict.reason


def test_an_array_that_nobody_reads_feeds_in_by_day_alone():
    assert verdicts_of(grid_w=GRID - 1.5 * PV) == []


@pytest.mark.parametrize("step", [1.0, 10.0, 100.0])
def test_scatter_and_steps_around_zero_are_no_feed_in(step):
    rng = np.random.default_rng(8)
    grid = np.where(PV > 0, GRID, rng.normal(0, 0.6 * step, PLACES))
    verdicts = verdicts_of(grid_w=np.round(grid / step) * step)
    assert not any(isinstance(verdict, Finding) for verdict in verdicts)


def test_a_meter_that_stands_still_is_not_turned():
    stuck = np.where(PV == 0, -700.0, GRID)
    verdicts = verdicts_of(pv_w=0.05 * PV, grid_w=np.where(PV == 0, stuck, LOAD))
    assert [type(verdict) for verdict in verdicts] == [NotJudged]
    assert "repeats" in verdicts[0].reason


def test_a_wrong_clock_leaves_day_and_night_in_doubt():
    (verdict,) = verdicts_of(grid_w=-GRID, earlier=[("roof-1", "time-zone-wrong")])
    assert isinstance(verdict, NotJudged)
    assert "clock" in verdict.reason


def test_without_generation_read_nothing_vouches_for_the_clock():
    (verdict,) = verdicts_of(pv_w=[None] * PLACES, grid_w=-GRID)
    assert isinstance(verdict, NotJudged)
    assert verdicts_of(pv_w=[None] * PLACES, grid_w=GRID) == []


def test_nights_that_a_logger_leaves_out_of_generation_are_zero():
    night_less = [value if value > 0 else None for value in PV]
    (found,) = verdicts_of(pv_w=night_less, grid_w=-GRID)
    assert isinstance(found, Finding)


def test_no_meter_no_readings_are_not_judged():
    for rows in (rows_of(grid_w=[None] * PLACES), rows_of().clear()):
        (verdict,) = verdicts_of(rows=rows)
        assert isinstance(verdict, NotJudged)


def test_a_night_without_sun_or_load_is_not_called_clean():
    (verdict,) = verdicts_of(pv_w=0 * PV, grid_w=0 * GRID + 5.0)
    assert isinstance(verdict, NotJudged)
    assert "too little import" in verdict.reason


def test_a_midsummer_without_night_is_judged_by_the_answer_to_generation():
    site = {"latitude": 67.0, "longitude": 20.0}
    assert verdicts_of(site=site) == []
    (found,) = verdicts_of(grid_w=-GRID * np.where(PV > 0, 1, 4), site=site)
    assert found.evidence["fed_in_dark_h"] == 0


def _phases(*factors, shares=(0.5, 0.3, 0.2)):
    """Three phases of a symmetric inverter, their readings multiplied; and their sum."""
    phases = [share * LOAD - PV / 3 for share in shares]
    seen = [factor * phase for factor, phase in zip(factors, phases, strict=True)]
    return {f"grid_l{n}_w": phase for n, phase in enumerate(seen, 1)} | {"grid_w": sum(seen)}


def test_one_turned_phase_is_named():
    (found,) = verdicts_of(**_phases(1, -1, 1), site={"phases": 3})
    assert "L2" in found.evidence["guess_text"]
    dark = flows(rows_of(), build.sites())["is_idle_dark"].to_numpy()
    assert found.evidence["fed_in_dark_l2_kwh"] == pytest.approx(0.3 * LOAD[dark].sum() / 12000)
    assert verdicts_of(**_phases(1, 1, 1), site={"phases": 3}) == []


def test_with_a_load_that_is_read_the_balance_names_sign_or_place():
    (found,) = verdicts_of(**_phases(1, 1, -1), load_w=LOAD, site={"phases": 3})
    assert found.evidence["guess_text"] == "the sensor on L3 is turned round"
    # A sensor paired with the next phase's voltage shows P cos(120 deg) = -P / 2 of a resistive load.
    places = _phases(1, 1, 1)
    places["grid_l1_w"], places["grid_l2_w"] = -places["grid_l2_w"] / 2, -places["grid_l1_w"] / 2
    places["grid_w"] = places["grid_l1_w"] + places["grid_l2_w"] + places["grid_l3_w"]
    (found,) = verdicts_of(**places, load_w=LOAD, site={"phases": 3})
    assert found.evidence["guess_text"] == "the sensors on L1 and L2 have changed places"
    (found,) = verdicts_of(grid_w=-GRID, load_w=LOAD)
    assert found.evidence["guess_text"] == "the sign of the whole sensor is turned"
    assert found.evidence["balance_open_turned_kwh"] == pytest.approx(0, abs=1e-9)


def test_a_small_generator_on_one_phase_that_answers_rightly_is_not_judged():
    phases = _phases(1, 1, 1)
    phases["grid_l1_w"] = phases["grid_l1_w"] - np.where(PV == 0, 800.0, 0.0)
    phases["grid_w"] = phases["grid_l1_w"] + phases["grid_l2_w"] + phases["grid_l3_w"]
    (verdict,) = verdicts_of(**phases, site={"phases": 3})
    assert isinstance(verdict, NotJudged)


def test_phases_alone_stand_for_the_sum():
    phases = _phases(-1, -1, -1)
    (found,) = verdicts_of(**{**phases, "grid_w": [None] * PLACES}, site={"phases": 3})
    assert isinstance(found, Finding)


@pytest.mark.parametrize("minutes", [15, 60])
def test_coarse_readings_tell_it_as_well(minutes):
    wide = minutes // 5
    mean = lambda values: values.reshape(-1, wide).mean(axis=1).tolist()  # noqa: E731
    for sign, kinds in ((1, []), (-1, ["meter-reversed"])):
        rows = build.readings({"pv_w": mean(PV), "grid_w": mean(sign * GRID)}, interval_s=minutes * 60)
        assert [v.kind for v in verdicts_of(rows=rows)] == kinds


def test_its_rows_depend_on_their_own_day_alone():
    two = pl.concat([rows_of(day=build.DAY - timedelta(days=1), grid_w=-GRID), rows_of()])
    one = make(rows_of(), build.sites())
    assert make(two, build.sites()).filter(pl.col("day") == build.DAY).equals(one)


def test_two_meters_that_differ_by_some_per_cent_make_nothing_impossible():
    kept = make(rows_of(grid_w=np.where(PV > 0, -1.05 * PV, 200.0)), build.sites())
    assert kept["impossible_kwh"].to_list() == [0.0]


def test_one_step_below_zero_is_rounding():
    coarse = np.where(PV > 0, np.round(GRID / 100) * 100, -100.0 * (np.arange(PLACES) % 2))
    fine = np.where(PV > 0, np.round(GRID), -100.0 * (np.arange(PLACES) % 2))
    fed_h = [make(rows_of(grid_w=grid), build.sites())["fed_h"][0] for grid in (coarse, fine)]
    assert fed_h[0] == 0
    assert fed_h[1] > 1


def test_feed_in_and_import_by_turns_is_no_turned_sensor():
    turns = np.where(PV > 0, LOAD, 300.0 * np.where(np.arange(PLACES) % 24 < 12, 1, -1) + LOAD / 50)
    (verdict,) = verdicts_of(pv_w=0.02 * PV, grid_w=turns)
    assert isinstance(verdict, NotJudged)
    assert "take turns" in verdict.reason
