"""Channels that stand still, and what only looks like it. Labelled stale series: the pvanalytics wheel's data."""

from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from detectors import frames
from detectors.data_quality import readings_frozen
from detectors.data_quality.flags import make_flags
from detectors.features.flow_peaks import SCHEMA as PEAKS
from detectors.features.repeats import SCHEMA, make
from detectors.finding import Finding, NotJudged
from tests.support import build

DAY = build.DAY
STEPS = 96
HOURS = np.arange(STEPS) / 4
NONE_EARLIER = SCHEMA.to_frame()
NO_PEAKS = PEAKS.to_frame()


def _sunny(peak_w: float = 5000.0) -> np.ndarray:
    return np.round(peak_w * np.clip(np.sin((HOURS - 6) / 14 * np.pi), 0, None) ** 1.3)


def _lively(seed: int = 1, base: float = 300.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.round(base * (1 + 0.1 * rng.normal(size=STEPS)) + np.where(rng.random(STEPS) < 0.2, 1500, 0))


def _home(**changed) -> dict[str, np.ndarray]:
    """A home that balances: what is not changed follows."""
    pv, load = _sunny(), _lively()
    return {"pv_w": pv, "load_w": load, "grid_w": load - pv, **changed}


def _devices(channels, *, step_s: int = 900, day=DAY, device_id: str = "") -> pl.DataFrame:
    rows = build.readings({name: list(values) for name, values in channels.items()}, interval_s=step_s, day=day)
    return rows.select(pl.lit(device_id).alias("device_id"), *frames.READINGS.names())


def detect(rows, days, past, sites, day, peaks=NO_PEAKS):
    """The verdicts, with the day's own repeats beside those of `past`."""
    flags = make_flags(rows, pl.concat([past, make(rows, sites)]), peaks, days, sites)
    return readings_frozen.detect(flags, rows, sites, day)


def _judge(channels, *, site=None, kept=NONE_EARLIER, known=30, peaks=NO_PEAKS, **how):
    days = build.days(*({} for _ in range(known)), last_day=DAY - timedelta(days=1))
    return detect(_devices(channels, **how), days, kept, build.sites(site or {}), DAY, peaks)


def _held(values: np.ndarray, start_h: float, end_h: float) -> np.ndarray:
    held = values.copy()
    held[(start_h <= HOURS) & (end_h > HOURS)] = values[int(start_h * 4)]
    return held


def test_a_healthy_home_is_clean():
    assert _judge(_home()) == []


def test_a_load_that_stands_still_while_all_else_moves():
    (found,) = _judge(_home(load_w=_held(_lively(), 9, 17)))
    assert isinstance(found, Finding)
    assert (found.kind, found.severity, found.unit) == ("readings-frozen", "soon", "h")
    assert found.value == 8.0
    assert found.evidence["channel_name"] == "load_w"
    assert found.evidence["load_frozen_h"] == 8.0
    assert found.evidence["load_stands_at_w"] == _lively()[36]
    assert [(one.name, one.unit, len(one.at)) for one in found.series] == [("load", "W", STEPS)]
    assert found.loss_kwh == 0


def test_an_hour_is_not_frozen():
    assert _judge(_home(load_w=_held(_lively(), 9, 10.5))) == []


def test_generation_that_stands_still_by_day_and_at_night():
    (found,) = _judge({"pv_w": _held(_sunny(), 8, 12)})
    assert (found.value, found.evidence["channel_name"]) == (4.0, "pv_w")
    pv = _sunny()
    pv[48:] = pv[48]  # from noon to midnight: no roof generates then
    (found,) = _judge({"pv_w": pv})
    assert found.value == 12.0
    (found,) = _judge({"pv_w": np.full(STEPS, 1234.0)})
    assert found.value == 24.0


def test_no_generation_all_day_is_not_frozen():
    assert _judge({"pv_w": np.zeros(STEPS)}) == []
    assert _judge({"pv_w": np.full(STEPS, 4.0)}) == []  # 0.04 % of the rating: the inverter's own


@pytest.mark.parametrize("top_w", [4000.0, 2500.0])
def test_a_flat_top_is_clipping(top_w):
    assert _judge({"pv_w": np.minimum(_sunny(), top_w)}) == []


def test_clipping_within_a_meters_error_is_a_flat_top():
    pv = np.minimum(_sunny(), 4000.0)
    pv[52:58] = 4030.0
    assert _judge({"pv_w": pv}) == []
    pv[52:58] = 4700.0  # not clipped, then
    assert len(_judge({"pv_w": pv})) == 1


def _peaks(*peaks_w: float) -> pl.DataFrame:
    """The highest generation of the days before."""
    rows = [{"site_id": "roof-1", "day": DAY - timedelta(days=n), "pv_peak_w": w} for n, w in enumerate(peaks_w, 1)]
    return build.frame(PEAKS, rows)


def _grey_and_frozen(at_w: float = 1234.0) -> np.ndarray:
    """A dark day whose highest value is one that stood still for five hours."""
    pv = np.round(np.clip(_sunny(900.0) + 100 * np.random.default_rng(5).normal(size=STEPS), 0, None) * (_sunny() > 0))
    pv[48:68] = at_w
    return pv


def test_what_the_roof_passed_on_other_days_is_no_ceiling():
    (found,) = _judge({"pv_w": _grey_and_frozen()}, peaks=_peaks(4900.0, 700.0, 3100.0, 4200.0))
    assert (found.value, found.evidence["pv_stands_at_w"]) == (5.0, 1234.0)


@pytest.mark.parametrize("peaks_w", [(), (1240.0,) * 30, (4900.0, 4800.0), (8e6,) * 5])
def test_a_ceiling_that_no_three_days_contradict_is_left_alone(peaks_w):
    """Never passed but by moments, or on two days only, or by days of a wrong unit."""
    assert _judge({"pv_w": _grey_and_frozen()}, peaks=_peaks(*peaks_w)) == []


def test_a_roof_turned_down_to_a_share_of_its_rating_is_left_alone():
    """A network operator's step of 30 % of 10 kW, on one day; 2.4 kW is none."""
    passed = _peaks(*(9000.0,) * 5)
    assert _judge({"pv_w": np.minimum(_sunny(), 3000.0)}, peaks=passed) == []
    assert len(_judge({"pv_w": np.minimum(_sunny(), 2400.0)}, peaks=passed)) == 1


def test_a_ceiling_set_anew_is_known_by_the_days_on_which_it_comes_back():
    pv, passed = np.minimum(_sunny(), 2400.0), _peaks(*(9000.0,) * 5)
    before = [
        {"site_id": "roof-1", "device_id": "", "channel": "pv_w", "day": DAY - timedelta(days=n), "run_h": 6.0,
         "value": value, "start_h": 9.0, "end_h": 15.0, "below_top": 0.0, "step": 1.0, "distinct": 40}
        for n, value in ((1, 2401.0), (3, 2400.0))
    ]  # fmt: skip
    assert _judge({"pv_w": pv}, peaks=passed, kept=build.frame(SCHEMA, before)) == []
    assert len(_judge({"pv_w": pv}, peaks=passed, kept=build.frame(SCHEMA, before[:1]))) == 1


def test_a_grey_morning_on_a_coarse_meter_is_natural():
    pv = np.where((HOURS >= 8) & (HOURS < 11.5), 200.0, 0.0) + np.where((HOURS >= 12) & (HOURS < 14), 400.0, 0.0)
    pv[46], pv[47] = 100.0, 300.0
    assert _judge({"pv_w": pv}, site={"inverter_kw": 1.0}) == []
    assert len(_judge({"pv_w": pv * 1.0 + np.where(pv == 200, 0, _lively() / 100)}, site={"inverter_kw": 1.0})) == 1


def test_a_coarse_meter_repeats_a_small_sun_for_long():
    """sin over 14 h in steps of 100 W at a peak of 400 W: cos(h) >= 1 - 1/4 holds for 2 x 41.4 deg, some 5.5 h."""
    assert _judge({"pv_w": np.round(_sunny(400.0) / 100) * 100}, site={"inverter_kw": 1.0}) == []


def test_a_coarse_meter_in_an_empty_house_is_natural():
    empty = np.full(STEPS, 100.0)
    pv = np.round(_sunny() / 100) * 100
    assert _judge({"pv_w": pv, "load_w": empty, "grid_w": empty - pv}) == []
    small = np.full(STEPS, 12.0)
    assert _judge(_home(load_w=small, grid_w=small - _sunny())) == []


def test_the_others_tell_even_where_the_meter_is_coarse():
    pv, load = np.round(_sunny() / 100) * 100, np.round(_lively() / 100) * 100
    (found,) = _judge({"pv_w": pv, "load_w": _held(load, 7, 19), "grid_w": load - pv})
    assert found.evidence["channel_name"] == "load_w"


def test_a_gain_error_of_the_generation_meter_is_no_sign_that_a_small_load_moved():
    """A coarse meter in an empty house through night and morning: what does not add up grows with what flows."""
    load, pv = np.full(STEPS, 70.0), np.round(_sunny(9000.0), -1)
    load[34:] = np.round(_lively()[34:], -1)
    home = {"pv_w": pv, "load_w": load, "grid_w": np.round(load - pv / 1.05, -1)}
    assert _judge(home, site={"installed_kwp": 9.0, "inverter_kw": 9.0}) == []


def test_a_battery_that_rests_or_keeps_to_a_schedule_is_natural():
    site = {"battery_kwh": 10.0}
    full = np.full(STEPS, 100.0)
    assert _judge(_home(battery_w=np.zeros(STEPS), soc_pct=full), site=site) == []
    charge = np.where((HOURS >= 1) & (HOURS < 4), -2000.0, 0.0)
    level = np.clip(20 + np.cumsum(-charge) / 4 / 100, 0, 100)
    load = _lively()
    home = _home(battery_w=charge, soc_pct=np.round(level), grid_w=load - _sunny() - charge)
    assert _judge(home, site=site) == []


def test_a_battery_power_that_its_level_does_not_follow_is_frozen():
    charge = np.full(STEPS, -1234.0)  # 29.6 kWh in a day
    load = _lively()
    home = _home(battery_w=charge, soc_pct=np.full(STEPS, 55.0), grid_w=load - _sunny())
    (found,) = _judge(home, site={"battery_kwh": 10.0})
    assert found.evidence["channel_name"] == "battery_w"


def test_a_battery_can_take_no_more_than_it_holds():
    site = {"battery_kwh": 10.0}
    (found,) = _judge({"pv_w": _sunny(), "battery_w": np.full(STEPS, -1234.0)}, site=site)  # 29.6 kWh
    assert found.evidence["channel_name"] == "battery_w"
    assert _judge({"pv_w": _sunny(), "battery_w": np.full(STEPS, -440.0)}, site=site) == []  # 10.6 kWh


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
    idle = _home(battery_w=np.zeros(STEPS), soc_pct=np.round(level, 1))
    found = _judge(idle, site=site)
    assert [(one.evidence["channel_name"], one.value) for one in found] == ([("battery_w", 24.0)] if is_told else [])
    assert _judge(idle, site={"battery_kwh": 0.9}) == []  # what a standby of 30 W moves in a day
    assert _judge({**idle, "soc_pct": np.full(STEPS, np.nan)}, site=site) == []


def test_a_level_is_left_to_the_battery_where_its_power_is_read():
    home = _home(battery_w=np.where(_sunny() > 2000, -1500.0 + _lively() / 10, 0.0), soc_pct=np.full(STEPS, 55.0))
    assert _judge(home, site={"battery_kwh": 10.0}) == []


def test_a_grid_held_at_its_buffer_or_limit_by_regulation_is_natural():
    pv, load = _sunny(), _lively()
    buffered = {"pv_w": np.minimum(pv, load), "load_w": load, "grid_w": np.where(pv > load, 20.0, load - pv)}
    assert _judge(buffered, site={"feed_in_limit_kw": 0.0}) == []
    limited = np.maximum(load - pv, -3000.0)
    assert _judge({"pv_w": load - limited, "load_w": load, "grid_w": limited}, site={"feed_in_limit_kw": 3.0}) == []


def test_a_held_grid_needs_no_load_to_confirm_it():
    pv = _sunny()
    assert _judge({"pv_w": pv, "grid_w": np.where(pv > 2000, -3000.0, _lively())}, site={"feed_in_limit_kw": 3.0}) == []
    kept = {"pv_w": pv, "grid_w": np.where(pv > 2000, 480.0, _lively())}
    assert _judge(kept, site={"feed_in_buffer_w": 400.0}) == []
    assert len(_judge(kept)) == 1


def test_generation_curtailed_to_a_limit_over_a_steady_load_stands_still():
    """After a morning with a large load, so that the curtailed hours are not the day's top."""
    load = _held(np.where((HOURS >= 8) & (HOURS < 10.5), 3000.0, _lively()), 11, 15)
    pv = np.minimum(_sunny(), load + 1500.0)
    at_limit = {"pv_w": pv, "load_w": load, "grid_w": load - pv}
    assert _judge(at_limit, site={"feed_in_limit_kw": 1.5}) == []
    moving = {**at_limit, "load_w": _lively()}  # the grid at its limit, the load moving: generation must have moved
    (found,) = _judge(moving, site={"feed_in_limit_kw": 1.5})
    assert "pv_w" in found.evidence["channel_name"]


def test_a_power_keeps_the_resolution_of_the_days_before():
    """Means of a logger that filled a gap are finer than the meter, for one day."""
    load = _lively()
    load[4:30] = 70.0
    kept = [
        {"site_id": "roof-1", "device_id": "", "channel": "load_w", "day": DAY - timedelta(days=n), "run_h": 2.0,
         "value": 70.0, "start_h": 2.0, "end_h": 4.0, "step": 10.0, "distinct": 20}
        for n in range(1, 31)
    ]  # fmt: skip
    quiet = {"load_w": load, "battery_w": _lively(2)}
    assert _judge(quiet, kept=build.frame(SCHEMA, kept)) == []


def _past(days: int = 30, **values) -> pl.DataFrame:
    row = {
        "site_id": "roof-1", "device_id": "", "channel": "load_w", "run_h": 2.0, "value": 80.0, "start_h": 2.0,
        "end_h": 4.0, "step": 10.0, "distinct": 20, "open_w": 5.0, "flow_w": 1000.0,
    }  # fmt: skip
    return build.frame(SCHEMA, [row | {"day": DAY - timedelta(days=n)} | values for n in range(1, days + 1)])


def test_where_the_balance_never_closes_the_others_tell_nothing_of_one_channel():
    pv, load = np.round(_sunny() / 100) * 100, np.round(_lively() / 100) * 100
    home = {"pv_w": pv, "load_w": _held(load, 7, 19), "grid_w": load - pv}
    assert len(_judge(home, kept=_past(run_h=1.0))) == 1
    assert _judge(home, kept=_past(run_h=1.0, open_w=700.0)) == []


def test_a_phase_without_a_load_that_changes_stands_still_while_the_inverter_clips():
    """At 5.9 kW on three phases each feeds 1,967 W; the loads that move are on the other two."""
    pv, load = np.minimum(_sunny(9000.0), 5900.0), _lively()
    home = {"pv_w": pv, "load_w": load, "grid_w": load - pv}
    clipped = {**home, "grid_l1_w": np.round(60.0 - pv / 3)}
    assert _judge(clipped, site={"inverter_kw": None, "installed_kwp": 9.0}) == []
    moving = _home(grid_l1_w=clipped["grid_l1_w"])
    assert [v.evidence["channel_name"] for v in _judge(moving, site={"inverter_kw": None})] == ["grid_l1_w"]


def test_half_as_long_again_as_usual_is_wanted_even_where_the_others_tell():
    pv, load = np.round(_sunny() / 100) * 100, np.round(_lively() / 100) * 100
    home = {"pv_w": pv, "load_w": _held(load, 7, 19), "grid_w": load - pv}
    assert _judge(home, kept=_past(run_h=9.0)) == []


def test_a_firmware_that_rounds_from_now_on_freezes_nothing():
    """To 100 W in an empty house: the load is 100 W all night, and its meter showed single watts until yesterday."""
    load = np.full(STEPS, 100.0)
    load[60:] = np.round(_lively()[60:] / 100) * 100
    pv = np.round(_sunny() / 100) * 100
    home = {"pv_w": pv, "load_w": load, "grid_w": np.round(load - pv / 1.08, -2)}
    before = _past(step=1.0, distinct=60, run_h=1.0, value=77.0)
    assert _judge(home, kept=before) == []
    load[:60] = 137.0
    assert len(_judge({**home, "load_w": load, "grid_w": load - pv + _lively(3)}, kept=before)) == 1


def test_a_frequency_whose_export_dropped_a_decimal_is_not_frozen():
    kept = [
        {"site_id": "roof-1", "device_id": "", "channel": "frequency_hz", "day": DAY - timedelta(days=n), "run_h": 1.0,
         "value": 50.01, "start_h": 2.0, "end_h": 3.0, "step": 0.01, "distinct": 10}
        for n in range(1, 31)
    ]  # fmt: skip
    assert _judge(_home(frequency_hz=np.full(STEPS, 50.0)), kept=build.frame(SCHEMA, kept)) == []
    (found,) = _judge(_home(frequency_hz=np.full(STEPS, 50.03)), kept=build.frame(SCHEMA, kept))
    assert found.evidence["channel_name"] == "frequency_hz"


def test_a_grid_that_stands_still_elsewhere_is_frozen():
    (found,) = _judge(_home(grid_w=_held(_lively() - _sunny(), 10, 20)))
    assert found.evidence["channel_name"] == "grid_w"


def test_voltage_by_its_resolution_and_habits():
    rng = np.random.default_rng(5)
    fine = np.round(231 + rng.normal(size=STEPS), 1)
    assert _judge(_home(voltage_l1_v=fine)) == []
    (found,) = _judge(_home(voltage_l1_v=_held(fine, 3, 11)), known=0)
    assert found.evidence["channel_name"] == "voltage_l1_v"
    assert _judge(_home(voltage_l2_v=np.zeros(STEPS), frequency_hz=np.full(STEPS, 50.0)), known=0) == []


def test_the_voltage_that_an_inverter_makes_while_the_grid_is_off_stands_still():
    fine = np.round(231 + np.random.default_rng(5).normal(size=STEPS), 1)
    volts = np.where((HOURS >= 3) & (HOURS < 11), 230.0, fine)
    is_off = (HOURS >= 3) & (HOURS < 11)
    home = _home(voltage_l1_v=volts)
    island = {**home, "battery_w": np.where(is_off, home["load_w"] - home["pv_w"], 0.0)}
    island["grid_w"] = np.where(is_off, 0.0, home["grid_w"])
    assert _judge(island, known=0) == []
    (found,) = _judge(home, known=0)
    assert found.evidence["channel_name"] == "voltage_l1_v"


def test_a_habit_of_standing_still_is_no_fault():
    coarse = np.full(STEPS, 50.0)
    coarse[40] = 49.9
    rows = [
        {"site_id": "roof-1", "device_id": "", "channel": "frequency_hz", "day": DAY - timedelta(days=n),
         "run_h": 10.0 + n % 5, "value": 50.0, "start_h": 2.0, "end_h": 20.0}
        for n in range(1, 31)
    ]  # fmt: skip
    assert _judge(_home(frequency_hz=coarse), kept=build.frame(SCHEMA, rows)) == []
    (found,) = _judge(_home(frequency_hz=coarse))  # thirty days on which it never stood still for an hour
    assert found.value == pytest.approx(13.75)


def test_days_add_up_and_the_first_is_named():
    whole = _held(_lively(), 0, 24)
    rows = [
        {"site_id": "roof-1", "device_id": "", "channel": "load_w", "day": DAY - timedelta(days=n), "run_h": hours,
         "value": float(whole[0]), "start_h": 24 - hours, "end_h": 24.0}
        for n, hours in ((1, 24.0), (2, 24.0), (3, 9.0))
    ]  # fmt: skip
    (found,) = _judge(_home(load_w=whole), kept=build.frame(SCHEMA, rows))
    assert found.value == 24 + 24 + 24 + 9
    assert found.since == DAY - timedelta(days=3)


def test_the_device_is_named():
    rows = pl.concat([_devices(_home(), device_id="A"), _devices(_home(load_w=_held(_lively(), 9, 17)), device_id="B")])
    (found,) = detect(rows, build.days({}), NONE_EARLIER, build.sites(), DAY)
    assert found.evidence["device_name"] == "B"


def test_the_same_at_five_and_sixty_minutes():
    load = np.repeat(_held(_lively(), 9, 17), 3)
    (found,) = _judge({"pv_w": np.repeat(_sunny(), 3), "load_w": load}, step_s=300)
    assert found.value == pytest.approx(8.0)
    hourly = {name: values.reshape(24, 4).mean(axis=1) for name, values in _home().items()}
    assert _judge(hourly, step_s=3600) == []
    hourly["load_w"][9:17] = hourly["load_w"][9]
    (found,) = _judge(hourly, step_s=3600)
    assert found.value == 8.0


def test_gaps_neither_hide_nor_make_a_run():
    load = _held(_lively(), 9, 17)
    load[40:44] = np.nan
    rows = _devices(_home(load_w=load)).with_columns(pl.col("load_w").fill_nan(None))
    (found,) = detect(rows, build.days({}), NONE_EARLIER, build.sites(), DAY)
    assert found.value == 7.0


def test_too_little_is_not_judged():
    (verdict,) = _judge({name: values[:16] for name, values in _home().items()})
    assert isinstance(verdict, NotJudged)
    assert "4.0 h" in verdict.reason
    (verdict,) = detect(frames.DEVICE_READINGS.to_frame(), build.days({}), NONE_EARLIER, build.sites(), DAY)
    assert isinstance(verdict, NotJudged)


def test_what_is_noted_is_the_longest_run_per_day():
    rows = pl.concat(
        [_devices(_home(load_w=_held(_held(_lively(), 2, 4), 9, 17)), day=DAY - timedelta(days=n)) for n in (0, 1)]
    )
    kept = make(rows, build.sites())
    assert kept.schema == SCHEMA
    assert kept["day"].to_list() == [DAY - timedelta(days=1), DAY]
    assert kept["channel"].to_list() == ["load_w"] * 2
    assert kept["run_h"].to_list() == [8.0] * 2
    assert kept["start_h"].to_list() == [9.0] * 2
    assert make(rows.clear(), build.sites()).is_empty()


def test_labelled_stale_readings_of_a_real_inverter():
    """Days with two hours or more of labelled stale daylight readings are found, few others are.

    Labels and series: ac_power_inv_2173_stale_data.csv of the pvanalytics wheel, normalised power at 15 min.
    """
    pvanalytics = pytest.importorskip("pvanalytics")
    path = Path(pvanalytics.__file__).parent / "data" / "ac_power_inv_2173_stale_data.csv"
    if not path.exists():
        pytest.skip("the wheel carries no labelled stale series")
    table = pl.read_csv(path).with_columns(
        ts=pl.col("timestamp").str.slice(0, 19).str.to_datetime("%Y-%m-%d %H:%M:%S").dt.offset_by("-7h")
    )
    series = table.with_columns(pv_w=pl.col("value_normalized") * 10000, day=pl.col("ts").dt.date())
    labelled = series.group_by("day").agg(
        stale_h=((pl.col("stale_data_mask")) & (pl.col("pv_w") > 100)).sum() / 4, lit=(pl.col("pv_w") > 100).sum()
    )
    truth = dict(labelled.filter(pl.col("lit") > 8).select("day", "stale_h").iter_rows())
    found = set()
    for day in truth:
        own = series.filter(pl.col("day") == day)
        rows = build.frame(
            frames.DEVICE_READINGS,
            [
                {"device_id": "", "site_id": "roof-1", "ts_utc": r["ts"] + timedelta(hours=7), "ts_local": r["ts"],
                 "interval_s": 900, "is_instant": False, "pv_w": r["pv_w"]}
                for r in own.iter_rows(named=True)
            ],
        )  # fmt: skip
        site = {"latitude": 39.7, "longitude": -105.2, "timezone": "America/Denver"}
        if any(isinstance(v, Finding) for v in detect(rows, build.days({}), NONE_EARLIER, build.sites(site), day)):
            found.add(day)
    stale = {day for day, hours in truth.items() if hours >= 4}  # a new site: twice two hours
    assert len(stale) >= 3
    assert len(found & stale) >= 0.7 * len(stale)
    assert len(found - {day for day, hours in truth.items() if hours > 0}) <= 0.01 * len(truth)
