"""Which values are good. Faults are put into days that were made healthy, so what is wrong is known.

The checks are those of IEC 61724-1 (values missing, out of range, dead, changing abruptly); the series are invented.
"""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors import frames
from detectors.data_quality.flags import good_values, make_flags
from detectors.features import flow_peaks, repeats
from detectors.frames import NOT_GOOD
from tests.support import build

STEPS = 288
HOURS = np.arange(STEPS) / 12
PEAK_W = 8000.0
IMPOSSIBLE_W = (655_350.0, -40_000.0, 150_000.0, 2e9)
SITE = {"installed_kwp": 10.0, "inverter_kw": 10.0}


def _sun(peak_w: float = PEAK_W) -> np.ndarray:
    return np.round(peak_w * np.clip(np.sin((HOURS - 6) / 14 * np.pi), 0, None) ** 1.3, 1)


def _load(seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    kettle = np.where(rng.random(STEPS) < 0.05, 2200.0, 0.0)
    return np.round(300 * (1 + 0.1 * rng.normal(size=STEPS)) + kettle, 1)


def _home(seed: int = 1, peak_w: float = PEAK_W) -> dict[str, np.ndarray]:
    pv, load = _sun(peak_w), _load(seed)
    return {"pv_w": pv, "load_w": load, "grid_w": load - pv}


def _rows(channels: dict[str, np.ndarray]) -> pl.DataFrame:
    rows = build.readings({name: [None if np.isnan(v) else float(v) for v in values]
                           for name, values in channels.items()})  # fmt: skip
    return rows.select(pl.lit("").alias("device_id"), *frames.READINGS.names())


def _flags(rows: pl.DataFrame, peaks: pl.DataFrame | None = None, **site: object) -> pl.DataFrame:
    sites = build.sites({**SITE, **site})
    nothing_seen = pl.DataFrame(schema={"site_id": pl.String, "day": pl.Date})
    past = flow_peaks.SCHEMA.to_frame() if peaks is None else peaks
    return make_flags(rows, repeats.make(rows, sites), past, nothing_seen, sites)


def _bad(flags: pl.DataFrame) -> list[tuple[str, str, int]]:
    bad = flags.filter(pl.col("flag").is_in(NOT_GOOD))
    return sorted(bad.select("channel", "flag", "readings").iter_rows())


def test_a_healthy_day_is_all_good() -> None:
    assert _bad(_flags(_rows(_home()))) == []


def test_a_kettle_is_no_spike_and_a_value_that_no_other_meter_shows_is() -> None:
    home = _home()
    home["load_w"][100] += 3000.0
    home["grid_w"][100] += 3000.0
    assert _bad(_flags(_rows(home))) == []
    home["pv_w"][150] *= 1.5  # 4 kW more, less than its peak; neither grid nor load knows of it
    assert _bad(_flags(_rows(home))) == [("pv_w", "implausible", 1)]


def test_a_load_that_is_read_less_often_does_not_speak_against_the_grid() -> None:
    home = _home()
    home["load_w"] = np.repeat(home["load_w"][::3], 3)  # every quarter of an hour
    home["grid_w"] = home["load_w"] - home["pv_w"]
    home["grid_w"][100] += 3000.0  # the kettle that the load meter's instant missed
    assert _bad(_flags(_rows(home))) == []


def test_a_lone_value_at_the_ends_of_the_day_is_held_against_the_two_inside() -> None:
    home = _home()
    for place in (0, STEPS - 1):
        home["grid_w"][place] += 5000.0
    assert [row[:2] for row in _bad(_flags(_rows(home)))] == [("grid_w", "implausible")] * 2


def test_a_level_cannot_leave_and_come_back_within_five_minutes() -> None:
    level = np.full(STEPS, 60.0) + np.round(5 * np.sin(HOURS))
    level[100] = 0.0
    flags = _flags(_rows({**_home(), "soc_pct": level}), battery_kwh=10.0)
    assert ("soc_pct", "implausible", 1) in _bad(flags)
    level[100] = level[99] - 5  # 10 kWh at 6 kW: 5 % in five minutes
    assert _bad(_flags(_rows({**_home(), "soc_pct": level}), battery_kwh=10.0)) == []


def test_the_digits_of_an_empty_register_are_a_placeholder() -> None:
    home = _home()
    home["pv_w"][[20, 50, 51]] = 655_350.0
    assert _bad(_flags(_rows(home))) == [("pv_w", "placeholder", 1), ("pv_w", "placeholder", 2)]


def test_a_capacity_that_the_day_itself_contradicts_flags_nothing_bad() -> None:
    """A roof of 10 kWp registered as 5 kWp passes 1.3 x 5 kW for hours in a row; lone spikes are flagged."""
    home = _home(peak_w=9000.0)
    assert _bad(_flags(_rows(home), installed_kwp=5.0, inverter_kw=None)) == []
    told = _flags(_rows(home), installed_kwp=5.0, inverter_kw=None)
    assert set(told["flag"]) == {"beyond rating"}
    home = _home()
    home["pv_w"][::40] = 9.0 * 1300 * 10
    assert sum(row[2] for row in _bad(_flags(_rows(home)))) == len(range(0, STEPS, 40))


def _peaks(*peaks_w: float) -> pl.DataFrame:
    """The peaks of generation of the days before."""
    return build.frame(
        flow_peaks.SCHEMA,
        [{"site_id": "roof-1", "day": build.DAY - timedelta(days=n), "pv_peak_w": w} for n, w in enumerate(peaks_w, 1)],
    )


def test_a_rating_that_the_days_before_contradict_is_told_no_more() -> None:
    """10 kW of a roof registered as 5 kWp, whose cap is 6.5 kW: on the fourth such day nothing is flagged."""
    rows = _rows(_home(peak_w=8000.0))
    registered = {"installed_kwp": 5.0, "inverter_kw": 5.0}
    for past, is_flagged in ((_peaks(7900.0, 7800.0), True), (_peaks(7900.0, 7800.0, 7700.0), False)):
        assert ("beyond rating" in _flags(rows, past, **registered)["flag"].to_list()) is is_flagged
    lone = _home(peak_w=6000.0)
    lone["pv_w"][150:152] = 7500.0  # beyond the modules' cap for a moment: a cloud's edge at a roof of more than 5 kWp
    by_inverter = {"installed_kwp": 5.0, "inverter_kw": 10.0}
    assert _bad(_flags(_rows(lone), _peaks(4000.0), **by_inverter)) == [("pv_w", "implausible", 2)]
    assert _bad(_flags(_rows(lone), _peaks(7900.0), **by_inverter)) == []  # its first day showed as much for an hour
    full = _peaks(5900.0, 6000.0, 5800.0)  # more than 5 kWp for an hour on three days, if less than the cap of 6.5 kW
    assert _bad(_flags(_rows(lone), full, **by_inverter)) == []
    assert _bad(_flags(_rows(lone), _peaks(5900.0, 6000.0, 4800.0), **by_inverter)) == [("pv_w", "implausible", 2)]
    spiked = _home(peak_w=8000.0)
    spiked["pv_w"][150] = 30_000.0  # beyond 1.3 x the highest of these days
    assert ("pv_w", "implausible", 1) in _bad(_flags(_rows(spiked), _peaks(7900.0, 7800.0, 7700.0), **registered))


def test_a_wrong_unit_on_every_day_contradicts_no_rating() -> None:
    rows = _rows({**_home(), "pv_w": _sun() * 1000})
    assert "implausible" in _flags(rows, _peaks(8e6, 8e6, 8e6))["flag"].to_list()


def test_days_of_spikes_do_not_become_a_habit() -> None:
    """One row in twenty spiked on each of ten days: what is too high on the eleventh is flagged as on the first."""
    rng = np.random.default_rng(7)
    days = []
    for back in range(10, -1, -1):
        home = {name: values.copy() for name, values in _home(back).items()}
        wrong = {"pv_w": 90_000.0, "load_w": 150_000.0, "grid_w": 655_350.0}
        for name, value in wrong.items():
            home[name][rng.random(STEPS) < 0.05] = value
        given = {name: [float(v) for v in values] for name, values in home.items()}
        days.append(build.readings(given, day=build.DAY - timedelta(days=back)))
    peaks = flow_peaks.make(pl.concat(days[:-1]), build.sites(SITE))
    last = days[-1].select(pl.lit("").alias("device_id"), *frames.READINGS.names())
    good = good_values(last, _flags(last, peaks))
    for name, value in wrong.items():
        assert (good[name] != value).all(), name
        assert good[name].null_count() == (last[name] == value).sum()


def test_where_the_sum_does_not_close_it_bears_nothing_out() -> None:
    """A grid sensor turned round at a site whose load is worked out from it, and cut at nothing."""
    home = _home()
    grid = -home["grid_w"]
    load = np.clip(home["pv_w"] + grid, 0, None)
    grid[10], load[10] = -3000.0, 0.0  # a real import: the sum is cut at nothing
    assert _bad(_flags(_rows({"pv_w": home["pv_w"], "grid_w": grid, "load_w": load}))) == []


def test_a_wrong_unit_leaves_nothing_of_its_day() -> None:
    home = _home()
    home["pv_w"] *= 1000
    flags = _flags(_rows(home))
    good = good_values(_rows(home), flags)
    assert good.filter(pl.col("pv_w") != 0)["pv_w"].count() == 0
    assert good["load_w"].null_count() == 0


def test_what_stands_still_is_frozen_and_the_rest_of_the_day_is_good() -> None:
    home = _home()
    home["load_w"][108:204] = home["load_w"][108]  # eight hours
    assert _bad(_flags(_rows(home))) == [("load_w", "frozen", 96)]


def test_clipping_is_to_be_known_and_stays() -> None:
    home = _home(peak_w=12_000.0)
    home["pv_w"] = np.minimum(home["pv_w"], 10_000.0)
    flags = _flags(_rows(home), installed_kwp=12.0)
    assert set(flags["flag"]) == {"clipped"}
    assert good_values(_rows(home), flags)["pv_w"].to_list() == _rows(home)["pv_w"].to_list()


@settings(max_examples=15, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, STEPS - 1), st.sampled_from(IMPOSSIBLE_W)), max_size=25),
    st.randoms(use_true_random=False),
)
def test_flags_null_values_and_change_none(faults: list[tuple[int, float]], shuffle: object) -> None:
    """Whatever is put in: a good value is the one reported, and rows in any order give the same flags."""
    home = _home()
    for place, value in faults:
        home["pv_w"][place] = value
    rows = _rows(home)
    before = rows.clone()
    flags = _flags(rows)
    good = good_values(rows, flags)
    assert rows.equals(before)
    for name in ("pv_w", "load_w", "grid_w"):
        both = rows.select(name).with_columns(good[name].alias("good")).drop_nulls("good")
        assert (both[name] == both["good"]).all()
    wrong = {place for place, _ in faults}
    assert set(good.with_row_index().filter(pl.col("pv_w").is_null())["index"]) == wrong
    order = list(range(STEPS))
    shuffle.shuffle(order)  # type: ignore[attr-defined]
    assert _flags(rows[order]).equals(flags)
    assert (good["pv_w"].max() or 0.0) <= 1.3 * 10_000  # energies cannot pass the rating


@pytest.mark.parametrize("channel", ["pv_w", "grid_w"])
def test_counted_energy_goes_with_its_power(channel: str) -> None:
    home = _home()
    home[channel][10] = 655_350.0
    rows = _rows(home).with_columns(pv_counted_kwh=pl.lit(0.1), import_counted_kwh=pl.lit(0.2))
    good = good_values(rows, _flags(rows))
    gone = {"pv_w": "pv_counted_kwh", "grid_w": "import_counted_kwh"}[channel]
    assert good[gone].null_count() == 1
    assert good["is_spoiled"].sum() == 1
