"""Segments that were sent again under other stamps, and days that only look alike.

The days are invented; how improbable an agreement is, is arithmetic (see the module's docstring).
"""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors import frames
from detectors.data_quality import readings_implausible
from detectors.data_quality.copies import candidates, copied_values, prints
from detectors.data_quality.flags import good_values, make_flags
from detectors.features import flow_peaks, repeats
from detectors.features.row_prints import WINDOW_DAYS
from detectors.finding import Finding
from tests.support import build

FIRST = date(2025, 6, 9)
STEP_MIN = 5


def _hours(step_min: int = STEP_MIN) -> np.ndarray:
    return np.arange(0, 24, step_min / 60)


def _clear(step_min: int = STEP_MIN, peak_w: float = 8000.0) -> np.ndarray:
    return peak_w * np.clip(np.sin((_hours(step_min) - 6) / 14 * np.pi), 0, None) ** 1.3


def _cloudy(seed: int, step_min: int = STEP_MIN) -> np.ndarray:
    sky = np.random.default_rng(seed).uniform(0.1, 1.0, len(_hours(step_min)))
    return _clear(step_min) * sky


def _house(seed: int, step_min: int = STEP_MIN) -> np.ndarray:
    rng = np.random.default_rng(1000 + seed)
    count = len(_hours(step_min))
    return 300 + 30 * rng.normal(size=count) + np.where(rng.random(count) < 0.1, 2200.0, 0.0)


def _rows(
    *days: dict[str, np.ndarray], resolution_w: float = 1.0, step_min: int = STEP_MIN, first: date = FIRST
) -> pl.DataFrame:
    """DEVICE_READINGS of consecutive days."""
    parts = []
    for nth, channels in enumerate(days):
        rounded = {
            name: [float(v) for v in np.round(of / resolution_w) * resolution_w] for name, of in channels.items()
        }
        parts.append(
            build.readings(rounded, day=first + timedelta(days=nth), timezone="Etc/UTC", interval_s=60 * step_min)
        )
    return pl.concat(parts).select(pl.lit("").alias("device_id"), *frames.READINGS.names())


def _copied(rows: pl.DataFrame) -> pl.DataFrame:
    """FLAGGED_VALUES of all days of the rows, as found when all are summed up, after three days that differed."""
    told = prints(rows)
    return copied_values(rows, candidates(told, pl.concat([_past(FIRST - timedelta(days=3)), told]), WINDOW_DAYS))


def _past(first: date) -> pl.DataFrame:
    """PRINTS of three days that differ."""
    return prints(_rows(*(_home(seed) for seed in (101, 102, 103)), first=first))


def _counts(rows: pl.DataFrame) -> dict[tuple[date, str], int]:
    return {(day, name): count for day, name, count in _copied(rows).group_by("day", "channel").len().iter_rows()}


def _home(seed: int, step_min: int = STEP_MIN) -> dict[str, np.ndarray]:
    pv, load = _cloudy(seed, step_min), _house(seed, step_min)
    return {"pv_w": pv, "load_w": load, "grid_w": load - pv}


def test_a_day_sent_again_the_next_day_is_a_copy_and_its_original_is_not() -> None:
    found = _copied(_rows(_home(1), _home(1), _home(2)))
    assert set(found["day"]) == {FIRST + timedelta(days=1)}
    assert dict(found.group_by("channel").len().iter_rows()) == {"pv_w": 288, "load_w": 288, "grid_w": 288}
    assert set(found["reason"]) == {"an exact copy of readings stamped 2025-06-09"}


@pytest.mark.parametrize(("step_min", "shift"), [(5, 0), (5, 3), (5, 7), (15, 0), (15, 7)])
def test_some_hours_under_stamps_of_another_time_are_found_to_the_row(step_min: int, shift: int) -> None:
    """Twelve hours of one day are put into a day three days on, some rows later."""
    days = [_home(seed, step_min) for seed in range(1, 6)]
    per_hour = 60 // step_min
    first, last = 6 * per_hour, 18 * per_hour
    for name, values in days[4].items():
        values[first + shift : last + shift] = days[1][name][first:last]
    found = _copied(_rows(*days, step_min=step_min))
    assert set(found["day"]) == {FIRST + timedelta(days=4)}
    places = sorted({stamp.hour * per_hour + stamp.minute // step_min for stamp in found["ts_utc"]})
    assert places == list(range(first + shift, last + shift))


def test_a_morning_sent_again_in_the_afternoon_of_the_same_day() -> None:
    home = _home(1)
    home = {name: np.concatenate([values[:144], values[:144]]) for name, values in home.items()}
    found = _copied(_rows(home))
    assert {stamp.hour for stamp in found["ts_utc"]} == set(range(12, 24))


def test_a_copy_of_a_copy_is_one_too() -> None:
    assert set(_counts(_rows(_home(1), _home(1), _home(1)))) == {
        (FIRST + timedelta(days=n), name) for n in (1, 2) for name in ("pv_w", "load_w", "grid_w")
    }


def test_one_value_that_differs_ends_the_segment() -> None:
    other = {name: values.copy() for name, values in _home(1).items()}
    other["load_w"][144] += 1.0
    found = _copied(_rows(_home(1), other)).filter(pl.col("channel") == "pv_w")
    assert found.height == 287


def test_a_copy_beyond_the_window_is_not_remembered() -> None:
    told = prints(_rows(_home(1)))
    later = told.with_columns(day=pl.col("day").dt.offset_by(f"{WINDOW_DAYS + 1}d"))
    known = pl.concat([told, _past(FIRST + timedelta(days=4))])
    assert candidates(later, known, WINDOW_DAYS).is_empty()
    nearer = told.with_columns(day=pl.col("day").dt.offset_by(f"{WINDOW_DAYS}d"))
    assert candidates(nearer, known, WINDOW_DAYS).height == 1


def test_where_no_days_ever_differed_an_equal_day_is_no_copy() -> None:
    """Made-up exports repeat one day, and so may a load on a plan; a logger that copies had shown other days before."""
    told = prints(_rows(*[_home(1)] * 30))
    assert candidates(told, told, WINDOW_DAYS).is_empty()
    two = prints(_rows(_home(2), _home(3), _home(1), _home(1)))
    assert candidates(two, two, WINDOW_DAYS).height == 1
    assert candidates(two, two.filter(pl.col("day") != FIRST), WINDOW_DAYS).is_empty()


@pytest.mark.parametrize("step_min", [5, 15, 60])
@pytest.mark.parametrize("resolution_w", [1.0, 10.0, 100.0])
def test_clear_days_that_look_alike_are_none(step_min: int, resolution_w: float) -> None:
    """Days without a cloud, which a coarse meter shows as the very same figures for half a week."""
    days = [{"pv_w": _clear(step_min)}] * 4
    assert _counts(_rows(*days, resolution_w=resolution_w, step_min=step_min)) == {}


def test_a_house_on_a_timer_is_none() -> None:
    """An empty house: standby, a pump that runs four times a day, a lamp in the evening, the same every day."""
    load = np.full(288, 62.0)
    for hour in (6, 10, 14, 18):
        load[hour * 12 : hour * 12 + 6] += 740.0
    load[228:270] += 41.0
    home = {"pv_w": _clear(), "load_w": load, "grid_w": load - _clear()}
    assert _counts(_rows(home, home, home)) == {}


def test_days_that_were_planned_by_the_hour_or_made_by_a_formula_are_none() -> None:
    """Made-up exports often repeat one day: a load by the hour, or a short pattern, on a clear day's curve."""
    plan = np.repeat(np.random.default_rng(5).uniform(150, 2500, 24).round(), 288 // 24)
    pattern = 500 + np.resize([-20.0, 10.0, -5.0, 15.0, 5.0, -15.0, 20.0, -10.0], 288)
    for load in (plan, pattern):
        home = {"pv_w": _clear(), "load_w": load, "grid_w": load - _clear()}
        assert _counts(_rows(home, home, home, resolution_w=0.1)) == {}


def test_nights_without_generation_are_none() -> None:
    assert _counts(_rows(*({"pv_w": _cloudy(seed)} for seed in range(5)))) == {}


def test_a_limit_held_for_hours_is_none() -> None:
    """Generation clipped at 3 kW and no load of its own: the same figures day after day, but for the clouds at dawn."""
    days = []
    for seed in range(4):
        pv = np.minimum(_clear(), 3000.0)
        pv[72:90] = _cloudy(seed)[72:90].round()
        days.append({"pv_w": pv, "grid_w": -pv})
    assert _counts(_rows(*days)) == {}


def test_a_meter_of_two_steps_is_none() -> None:
    """A load in steps of a kilowatt, on and off by chance: alike for hours now and then, but it has few heights."""
    rng = np.random.default_rng(3)
    days = [{"load_w": 1000.0 * rng.integers(0, 2, 288)} for _ in range(10)]
    assert _counts(_rows(*days)) == {}


def test_what_is_a_copy_counts_nowhere_and_the_reported_value_stays() -> None:
    rows = _rows(_home(1), _home(1))
    sites = build.sites({"timezone": "Etc/UTC"})
    seen = pl.DataFrame(schema={"site_id": pl.String, "day": pl.Date})
    before = rows.clone()
    flags = make_flags(rows, repeats.make(rows, sites), flow_peaks.SCHEMA.to_frame(), seen, sites, _copied(rows))
    told = flags.filter(pl.col("flag") == "duplicated")
    assert told.select("channel", "readings").sort("channel").rows() == [
        ("grid_w", 288),
        ("load_w", 288),
        ("pv_w", 288),
    ]
    good = good_values(rows, flags)
    assert rows.equals(before)
    by_day = (
        good.group_by(pl.col("ts_local").dt.date()).agg(pl.col("pv_w", "load_w", "grid_w").count()).sort("ts_local")
    )
    assert by_day.select("pv_w", "load_w", "grid_w").rows() == [(288,) * 3, (0,) * 3]
    assert good["is_spoiled"].to_list() == [False] * 288 + [True] * 288


def test_a_coarse_meter_under_clouds_shows_a_copy_too() -> None:
    """Generation in steps of 100 W, nothing else."""
    days = [{"pv_w": _cloudy(seed)} for seed in (1, 2, 1)]
    assert set(_counts(_rows(*days, resolution_w=100.0))) == {(FIRST + timedelta(days=2), "pv_w")}


def test_the_desk_is_told_once_with_the_day_that_was_repeated() -> None:
    rows = _rows(_home(1), _home(1))
    day = FIRST + timedelta(days=1)
    sites = build.sites({"timezone": "Etc/UTC"})
    seen = pl.DataFrame(schema={"site_id": pl.String, "day": pl.Date})
    flags = make_flags(rows, repeats.make(rows, sites), flow_peaks.SCHEMA.to_frame(), seen, sites, _copied(rows))
    today = rows.filter(pl.col("ts_local").dt.date() == day)
    (found,) = readings_implausible.detect(flags, today, sites, day)
    assert isinstance(found, Finding)
    assert (found.value, found.unit, found.severity) == (288.0, "readings", "soon")
    assert "288 of 288 readings are an exact copy of readings stamped 2025-06-09" in found.summary
    first = rows.filter(pl.col("ts_local").dt.date() == FIRST)
    assert readings_implausible.detect(flags, first, sites, FIRST) == []


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000), st.integers(0, 100), st.integers(100, 188), st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(seed: int, first: int, length: int, shuffle: object) -> None:
    days = [_home(seed), _home(seed + 1)]
    for name, values in days[1].items():
        values[first : first + length] = days[0][name][first : first + length]
    rows = _rows(*days)
    order = list(range(rows.height))
    shuffle.shuffle(order)  # type: ignore[attr-defined]
    assert _copied(rows[order]).equals(_copied(rows))
