"""Feed-in out of nothing in the dark, and the look-alikes; three nights are common practice (no published source).

The dark is checked against NREL's solar position algorithm as pvlib has it.
"""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import polars as pl
import pytest
from pvlib.solarposition import spa_python

from detectors.features.meter_signs import SCHEMA, make
from detectors.finding import Finding, NotJudged
from detectors.grid import meter_reversed
from detectors.grid.meter_reversed import KINDS
from detectors.grid.meter_signs import flows
from tests.support import build

PLACES = 288


def detect(rows, past, sites, earlier, day, **knobs):
    """The verdicts, with the day's own sums beside those of `past`."""
    today = make(rows, sites).filter(pl.col("day") == day)
    earlier_days = past.filter(pl.col("day") < day)
    return meter_reversed.detect(rows, pl.concat([earlier_days, today]), sites, earlier, day, **knobs)


def _sun(peak=5000.0):
    """Generation at 5 min on a June day, clouds by the half hour."""
    at = np.arange(PLACES) * 5 / 60
    bell = np.clip(np.sin((at - 5.5) / 15.5 * np.pi), 0, None) * ((at > 5.5) & (at < 21))
    cloud = np.repeat(np.random.default_rng(5).uniform(0.3, 1.0, 48), 6)
    return peak * bell * cloud


def _load(low=250.0):
    rng = np.random.default_rng(6)
    return low + 300 * np.repeat(rng.random(96), 3) + 10 * rng.random(PLACES)


PV, LOAD = _sun(), _load()
GRID = LOAD - PV


def _rows(day=build.DAY, **channels):
    usual = {"pv_w": PV, "grid_w": GRID}
    return build.readings({name: list(values) for name, values in {**usual, **channels}.items()}, day=day)


def _verdicts(*, site=None, earlier=(), kept=None, rows=None, **channels):
    rows = _rows(**channels) if rows is None else rows
    return detect(
        rows, SCHEMA.to_frame() if kept is None else kept, build.sites(site or {}), build.earlier(*earlier), build.DAY
    )


def test_a_sensor_the_right_way_round_is_clean():
    assert _verdicts() == []


def test_a_turned_sensor_is_found_with_its_impossible_feed_in():
    (found,) = _verdicts(grid_w=-GRID)
    assert isinstance(found, Finding)
    # Load beyond generation, shown as feed-in: impossible where it is more than all that was generated.
    gone = np.minimum(LOAD - PV, LOAD - 2 * PV)
    noise = 20 + 0.10 * PV
    assert found.value == pytest.approx(gone[gone > noise].sum() / 12000, rel=1e-6)
    assert (found.unit, found.severity, found.loss_kwh) == ("kWh", "soon", 0.0)
    assert found.evidence["answer_ratio"] > 0.8
    assert "whole sensor" in found.evidence["guess_text"]


def test_where_feed_in_is_limited_a_blind_regulator_is_urgent():
    (found,) = _verdicts(grid_w=-GRID, site={"feed_in_limit_kw": 0.0})
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
    rows = pl.concat([_rows(day=build.DAY - timedelta(days=n), grid_w=-GRID if n < 3 else GRID) for n in range(6)])
    known = build.sites()
    today = rows.filter(pl.col("ts_local").dt.date() == build.DAY)
    (found,) = detect(today, make(rows, known), known, build.earlier(), build.DAY)
    assert found.since == build.DAY - timedelta(days=2)
    assert found.evidence["seen_count"] == 3


def test_a_battery_that_sells_at_night_is_possible():
    battery = np.where(np.arange(PLACES) < 30, 2500.0, 0.0)
    assert _verdicts(grid_w=GRID - battery, battery_w=battery, site={"battery_kwh": 10.0}) == []


def test_a_battery_that_is_not_read_may_be_what_feeds_in():
    (verdict,) = _verdicts(grid_w=np.where(PV > 0, 0.0, -800.0), site={"battery_kwh": 10.0})
    assert isinstance(verdict, NotJudged)
    assert "battery" in verdict.reason


def test_a_turned_sensor_shows_once_the_battery_is_idle():
    battery = np.where(np.arange(PLACES) < 12, 400.0, 0.0)
    (found,) = _verdicts(grid_w=-(GRID - battery), battery_w=battery, site={"battery_kwh": 10.0})
    assert isinstance(found, Finding)


def test_a_generator_that_nobody_reads_is_not_judged():
    at_night = np.where(PV == 0, 3000.0, 0.0)
    (verdict,) = _verdicts(grid_w=GRID - at_night)
    assert isinstance(verdict, NotJudged)
    assert "source that is not read" in verdict.reason


def test_an_array_that_nobody_reads_feeds_in_by_day_alone():
    assert _verdicts(grid_w=GRID - 1.5 * PV) == []


@pytest.mark.parametrize("step", [1.0, 10.0, 100.0])
def test_scatter_and_steps_around_zero_are_no_feed_in(step):
    rng = np.random.default_rng(8)
    grid = np.where(PV > 0, GRID, rng.normal(0, 0.6 * step, PLACES))
    verdicts = _verdicts(grid_w=np.round(grid / step) * step)
    assert not any(isinstance(verdict, Finding) for verdict in verdicts)


def test_a_meter_that_stands_still_is_not_turned():
    stuck = np.where(PV == 0, -700.0, GRID)
    verdicts = _verdicts(pv_w=0.05 * PV, grid_w=np.where(PV == 0, stuck, LOAD))
    assert [type(verdict) for verdict in verdicts] == [NotJudged]
    assert "repeats" in verdicts[0].reason


def test_a_wrong_clock_leaves_day_and_night_in_doubt():
    (verdict,) = _verdicts(grid_w=-GRID, earlier=[("roof-1", "time-zone-wrong")])
    assert isinstance(verdict, NotJudged)
    assert "clock" in verdict.reason


def test_without_generation_read_nothing_vouches_for_the_clock():
    (verdict,) = _verdicts(pv_w=[None] * PLACES, grid_w=-GRID)
    assert isinstance(verdict, NotJudged)
    assert _verdicts(pv_w=[None] * PLACES, grid_w=GRID) == []


def test_nights_that_a_logger_leaves_out_of_generation_are_zero():
    night_less = [value if value > 0 else None for value in PV]
    (found,) = _verdicts(pv_w=night_less, grid_w=-GRID)
    assert isinstance(found, Finding)


def test_no_meter_no_readings_are_not_judged():
    for rows in (_rows(grid_w=[None] * PLACES), _rows().clear()):
        (verdict,) = _verdicts(rows=rows)
        assert isinstance(verdict, NotJudged)


def test_a_night_without_sun_or_load_is_not_called_clean():
    (verdict,) = _verdicts(pv_w=0 * PV, grid_w=0 * GRID + 5.0)
    assert isinstance(verdict, NotJudged)
    assert "too little import" in verdict.reason


def test_a_midsummer_without_night_is_judged_by_the_answer_to_generation():
    site = {"latitude": 67.0, "longitude": 20.0}
    assert _verdicts(site=site) == []
    (found,) = _verdicts(grid_w=-GRID * np.where(PV > 0, 1, 4), site=site)
    assert found.evidence["fed_in_dark_h"] == 0


def _phases(*factors, shares=(0.5, 0.3, 0.2)):
    """Three phases of a symmetric inverter, their readings multiplied; and their sum."""
    phases = [share * LOAD - PV / 3 for share in shares]
    seen = [factor * phase for factor, phase in zip(factors, phases, strict=True)]
    return {f"grid_l{n}_w": phase for n, phase in enumerate(seen, 1)} | {"grid_w": sum(seen)}


def test_one_turned_phase_is_named():
    (found,) = _verdicts(**_phases(1, -1, 1), site={"phases": 3})
    assert "L2" in found.evidence["guess_text"]
    dark = flows(_rows(), build.sites())["is_idle_dark"].to_numpy()
    assert found.evidence["fed_in_dark_l2_kwh"] == pytest.approx(0.3 * LOAD[dark].sum() / 12000)
    assert _verdicts(**_phases(1, 1, 1), site={"phases": 3}) == []


def test_with_a_load_that_is_read_the_balance_names_sign_or_place():
    (found,) = _verdicts(**_phases(1, 1, -1), load_w=LOAD, site={"phases": 3})
    assert found.evidence["guess_text"] == "the sensor on L3 is turned round"
    # A sensor paired with the next phase's voltage shows P cos(120 deg) = -P / 2 of a resistive load.
    places = _phases(1, 1, 1)
    places["grid_l1_w"], places["grid_l2_w"] = -places["grid_l2_w"] / 2, -places["grid_l1_w"] / 2
    places["grid_w"] = places["grid_l1_w"] + places["grid_l2_w"] + places["grid_l3_w"]
    (found,) = _verdicts(**places, load_w=LOAD, site={"phases": 3})
    assert found.evidence["guess_text"] == "the sensors on L1 and L2 have changed places"
    (found,) = _verdicts(grid_w=-GRID, load_w=LOAD)
    assert found.evidence["guess_text"] == "the sign of the whole sensor is turned"
    assert found.evidence["balance_open_turned_kwh"] == pytest.approx(0, abs=1e-9)


def test_a_small_generator_on_one_phase_that_answers_rightly_is_not_judged():
    phases = _phases(1, 1, 1)
    phases["grid_l1_w"] = phases["grid_l1_w"] - np.where(PV == 0, 800.0, 0.0)
    phases["grid_w"] = phases["grid_l1_w"] + phases["grid_l2_w"] + phases["grid_l3_w"]
    (verdict,) = _verdicts(**phases, site={"phases": 3})
    assert isinstance(verdict, NotJudged)


def test_phases_alone_stand_for_the_sum():
    phases = _phases(-1, -1, -1)
    (found,) = _verdicts(**{**phases, "grid_w": [None] * PLACES}, site={"phases": 3})
    assert isinstance(found, Finding)


@pytest.mark.parametrize("minutes", [15, 60])
def test_coarse_readings_tell_it_as_well(minutes):
    wide = minutes // 5
    mean = lambda values: values.reshape(-1, wide).mean(axis=1).tolist()  # noqa: E731
    for sign, kinds in ((1, []), (-1, ["meter-reversed"])):
        rows = build.readings({"pv_w": mean(PV), "grid_w": mean(sign * GRID)}, interval_s=minutes * 60)
        assert [v.kind for v in _verdicts(rows=rows)] == kinds


def test_its_rows_depend_on_their_own_day_alone():
    two = pl.concat([_rows(day=build.DAY - timedelta(days=1), grid_w=-GRID), _rows()])
    one = make(_rows(), build.sites())
    assert make(two, build.sites()).filter(pl.col("day") == build.DAY).equals(one)


def test_two_meters_that_differ_by_some_per_cent_make_nothing_impossible():
    kept = make(_rows(grid_w=np.where(PV > 0, -1.05 * PV, 200.0)), build.sites())
    assert kept["impossible_kwh"].to_list() == [0.0]


def test_one_step_below_zero_is_rounding():
    coarse = np.where(PV > 0, np.round(GRID / 100) * 100, -100.0 * (np.arange(PLACES) % 2))
    fine = np.where(PV > 0, np.round(GRID), -100.0 * (np.arange(PLACES) % 2))
    fed_h = [make(_rows(grid_w=grid), build.sites())["fed_h"][0] for grid in (coarse, fine)]
    assert fed_h[0] == 0
    assert fed_h[1] > 1


def test_feed_in_and_import_by_turns_is_no_turned_sensor():
    turns = np.where(PV > 0, LOAD, 300.0 * np.where(np.arange(PLACES) % 24 < 12, 1, -1) + LOAD / 50)
    (verdict,) = _verdicts(pv_w=0.02 * PV, grid_w=turns)
    assert isinstance(verdict, NotJudged)
    assert "take turns" in verdict.reason


def _carried(kept_w=60.0, meter_error=1.0):
    """A single-phase site that may not feed in, whose battery carries the night: the grid stands at what is kept up."""
    pv = np.minimum(PV, LOAD - kept_w)
    battery = LOAD - pv - kept_w
    grid = np.full(PLACES, kept_w)
    return {"pv_w": pv, "battery_w": battery, "grid_w": grid, "load_w": LOAD * meter_error}


NO_EXPORT = {"feed_in_limit_kw": 0.0, "battery_kwh": 10.0}


def test_the_import_kept_up_shows_the_sign_at_a_site_whose_battery_carries_the_night():
    channels = _carried()
    (found,) = _verdicts(site=NO_EXPORT, **{**channels, "grid_w": -channels["grid_w"]})
    assert (found.kind, found.severity) == ("meter-reversed", "urgent")
    # 60 W wherever it passes 10 W + 3 % of load, generation and battery
    told = 10 + 0.03 * (LOAD + channels["pv_w"] + np.abs(channels["battery_w"])) < 60.0
    assert found.evidence["rest_turned_kwh"] == pytest.approx(60.0 * told.sum() / 12000)
    assert "show the other sign" in found.measured and "whole sensor" in found.evidence["guess_text"]


def test_where_nothing_is_fed_without_a_source_the_other_sign_is_what_is_told():
    """A battery carries the night to the watt, and what is sold by day shows as bought."""
    battery = np.maximum(LOAD - PV, 0.0)
    sold = PV + battery - LOAD
    site = {"battery_kwh": 60.0, "feed_in_limit_kw": None}
    (found,) = _verdicts(site=site, pv_w=PV, battery_w=battery, grid_w=sold, load_w=LOAD)
    assert found.value == found.evidence["rest_turned_kwh"] > 10.0
    assert "with another sign than load" in found.summary and " 0.0 kWh" not in found.summary


def test_the_same_site_with_its_sensor_the_right_way_round_is_clean():
    assert _verdicts(site=NO_EXPORT, **_carried(meter_error=1.01)) == []


def test_a_load_that_is_read_at_half_turns_no_sensor():
    """Half the load is less than the battery gives, so feed-in would be left; but the other sign closes nothing."""
    verdicts = _verdicts(site=NO_EXPORT, **_carried(meter_error=0.5))
    assert not any(isinstance(v, Finding) for v in verdicts)


def test_a_load_worked_out_from_the_grid_proves_nothing():
    (verdict,) = _verdicts(site={"battery_kwh": 10.0}, **_carried())
    assert isinstance(verdict, NotJudged)


def _with_generator(hours, kw=2.2, **channels):
    """The night of `_carried` with a source that nobody reads for the given hours; the battery, full, takes nothing."""
    channels = {**_carried(), **channels}
    runs = np.isin(np.arange(PLACES) // 12, hours)
    return {
        **channels,
        "battery_w": np.where(runs, 0.0, channels["battery_w"]),
        "grid_w": np.where(runs, LOAD - 1000 * kw, channels["grid_w"]),
        # worked out from the others, and cut at nothing
        "load_w": np.where(runs, 0.0, LOAD),
    }


def test_a_generator_that_runs_for_some_hours_of_a_night_turns_no_sensor():
    """The import that a regulator keeps up beside the battery, at the night's other hours, shows the sign."""
    (verdict,) = _verdicts(site=NO_EXPORT, **_with_generator([0, 1]))
    assert isinstance(verdict, NotJudged) and verdict.reason.code == "take-turns"
    turned = _with_generator([0, 1])
    (found,) = _verdicts(
        site=NO_EXPORT, **{**turned, "grid_w": np.where(turned["grid_w"] > 0, -60.0, turned["grid_w"])}
    )
    assert isinstance(found, Finding)  # the same feed-in, and none of the import


def test_much_import_beside_a_battery_at_work_may_be_a_regulator_that_obeys_a_turned_sensor():
    """It sees its own feed-in as import and gives more; once it is empty, what the house takes is shown as fed in."""
    battery = np.where(np.arange(PLACES) < 24, 3000.0, 0.0)
    (found,) = _verdicts(site=NO_EXPORT, pv_w=0.01 * PV, battery_w=battery, grid_w=-(LOAD - 0.01 * PV - battery))
    assert isinstance(found, Finding)


def test_feed_in_on_some_nights_and_import_on_those_between_is_a_source():
    """A whole night each, at a site without anything else that tells the sign."""
    pv, dull = 0.02 * PV, 0.02 * PV
    fed, bought = LOAD - 2200.0 * (PV == 0) - dull, LOAD - dull
    days = [build.DAY - timedelta(days=n) for n in (4, 3, 2, 1)]

    def told(nights):
        kept = pl.concat(
            [make(_rows(day, pv_w=pv, grid_w=g), build.sites()) for day, g in zip(days, nights, strict=True)]
        )
        (verdict,) = _verdicts(kept=kept, pv_w=pv, grid_w=fed)
        return verdict

    between = told([fed, bought, fed, bought])
    assert isinstance(between, NotJudged) and between.reason.code == "some-nights"
    assert isinstance(told([bought, bought, fed, fed]), Finding)


def _sells_once_full(sign, *, answers=1.0):
    """A battery that carries the night and is full at noon, at a site that feeds in what it likes; load not read.

    `answers`: how much of what is generated beyond the load the grid sees.
    """
    is_open = np.repeat((np.arange(24) >= 12) & (np.arange(24) < 19), 12)
    stored = np.where(is_open, 0.0, LOAD - PV)
    return {"battery_w": stored, "grid_w": sign * np.where(is_open, LOAD - answers * PV, 0.0)}


def _over_days(count, site, **channels):
    days = [build.DAY - timedelta(days=n) for n in range(count, 0, -1)]
    kept = pl.concat([make(_rows(day, **channels), build.sites(site)) for day in days])
    return _verdicts(site=site, kept=kept, **channels)


def test_a_sensor_that_only_sales_by_day_can_tell_is_found_by_their_sign():
    site = {"battery_kwh": 60.0, "feed_in_limit_kw": None}
    (early,) = _over_days(3, site, **_sells_once_full(-1))
    assert isinstance(early, NotJudged) and early.reason.code == "battery-at-work"
    (found,) = _over_days(4, site, **_sells_once_full(-1))
    assert isinstance(found, Finding) and (found.unit, found.severity) == ("kWh", "soon")
    assert found.evidence["answer_ratio"] > 0.8 and found.since == build.DAY - timedelta(days=4)
    shown = _sells_once_full(-1)["grid_w"]
    assert shown.min() == 0 and found.value == pytest.approx(shown.sum() / 12 / 1000)  # what was sold, as import
    buys = {**_sells_once_full(-1), "grid_w": np.where(np.arange(288) < 12, -600.0, shown)}  # for an hour
    (both,) = _over_days(4, site, **buys)
    assert isinstance(both, Finding) and both.value == pytest.approx(0.6)
    assert "rises and falls with generation" in found.summary
    right = _over_days(5, site, **_sells_once_full(1))
    held = _over_days(5, site, **_sells_once_full(-1, answers=0.0))  # a regulator keeps the grid where it is
    assert not [one for one in (*right, *held) if isinstance(one, Finding)]


def test_a_load_worked_out_from_the_grid_and_rounded_by_itself_proves_no_sign():
    site = {"battery_kwh": 60.0, "feed_in_limit_kw": None}
    channels = _sells_once_full(-1)
    load = PV + channels["battery_w"] + channels["grid_w"]
    coarse = {name: np.round(power / 50) * 50 for name, power in {**channels, "pv_w": PV, "load_w": load}.items()}
    (found,) = _over_days(20, site, **coarse)
    assert isinstance(found, Finding) and "rises and falls with generation" in found.summary
    assert found.since == build.DAY - timedelta(days=20)  # all of them, not the latest two weeks


def _evening_of_cooking(nights_empty):
    """A no-export site with a turned sensor, 50 W kept up: 3 kW at eight beyond the battery; dark hours told or not.

    The load is worked out from the turned grid and cut at nothing, so it closes except while that cuts it.
    """
    load = LOAD + np.where((np.arange(PLACES) >= 240) & (np.arange(PLACES) < 256), 3000.0, 0.0)
    is_empty = np.arange(PLACES) < (18 if nights_empty else 0)  # its battery's last hour and a half before dawn
    battery = np.where(is_empty, 0.0, np.clip(load - 50 - PV, -3000.0, 1200.0))
    pv = np.minimum(PV, np.maximum(load - 50 - battery, 0.0))
    grid = -(load - pv - battery)
    return {"pv_w": pv, "battery_w": battery, "grid_w": grid, "load_w": np.maximum(pv + battery + grid, 0.0)}


def test_feed_in_beyond_all_sources_tells_again_what_the_dark_told_before():
    site = {"battery_kwh": 10.0, "feed_in_limit_kw": 0.0, "feed_in_buffer_w": 50.0}
    night = pl.concat([
        make(_rows(build.DAY - timedelta(days=n), **_evening_of_cooking(nights_empty=True)), build.sites(site))
        for n in (2, 3)
    ])  # fmt: skip
    (found,) = _verdicts(site=site, kept=night, **_evening_of_cooking(nights_empty=False))
    assert isinstance(found, Finding) and found.since == build.DAY - timedelta(days=3)
    (alone,) = _verdicts(site=site, **_evening_of_cooking(nights_empty=False))
    assert isinstance(alone, NotJudged)  # a load that is cut at nothing is still none of its own


@pytest.mark.parametrize(("limit_kw", "night_w"), [(0.0, 0.0), (None, 300.0)])
def test_generation_that_follows_the_load_answers_as_if_the_sensor_were_turned(limit_kw, night_w):
    """At a limit generation and import grow with the load together; elsewhere import in the dark shows the sign."""
    dark = PV == 0
    channels = _sells_once_full(-1)
    channels["grid_w"] = np.where(dark, night_w, channels["grid_w"])
    channels["battery_w"] = np.where(dark & (night_w > 0), 0.0, channels["battery_w"])
    told = _over_days(5, {"battery_kwh": 60.0, "feed_in_limit_kw": limit_kw}, **channels)
    assert not [one for one in told if isinstance(one, Finding)]


def test_one_right_answer_among_the_turned_ones_begins_anew():
    site = {"battery_kwh": 60.0, "feed_in_limit_kw": None}
    day = build.DAY - timedelta(days=1)
    past = [make(_rows(day - timedelta(days=n), **_sells_once_full(-1)), build.sites(site)) for n in (5, 4, 3, 2, 1)]
    right = make(_rows(day, **_sells_once_full(1)), build.sites(site))
    told = _verdicts(site=site, kept=pl.concat([*past, right]), **_sells_once_full(-1))
    assert [type(one) for one in told] == [NotJudged]


def _of_kept(kept_w, *, seed=0, low_w=250.0):
    """A no-export site whose battery carries every night: the grid shows `kept_w` plus a regulator's scatter, all day.

    The load is worked out from the others, and cut at nothing.
    """
    rng = np.random.default_rng(seed)
    load = _load(low_w) + rng.normal(0, 2, PLACES)
    grid = kept_w + rng.normal(0, 5, PLACES)
    pv = np.minimum(PV, load - grid)
    battery = load - pv - grid
    return {"pv_w": pv, "battery_w": battery, "grid_w": grid, "load_w": np.maximum(pv + battery + grid, 0.0)}


def _turned(channels):
    grid = -channels["grid_w"]
    return {**channels, "grid_w": grid, "load_w": np.maximum(channels["pv_w"] + channels["battery_w"] + grid, 0.0)}


def _after_a_week(today, *, since=1):
    """The verdicts of a day after seven with import kept up; `since` days, with this one, are as it is."""
    days = [build.DAY - timedelta(days=n) for n in range(7 + since - 1, 0, -1)]
    kept = [make(_rows(day, **_of_kept(70.0, seed=n)), build.sites(NO_EXPORT)) for n, day in enumerate(days[:7])]
    kept += [make(_rows(day, **today), build.sites(NO_EXPORT)) for day in days[7:]]
    return _verdicts(site=NO_EXPORT, kept=pl.concat(kept), **today)


@pytest.mark.parametrize("before_w", [25.0, 70.0, 300.0])
def test_the_import_kept_up_that_is_fed_in_from_a_day_on_while_the_house_goes_on_is_the_sign(before_w):
    low_w = 400.0 if before_w > 100 else 250.0
    today = _turned(_of_kept(before_w, seed=99, low_w=low_w))
    days = [build.DAY - timedelta(days=n) for n in range(1, 8)]
    before = pl.concat([
        make(_rows(day, **_of_kept(before_w, seed=n, low_w=low_w)), build.sites(NO_EXPORT))
        for n, day in enumerate(days)
    ])  # fmt: skip
    (found,) = _verdicts(site=NO_EXPORT, kept=before, **today)
    assert (found.kind, found.severity, found.since) == ("meter-reversed", "urgent", build.DAY)
    assert found.value == pytest.approx(-today["grid_w"][today["grid_w"] < -10].sum() / 12000)
    assert "showed import before" in found.summary and "whole sensor" in found.summary
    assert found.evidence["least_load_turned_w"] == pytest.approx(found.evidence["least_load_before_w"], abs=5)


def test_it_is_told_again_on_the_days_after_since_the_first():
    (found,) = _after_a_week(_turned(_of_kept(70.0, seed=99)), since=4)
    assert isinstance(found, Finding)
    assert (found.since, found.evidence["seen_count"]) == (build.DAY - timedelta(days=3), 4)


@pytest.mark.parametrize(
    "today",
    [
        _of_kept(-70.0, seed=99),  # a regulator that was told to feed in: the house takes what it took
        _of_kept(-200.0, seed=99),
        {**_of_kept(70.0, seed=99), "grid_w": np.where(PV > 1000, -60.0, 70.0)},  # a limit that lets a little out
        _of_kept(70.0, seed=99),
        _of_kept(70.0, seed=99, low_w=110.0),  # nobody at home, and the sensor as it was
    ],
)
def test_a_regulator_that_feeds_in_turns_no_sensor(today):
    assert not [one for one in _after_a_week(today) if isinstance(one, Finding)]


def test_a_house_whose_least_load_differs_from_day_to_day_does_not_tell():
    days = [build.DAY - timedelta(days=n) for n in range(1, 8)]
    lows = (150.0, 260.0, 400.0, 210.0, 330.0, 180.0, 290.0)
    kept = pl.concat([
        make(_rows(day, **_of_kept(40.0, seed=n, low_w=lows[n])), build.sites(NO_EXPORT)) for n, day in enumerate(days)
    ])  # fmt: skip
    told = _verdicts(site=NO_EXPORT, kept=kept, **_turned(_of_kept(40.0, seed=99, low_w=260.0)))
    assert not [one for one in told if isinstance(one, Finding)]
