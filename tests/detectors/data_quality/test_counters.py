"""Counters beside powers: what must be told, and what two healthy meters show (EN 62053, class 2: from memory)."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest

from detectors.data_quality import readings_implausible
from detectors.data_quality.counters import APART_SHARE, apart, counter_days
from detectors.frames import BESIDE, COUNTED_READINGS, DEVICE_READINGS, READING_FLAGS
from detectors.stats.interval_weights import J_PER_KWH
from tests.support import build

DAY = build.DAY
DAYS = 7


def _rows(factor: float, *, step_kwh: float = 0.0, flow: str = "pv", power_w: float = 2000.0, last: int = 0,
          interval_s: int = 900) -> pl.DataFrame:  # fmt: skip
    """COUNTED_READINGS of a week of bright and dull hours; the counter shows `factor` of it, in steps of `step_kwh`."""
    per_day = 86400 // interval_s
    rng = np.random.default_rng(5)
    shape = np.clip(np.sin(np.pi * (np.arange(per_day) / per_day - 0.25) * 2), 0, None)
    power = power_w * np.tile(shape, DAYS) * rng.uniform(0.3, 1.0, per_day * DAYS)
    kwh = np.cumsum(power * interval_s / J_PER_KWH * factor)
    shown = np.floor(kwh / step_kwh) * step_kwh if step_kwh else kwh
    beside = np.diff(shown, prepend=0.0)
    first = DAY - timedelta(days=DAYS - 1 - last)
    readings = build.readings({"pv_w": power}, day=first, interval_s=interval_s)
    nothing = {name: pl.lit(None, pl.Float64) for name in BESIDE}
    names = {"pv": ("pv_w", "pv_beside_kwh"), "load": ("load_w", "load_beside_kwh")}[flow]
    empty = {name: pl.lit(None, pl.Float64) for name in ("pv_w", "load_w", "grid_w", "battery_w")}
    told = {names[0]: pl.Series(power), names[1]: pl.Series(beside)}
    return readings.select(
        **{**nothing, **empty, **told}, site_id="site_id", device_id=pl.lit(""), ts_local="ts_local",
        interval_s="interval_s", counted_s="interval_s",
    ).select(COUNTED_READINGS.names()).cast(COUNTED_READINGS)  # fmt: skip


def _apart(rows: pl.DataFrame):
    return apart(counter_days(rows), DAY)


@pytest.mark.parametrize("factor", [10.0, 2.0, 1.2, 1 / 3, 0.0])
def test_a_counter_that_shows_another_energy_for_days_is_told(factor):
    told = _apart(_rows(factor))["roof-1"]
    assert told.flow == "generation" and told.counted_kwh == pytest.approx(factor * told.power_kwh)
    assert told.days >= 5 and told.since <= DAY - timedelta(days=4)


@pytest.mark.parametrize("factor", [1.0, 1.03, 0.97, 1.1, 0.9])
def test_two_meters_some_per_cent_apart_are_healthy(factor):
    assert _apart(_rows(factor)) == {}
    assert APART_SHARE > 0.1


def test_steps_of_a_whole_kwh_explain_what_they_can():
    """Some 4 kWh a day in steps of 1 kWh: single days are a step off, and that is no disagreement."""
    small = _rows(1.0, step_kwh=1.0, power_w=900.0)
    per_day = counter_days(small)
    share = (per_day["counted_kwh"] / per_day["power_kwh"] - 1).abs()
    assert share.max() > 0.08  # a threshold without the resolution would be near
    assert _apart(small) == {}
    assert _apart(_rows(3.0, step_kwh=1.0, power_w=900.0))


def test_a_few_days_are_not_enough_nor_days_gone_by():
    rows = _rows(2.0)
    day = pl.col("ts_local").dt.date()
    assert _apart(rows.filter(day > DAY - timedelta(days=4))) == {}
    assert apart(counter_days(rows.filter(day < DAY)), DAY) == {}
    one_right = rows.with_columns(
        pv_beside_kwh=pl.when(day == DAY - timedelta(days=2))
        .then(pl.col("pv_beside_kwh") / 2)
        .otherwise("pv_beside_kwh")
    )
    assert _apart(one_right) == {}


def test_gaps_have_no_part_in_it():
    """Only rows with both count, and a difference over a gap is no interval's energy."""
    rows = _rows(1.0)
    hour = pl.col("ts_local").dt.hour()
    holes = rows.with_columns(pv_w=pl.when(hour.is_between(10, 13)).then(None).otherwise("pv_w"))
    assert _apart(holes) == {}
    over_gaps = rows.with_columns(
        pv_beside_kwh=pl.when(hour == 12).then(pl.col("pv_beside_kwh") * 9).otherwise("pv_beside_kwh"),
        counted_s=pl.when(hour == 12).then(pl.col("counted_s") * 9).otherwise("counted_s"),
    )
    assert _apart(over_gaps) == {}


def test_the_grid_is_compared_by_its_net_flow():
    """A house that swings within the interval: 0.3 kWh in and 0.1 kWh out at a mean of 800 W over 15 minutes."""
    rows = _rows(1.0).with_columns(
        pv_w=None, pv_beside_kwh=None, grid_w=pl.lit(800.0), import_beside_kwh=pl.lit(0.3),
        feed_in_beside_kwh=pl.lit(0.1),
    ).cast(COUNTED_READINGS)  # fmt: skip
    assert _apart(rows) == {}
    swapped = rows.with_columns(import_beside_kwh="feed_in_beside_kwh", feed_in_beside_kwh="import_beside_kwh")
    assert _apart(swapped)["roof-1"].flow == "grid"


def test_both_figures_stand_in_the_finding():
    rows = DEVICE_READINGS.to_frame()
    (found,) = readings_implausible.detect(
        READING_FLAGS.to_frame(), rows, build.sites(), DAY, None, counter_days(_rows(2.0))
    )
    counted, power = (float(str(found.evidence[name])) for name in ("counted_kwh", "power_kwh"))
    assert counted == pytest.approx(2 * power)
    assert f"{counted:.1f} kWh by the counter, {power:.1f} kWh by the power" in found.summary
    assert found.kind == "readings-implausible" and found.value > 0
