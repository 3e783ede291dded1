"""First and last light against the power that was put in: a ramp whose beginning and end are known."""

from datetime import date, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.clock.light import LIGHT, light_onsets
from tests.support.clock_roofs import PLACES, Roof, constant, fleet, readings, register

DAY = date(2025, 4, 10)


def ramp_day(
    first_min: float,
    last_min: float,
    interval_min: int,
    *,
    shift_min: float = 0.0,
    instant: bool = False,
    drop: tuple[float, float] | None = None,
    night_w: float = 0.0,
    zeros: bool = True,
) -> pl.DataFrame:
    """A day in UTC whose power rises in a straight line from first light to noon and falls to last light."""
    fine = np.arange(0, 1440) + 0.5
    noon = (first_min + last_min) / 2
    true = np.clip(np.minimum((fine - first_min) / (noon - first_min), (last_min - fine) / (last_min - noon)), 0, 1)
    power = 4000.0 * np.roll(true, round(shift_min)) + night_w
    starts = np.arange(0, 1440, interval_min)
    values = power[starts] if instant else power.reshape(-1, interval_min).mean(axis=1)
    frame = pl.DataFrame(
        {
            "site_id": "a",
            "device_id": "",
            "ts_utc": [datetime(DAY.year, DAY.month, DAY.day) + timedelta(minutes=int(m)) for m in starts],  # noqa: DTZ001
            "interval_s": interval_min * 60,
            "is_instant": instant,
            "pv_w": values,
        }
    ).with_columns(ts_local=pl.col("ts_utc"), ts_utc=pl.col("ts_utc").dt.replace_time_zone("UTC"))
    if drop is not None:
        frame = frame.filter(~pl.Series((starts >= drop[0]) & (starts < drop[1])))
    return frame if zeros else frame.filter(pl.col("pv_w") > 0)


SITES = register([Roof("a", latitude=51.0, longitude=0.0, timezone="UTC")])


@pytest.mark.parametrize(("interval", "tolerance"), [(1, 4), (5, 5), (15, 6), (30, 8), (60, 21)])
@pytest.mark.parametrize("first", [360.0, 371.0, 389.0])
def test_onset_and_end_lie_at_first_and_last_light(interval: int, tolerance: float, first: float) -> None:
    """0.5 % of the peak is reached 2 min after first light on this ramp; the rest is the interval's resolution."""
    onsets = light_onsets(ramp_day(first, 1100.0, interval), SITES).row(0, named=True)
    assert onsets["first_light_min"] == pytest.approx(first, abs=tolerance)
    assert onsets["last_light_min"] == pytest.approx(1100.0, abs=tolerance)
    assert first <= onsets["first_end_min"] <= first + 2 * interval + 3
    assert 1100 - 2 * interval - 3 <= onsets["last_start_min"] <= 1100


@pytest.mark.parametrize("shift", [0, 60, -300, -480, 700])
def test_midnight_does_not_cut_the_day(shift: int) -> None:
    """The same day with its clock off by up to twelve hours: the onsets move with it, whole days aside."""
    right = light_onsets(ramp_day(365.0, 1105.0, 15), SITES).row(0, named=True)
    wrong = light_onsets(ramp_day(365.0, 1105.0, 15, shift_min=shift), SITES).row(0, named=True)
    for name in ("first_light_min", "last_light_min"):
        move = (wrong[name] - right[name] - shift + 720) % 1440 - 720
        assert abs(move) < 8.0  # a shift that is no multiple of the interval moves the light within its interval
    assert wrong["last_light_min"] - wrong["first_light_min"] == pytest.approx(740, abs=10)


def test_instants_are_read_where_they_are() -> None:
    onsets = light_onsets(ramp_day(366.0, 1104.0, 15, instant=True), SITES).row(0, named=True)
    assert onsets["first_light_min"] == pytest.approx(366, abs=8)
    assert onsets["last_light_min"] == pytest.approx(1104, abs=8)


def test_a_night_level_is_taken_off() -> None:
    onsets = light_onsets(ramp_day(366.0, 1104.0, 15, night_w=15.0), SITES).row(0, named=True)
    assert onsets["night_w"] == pytest.approx(15.0)
    assert onsets["first_light_min"] == pytest.approx(366, abs=6)


def test_a_logger_that_leaves_the_night_out_and_one_that_failed_in_the_morning() -> None:
    asleep = light_onsets(ramp_day(366.0, 1104.0, 15, zeros=False), SITES).row(0, named=True)
    assert asleep["first_light_min"] == pytest.approx(366, abs=6)
    failed = light_onsets(ramp_day(366.0, 1104.0, 15, drop=(300, 540)), SITES).row(0, named=True)
    assert failed["first_light_min"] is None  # generation was not seen to begin
    assert failed["last_light_min"] == pytest.approx(1104, abs=6)


def test_a_spark_at_night_is_no_light() -> None:
    day = ramp_day(366.0, 1104.0, 15).with_columns(
        pv_w=pl.when(pl.col("ts_local").dt.hour() == 2).then(pl.lit(300.0)).otherwise("pv_w")
    )
    assert light_onsets(day, SITES)["first_light_min"][0] == pytest.approx(366, abs=6)


def test_dark_days_and_no_days() -> None:
    dark = ramp_day(366.0, 1104.0, 15).with_columns(pv_w=pl.lit(0.0))
    row = light_onsets(dark, SITES).row(0, named=True)
    assert (row["readings"], row["lit_readings"], row["first_light_min"]) == (96, 0, None)
    unknown = dark.with_columns(pv_w=pl.lit(None, dtype=pl.Float64))
    for empty in (dark.clear(), unknown):
        assert light_onsets(empty, SITES).schema == LIGHT
        assert light_onsets(empty, SITES).is_empty()


def test_day_by_day_and_all_at_once_give_the_same_rows() -> None:
    roofs = fleet(len(PLACES), "open", 4)
    days = pl.concat([readings(roof, DAY, 4, 15, constant(-480.0)) for roof in roofs])
    sites = register(roofs)
    whole = light_onsets(days.sample(fraction=1.0, shuffle=True, seed=1), sites)
    parts = [
        light_onsets(days.filter(pl.col("ts_local").dt.date() == DAY + timedelta(days=i)), sites) for i in range(4)
    ]
    keys = ["site_id", "device_id", "day"]
    assert whole.sort(keys).equals(pl.concat(parts).sort(keys))
    assert whole.select(keys).is_unique().all() and len(whole) == 4 * len(roofs)
