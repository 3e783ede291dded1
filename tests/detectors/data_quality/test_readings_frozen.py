"""Channels that stand still, and what only looks like it. Labelled stale series: the pvanalytics wheel's data."""

from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from detectors import frames
from detectors.features.repeats import SCHEMA, make
from detectors.finding import Finding, NotJudged
from tests.support import build
from tests.support.standing_home import (
    DAY,
    HOURS,
    NONE_EARLIER,
    STEPS,
    detect,
    devices,
    held_at,
    home_with,
    judge,
    lively,
    past_days,
    sunny,
)


def test_a_healthy_home_is_clean():
    assert judge(home_with()) == []


def test_a_load_that_stands_still_while_all_else_moves():
    (found,) = judge(home_with(load_w=held_at(lively(), 9, 17)))
    assert isinstance(found, Finding)
    assert (found.kind, found.severity, found.unit) == ("readings-frozen", "soon", "h")
    assert found.value == 8.0
    assert found.evidence["channel_name"] == "load_w"
    assert found.evidence["load_frozen_h"] == 8.0
    assert found.evidence["load_stands_at_w"] == lively()[36]
    assert [(one.name, one.unit, len(one.at)) for one in found.series] == [("load", "W", STEPS)]
    assert found.loss_kwh == 0


@pytest.mark.parametrize(("until", "severity"), [(14, "watch"), (17, "soon"), (24, "soon")])
def test_a_link_that_came_back_within_hours_needs_nobody(until, severity):
    """From nine on; a stand of eight hours, and one that lasts to the end of the day, are to be looked at."""
    (found,) = judge(home_with(load_w=held_at(lively(), 9 if until < 24 else 19, until)))
    assert found.severity == severity
    assert ("It was over the same day." in found.summary) == (severity == "watch")


def test_a_grid_near_nothing_rests_only_where_something_keeps_it_there_or_nothing_flows():
    """60 W are an inverter's own: at night all that flows, beside a battery what it leaves, but not under the sun."""
    sun = sunny()
    stuck = {"pv_w": sun, "grid_w": np.full(STEPS, 60.0), "load_w": sun + 60.0}
    (found,) = judge(stuck)
    assert found.evidence["channel_name"] == "grid_w" and found.value == 24.0
    assert judge(stuck, site={"battery_kwh": 10.0}) == []
    coarse = {name: np.round(power / 10) * 10 for name, power in stuck.items()}  # six steps of a meter of 10 W
    (found,) = judge(coarse)
    assert found.evidence["channel_name"] == "grid_w"
    asleep = np.full(STEPS, 60.0)
    night = np.where((HOURS < 5) | (HOURS >= 22), asleep, lively())
    assert judge({"pv_w": sun, "grid_w": night - sun, "load_w": night}) == []


def test_a_grid_flow_beside_a_generation_that_stands_through_the_night_stands_still_too():
    """An inverter at its rating may hold the grid's flow by day; nothing generates at midnight."""
    all_day = {"pv_w": np.full(STEPS, 3500.0), "grid_w": np.full(STEPS, -3100.0), "load_w": np.full(STEPS, 400.0)}
    before = pl.concat([past_days(channel=name, run_h=1.0) for name in all_day])
    (found,) = judge(all_day, site={"inverter_kw": 3.5}, kept=before)
    assert found.evidence["grid_frozen_h"] == 24.0
    noon = {
        name: np.where((HOURS >= 8) & (HOURS < 15), values[0], lively(len(name))) for name, values in all_day.items()
    }
    assert not [one for one in judge(noon, site={"inverter_kw": 3.5}, kept=before) if "grid_frozen_h" in one.evidence]


def test_a_logger_that_repeats_its_last_row_freezes_the_house_and_the_battery_too():
    """Nothing moves beside them, as in a house that rests; but the sun does not stand through the night."""
    row = {"pv_w": 934.0, "load_w": 183.0, "grid_w": 0.0, "battery_w": -751.0}
    before = pl.concat([past_days(channel=name, run_h=1.0) for name in row])

    def standing(**changed: float) -> set[str]:
        values = {name: np.full(STEPS, value) for name, value in {**row, **changed}.items()}
        (found,) = judge(values, site={"battery_kwh": 10.0}, kept=before)
        return {name for name in row if f"{name.removesuffix('_w')}_frozen_h" in found.evidence}

    assert standing() == {"pv_w", "load_w", "battery_w"}
    assert "battery_w" not in standing(battery_w=0.0, load_w=934.0)  # none, or none that gave anything


def test_the_last_morning_of_what_stood_for_days_stands_too():
    home = home_with(load_w=held_at(lively(), 0, 2.5))
    value = float(home["load_w"][0])
    before = past_days(days=3, run_h=24.0, value=value, start_h=0.0, end_h=24.0, step=1.0)
    assert judge(home, kept=past_days(step=1.0)) == []
    (found,) = judge(home, kept=before)
    assert found.evidence["channel_name"] == "load_w"


def test_a_coarse_frequency_that_is_the_same_all_day_and_every_day_is_its_habit():
    """Whole days at one value, now this and now that one: four in a row at the same are longer than none of them."""
    steady = {"channel": "frequency_hz", "start_h": 0.0, "end_h": 24.0, "run_h": 24.0, "step": 0.03}
    before = past_days(days=30, **steady).with_columns(
        value=pl.when(pl.col("day") >= DAY - timedelta(days=4)).then(50.0).otherwise(49.97)
    )
    assert judge(home_with(frequency_hz=np.full(STEPS, 50.0)), kept=before) == []


def test_an_hour_is_not_frozen():
    assert judge(home_with(load_w=held_at(lively(), 9, 10.5))) == []


def test_a_grey_morning_on_a_coarse_meter_is_natural():
    pv = np.where((HOURS >= 8) & (HOURS < 11.5), 200.0, 0.0) + np.where((HOURS >= 12) & (HOURS < 14), 400.0, 0.0)
    pv[46], pv[47] = 100.0, 300.0
    assert judge({"pv_w": pv}, site={"inverter_kw": 1.0}) == []
    assert len(judge({"pv_w": pv * 1.0 + np.where(pv == 200, 0, lively() / 100)}, site={"inverter_kw": 1.0})) == 1


def test_a_coarse_meter_repeats_a_small_sun_for_long():
    """sin over 14 h in steps of 100 W at a peak of 400 W: cos(h) >= 1 - 1/4 holds for 2 x 41.4 deg, some 5.5 h."""
    assert judge({"pv_w": np.round(sunny(400.0) / 100) * 100}, site={"inverter_kw": 1.0}) == []


def test_a_coarse_meter_in_an_empty_house_is_natural():
    empty = np.full(STEPS, 100.0)
    pv = np.round(sunny() / 100) * 100
    assert judge({"pv_w": pv, "load_w": empty, "grid_w": empty - pv}) == []
    small = np.full(STEPS, 12.0)
    assert judge(home_with(load_w=small, grid_w=small - sunny())) == []


def test_the_others_tell_even_where_the_meter_is_coarse():
    pv, load = np.round(sunny() / 100) * 100, np.round(lively() / 100) * 100
    (found,) = judge({"pv_w": pv, "load_w": held_at(load, 7, 19), "grid_w": load - pv})
    assert found.evidence["channel_name"] == "load_w"


def test_a_gain_error_of_the_generation_meter_is_no_sign_that_a_small_load_moved():
    """A coarse meter in an empty house through night and morning: what does not add up grows with what flows."""
    load, pv = np.full(STEPS, 70.0), np.round(sunny(9000.0), -1)
    load[34:] = np.round(lively()[34:], -1)
    home = {"pv_w": pv, "load_w": load, "grid_w": np.round(load - pv / 1.05, -1)}
    assert judge(home, site={"installed_kwp": 9.0, "inverter_kw": 9.0}) == []


def test_a_grid_held_at_its_buffer_or_limit_by_regulation_is_natural():
    pv, load = sunny(), lively()
    buffered = {"pv_w": np.minimum(pv, load), "load_w": load, "grid_w": np.where(pv > load, 20.0, load - pv)}
    assert judge(buffered, site={"feed_in_limit_kw": 0.0}) == []
    limited = np.maximum(load - pv, -3000.0)
    assert judge({"pv_w": load - limited, "load_w": load, "grid_w": limited}, site={"feed_in_limit_kw": 3.0}) == []


def test_a_held_grid_needs_no_load_to_confirm_it():
    pv = sunny()
    assert judge({"pv_w": pv, "grid_w": np.where(pv > 2000, -3000.0, lively())}, site={"feed_in_limit_kw": 3.0}) == []
    kept = {"pv_w": pv, "grid_w": np.where(pv > 2000, 480.0, lively())}
    assert judge(kept, site={"feed_in_buffer_w": 400.0}) == []
    assert len(judge(kept)) == 1


def test_a_power_keeps_the_resolution_of_the_days_before():
    """Means of a logger that filled a gap are finer than the meter, for one day."""
    load = lively()
    load[4:30] = 70.0
    kept = [
        {"site_id": "roof-1", "device_id": "", "channel": "load_w", "day": DAY - timedelta(days=n), "run_h": 2.0,
         "value": 70.0, "start_h": 2.0, "end_h": 4.0, "step": 10.0, "distinct": 20}
        for n in range(1, 31)
    ]  # fmt: skip
    quiet = {"load_w": load, "battery_w": lively(2)}
    assert judge(quiet, kept=build.frame(SCHEMA, kept)) == []


def test_where_the_balance_never_closes_the_others_tell_nothing_of_one_channel():
    pv, load = np.round(sunny() / 100) * 100, np.round(lively() / 100) * 100
    home = {"pv_w": pv, "load_w": held_at(load, 7, 19), "grid_w": load - pv}
    assert len(judge(home, kept=past_days(run_h=1.0))) == 1
    assert judge(home, kept=past_days(run_h=1.0, open_w=700.0)) == []
    assert judge(home, kept=past_days(days=1, run_h=1.0), known=1) == []  # one day that closed is no habit


def test_a_meter_of_large_steps_to_which_a_fine_one_adds_at_night_repeats_its_values():
    """A billing meter behind current transformers counts 600 W steps; another, of 4 W, runs at night alone.

    So in a village of the open data beside the project, where 2,400 W came back on a fifth of the other readings.
    """
    rng = np.random.default_rng(8)
    load = 600.0 * rng.integers(3, 6, STEPS)
    load[(HOURS < 6) | (HOURS > 20)] += 12.0
    load[50:71] = 2400.0  # more than five hours
    quiet = {"load_w": load, "pv_w": sunny() + rng.integers(0, 9, STEPS), "grid_w": load - sunny()}
    assert judge({**quiet, "battery_w": lively(2)}, kept=past_days(run_h=1.0)) == []
    fine = np.where(load == 2400.0, 2400.0, load + 4.0 * rng.integers(-70, 70, STEPS))
    fine[:50] += 4.0
    fine[71:] += 4.0
    (found,) = judge({**quiet, "load_w": fine, "battery_w": lively(2)}, kept=past_days(run_h=1.0))
    assert found.evidence["channel_name"] == "load_w"


def test_one_phase_rests_or_carries_one_load_for_hours_while_the_others_have_the_rest():
    pv, load = sunny(), lively()
    quiet = {"pv_w": pv, "load_w": load + 15, "grid_w": load - pv + 15, "grid_l1_w": load - pv}
    assert judge({**quiet, "grid_l3_w": np.full(STEPS, 15.0)}) == []  # no load on it but what stands by
    rng = np.random.default_rng(5)

    def charging(hours: float) -> list:
        at_car = (HOURS >= 10) & (10 + hours > HOURS)
        phase = np.where(at_car, 3660.0, np.round(rng.normal(400, 40, STEPS)))
        home = {"pv_w": pv, "grid_w": load - pv + phase, "grid_l1_w": load - pv, "grid_l2_w": phase}
        return judge(home, kept=past_days(channel="grid_l2_w", run_h=1.0))

    assert charging(4) == []
    (found,) = charging(7)
    assert found.evidence["channel_name"] == "grid_l2_w"


def test_a_balance_is_that_of_the_whole_site_not_of_one_of_its_devices():
    """One inverter of two reads the site's load and grid; the other's generation is no change of the load."""
    pv, load = np.round(sunny() / 50) * 50, np.round(lively() / 50) * 50
    load[12:32] = 150.0  # a quiet house from 3 to 8, of which it is light from 6
    first = devices({"pv_w": pv / 2, "load_w": load, "grid_w": load - pv}, device_id="A")
    second = devices({"pv_w": pv / 2}, device_id="B")

    def told(*parts):
        days = build.days(*({} for _ in range(30)), last_day=DAY - timedelta(days=1))
        past = past_days(run_h=1.0).with_columns(device_id=pl.lit("A"))
        return detect(pl.concat(parts), days, past, build.sites({}), DAY)

    assert told(first, second) == []
    frozen = first.with_columns(load_w=pl.Series(held_at(load + pv / 10, 8, 18)))
    (found,) = told(frozen.with_columns(grid_w=pl.Series(load + pv / 10 - pv)), second)
    assert found.evidence["channel_name"] == "load_w"
    # The other's readings are missing for the while: nothing is known to add up.
    assert told(first, second.filter(pl.col("ts_local").dt.hour() >= 9)) == []


def test_the_balance_of_the_site_tells_nothing_of_one_phase():
    """A turned phase opens it whenever that one moves; another, on a meter of 50 W, stands at 150 W all the same."""
    pv, load = np.round(sunny() / 50) * 50, np.round(lively() / 50) * 50
    still, moving = np.full(STEPS, 150.0), load - pv
    home = {"pv_w": pv, "load_w": load + 150, "grid_w": still - moving, "grid_l1_w": still, "grid_l2_w": -moving}
    assert judge(home, kept=past_days(channel="grid_l1_w", run_h=1.0)) == []


def test_half_as_long_again_as_usual_is_wanted_even_where_the_others_tell():
    pv, load = np.round(sunny() / 100) * 100, np.round(lively() / 100) * 100
    home = {"pv_w": pv, "load_w": held_at(load, 7, 19), "grid_w": load - pv}
    assert judge(home, kept=past_days(run_h=9.0)) == []


def test_a_firmware_that_rounds_from_now_on_freezes_nothing():
    """To 100 W in an empty house: the load is 100 W all night, and its meter showed single watts until yesterday."""
    load = np.full(STEPS, 100.0)
    load[60:] = np.round(lively()[60:] / 100) * 100
    pv = np.round(sunny() / 100) * 100
    home = {"pv_w": pv, "load_w": load, "grid_w": np.round(load - pv / 1.08, -2)}
    before = past_days(step=1.0, distinct=60, run_h=1.0, value=77.0)
    assert judge(home, kept=before) == []
    load[:60] = 137.0
    assert len(judge({**home, "load_w": load, "grid_w": load - pv + lively(3)}, kept=before)) == 1


def test_a_frequency_whose_export_dropped_a_decimal_is_not_frozen():
    kept = [
        {"site_id": "roof-1", "device_id": "", "channel": "frequency_hz", "day": DAY - timedelta(days=n), "run_h": 1.0,
         "value": 50.01, "start_h": 2.0, "end_h": 3.0, "step": 0.01, "distinct": 10}
        for n in range(1, 31)
    ]  # fmt: skip
    assert judge(home_with(frequency_hz=np.full(STEPS, 50.0)), kept=build.frame(SCHEMA, kept)) == []
    (found,) = judge(home_with(frequency_hz=np.full(STEPS, 50.03)), kept=build.frame(SCHEMA, kept))
    assert found.evidence["channel_name"] == "frequency_hz"


def test_a_grid_that_stands_still_elsewhere_is_frozen():
    (found,) = judge(home_with(grid_w=held_at(lively() - sunny(), 10, 20)))
    assert found.evidence["channel_name"] == "grid_w"


def test_voltage_by_its_resolution_and_habits():
    rng = np.random.default_rng(5)
    fine = np.round(231 + rng.normal(size=STEPS), 1)
    assert judge(home_with(voltage_l1_v=fine)) == []
    (found,) = judge(home_with(voltage_l1_v=held_at(fine, 3, 11)), known=0)
    assert found.evidence["channel_name"] == "voltage_l1_v"
    assert judge(home_with(voltage_l2_v=np.zeros(STEPS), frequency_hz=np.full(STEPS, 50.0)), known=0) == []


def test_a_voltage_that_comes_in_whole_volts_from_now_on_repeats_itself_by_chance():
    """Tenths of a volt never repeated themselves; whole ones do, and for how long their own days have to show."""
    slow = 231 + 3 * np.sin(HOURS / 24 * 2 * np.pi)
    coarse = home_with(voltage_l1_v=held_at(np.round(slow), 10, 14))
    assert judge(coarse) == []
    week = past_days(7, channel="voltage_l1_v", step=1.0, value=231.0, run_h=1.0)
    (found,) = judge(coarse, kept=week)
    assert found.evidence["channel_name"] == "voltage_l1_v"
    fine = home_with(voltage_l1_v=held_at(np.round(slow + np.random.default_rng(5).normal(size=STEPS) / 2, 1), 10, 14))
    assert len(judge(fine)) == 1


def test_the_voltage_that_an_inverter_makes_while_the_grid_is_off_stands_still():
    fine = np.round(231 + np.random.default_rng(5).normal(size=STEPS), 1)
    volts = np.where((HOURS >= 3) & (HOURS < 11), 230.0, fine)
    is_off = (HOURS >= 3) & (HOURS < 11)
    home = home_with(voltage_l1_v=volts)
    island = {**home, "battery_w": np.where(is_off, home["load_w"] - home["pv_w"], 0.0)}
    island["grid_w"] = np.where(is_off, 0.0, home["grid_w"])
    assert judge(island, known=0) == []
    (found,) = judge(home, known=0)
    assert found.evidence["channel_name"] == "voltage_l1_v"


def test_a_habit_of_standing_still_is_no_fault():
    coarse = np.full(STEPS, 50.0)
    coarse[40] = 49.9
    rows = [
        {"site_id": "roof-1", "device_id": "", "channel": "frequency_hz", "day": DAY - timedelta(days=n),
         "run_h": 10.0 + n % 5, "value": 50.0, "start_h": 2.0, "end_h": 20.0}
        for n in range(1, 31)
    ]  # fmt: skip
    assert judge(home_with(frequency_hz=coarse), kept=build.frame(SCHEMA, rows)) == []
    (found,) = judge(home_with(frequency_hz=coarse))  # thirty days on which it never stood still for an hour
    assert found.value == pytest.approx(13.75)


def test_days_add_up_and_the_first_is_named():
    whole = held_at(lively(), 0, 24)
    rows = [
        {"site_id": "roof-1", "device_id": "", "channel": "load_w", "day": DAY - timedelta(days=n), "run_h": hours,
         "value": float(whole[0]), "start_h": 24 - hours, "end_h": 24.0}
        for n, hours in ((1, 24.0), (2, 24.0), (3, 9.0))
    ]  # fmt: skip
    (found,) = judge(home_with(load_w=whole), kept=build.frame(SCHEMA, rows))
    assert found.value == 24 + 24 + 24 + 9
    assert found.since == DAY - timedelta(days=3)


def test_the_device_is_named():
    rows = pl.concat(
        [devices(home_with(), device_id="A"), devices(home_with(load_w=held_at(lively(), 9, 17)), device_id="B")]
    )
    (found,) = detect(rows, build.days({}), NONE_EARLIER, build.sites(), DAY)
    assert found.evidence["device_name"] == "B"


def test_the_same_at_five_and_sixty_minutes():
    load = np.repeat(held_at(lively(), 9, 17), 3)
    (found,) = judge({"pv_w": np.repeat(sunny(), 3), "load_w": load}, step_s=300)
    assert found.value == pytest.approx(8.0)
    hourly = {name: values.reshape(24, 4).mean(axis=1) for name, values in home_with().items()}
    assert judge(hourly, step_s=3600) == []
    hourly["load_w"][9:17] = hourly["load_w"][9]
    (found,) = judge(hourly, step_s=3600)
    assert found.value == 8.0


def test_gaps_neither_hide_nor_make_a_run():
    load = held_at(lively(), 9, 17)
    load[40:44] = np.nan
    rows = devices(home_with(load_w=load)).with_columns(pl.col("load_w").fill_nan(None))
    (found,) = detect(rows, build.days({}), NONE_EARLIER, build.sites(), DAY)
    assert found.value == 7.0


def test_too_little_is_not_judged():
    (verdict,) = judge({name: values[:16] for name, values in home_with().items()})
    assert isinstance(verdict, NotJudged)
    assert "4.0 h" in verdict.reason
    (verdict,) = detect(frames.DEVICE_READINGS.to_frame(), build.days({}), NONE_EARLIER, build.sites(), DAY)
    assert isinstance(verdict, NotJudged)


def test_what_is_noted_is_the_longest_run_per_day():
    rows = pl.concat(
        [
            devices(home_with(load_w=held_at(held_at(lively(), 2, 4), 9, 17)), day=DAY - timedelta(days=n))
            for n in (0, 1)
        ]
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
