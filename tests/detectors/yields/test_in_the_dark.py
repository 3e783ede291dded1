"""Days that were generated in the dark tell nothing of the roof."""

import numpy as np
import polars as pl
import pytest

from detectors.yields import in_the_dark
from detectors.yields.fleet_day import Fleet
from tests.support import yield_fleet

FROM = 14  # number of the first moved day


@pytest.fixture(scope="module")
def roofs() -> yield_fleet.Roofs:
    return yield_fleet.make(8102, {name: {} for name in ("a", "b", "c", "d")}, {}, days=20)


def _moved(roofs: yield_fleet.Roofs, hours: int) -> yield_fleet.Roofs:
    """The same, with the stamps of "a" moved from the day FROM on."""
    every = pl.concat([roofs.readings[roofs.day(n)] for n in range(roofs.days)])
    is_moved = (pl.col("site_id") == "a") & (pl.col("ts_local").dt.date() >= roofs.day(FROM))
    by = pl.when(is_moved).then(pl.duration(hours=hours)).otherwise(pl.duration(hours=0))
    every = every.with_columns(pl.col("ts_utc") + by, pl.col("ts_local") + by).sort("site_id", "ts_utc")
    days = every.with_columns(day=pl.col("ts_local").dt.date()).partition_by("day", as_dict=True, include_key=False)
    readings = {roofs.day(n): days[(roofs.day(n),)] for n in range(roofs.days)}
    return yield_fleet.Roofs(roofs.sites, roofs.planes, readings, roofs.faults, roofs.first, roofs.days)


@pytest.fixture(scope="module")
def fleet(roofs) -> Fleet:
    return yield_fleet.live_nights(roofs).objects["yield_night"].fleet


@pytest.mark.parametrize(("hours", "is_dark"), [(-8, True), (9, True), (0, False), (1, False)])
def test_a_day_moved_by_hours_is_dark_and_one_moved_by_an_hour_is_not(fleet, hours: int, is_dark: bool) -> None:
    """At 47 degrees in April a clock that is an hour off puts little light before the end of twilight."""
    power = np.array(fleet.usable["pv_w"].to_list(), dtype=float)
    power[0] = np.roll(power[0], 4 * hours)
    moved = fleet.usable.with_columns(pv_w=pl.Series(power.tolist(), dtype=pl.List(pl.Float64)))
    assert set(in_the_dark.of_day(fleet._replace(usable=moved))) == ({"a"} if is_dark else set())


def test_a_meters_offset_at_night_is_no_light(fleet) -> None:
    offset = fleet.usable.with_columns(pv_w=pl.lit([2.0] * 96, pl.List(pl.Float64)))
    assert in_the_dark.of_day(fleet._replace(usable=offset)) == {}


@pytest.mark.slow
def test_a_roof_whose_clock_is_hours_off_has_not_lost_its_power(roofs) -> None:
    """Six such days, which no clock's detector was asked about."""
    lived = yield_fleet.live_nights(_moved(roofs, -8))
    assert not lived.opened()
    since = lived.rows["yield_residual"].filter(pl.col("site_id") == "a", pl.col("day") > roofs.day(FROM))
    assert since.height == roofs.days - FROM - 1 and since["x"].null_count() == since.height
