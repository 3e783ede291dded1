"""Every form of export is read back by the pipeline to what the loggers measured."""

from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from tests.benches.living import readings_of
from tests.simulation.fleet import Fleet, make_fleet
from tests.simulation.forms import COUNTERS
from tests.simulation.workspace import counters, first_midnight_s

DAYS = 4
AROUND_CHANGES = (date(2026, 3, 27), date(2026, 10, 23))  # clocks change on the third day in Europe

pytestmark = pytest.mark.slow  # a fleet of many kinds of sites, as the benches draw them


@pytest.fixture(scope="module", params=AROUND_CHANGES, ids=str)
def fleet(request: pytest.FixtureRequest) -> Fleet:
    return make_fleet(93, sites=45, days=DAYS, first=request.param, kinds=["time-zone-wrong", "battery-below-reserve"])


@pytest.fixture(scope="module")
def readings(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    root: Path = tmp_path_factory.mktemp("fleet") / "workspace"
    taken = readings_of(fleet, root)
    assert taken.problems == []
    return taken.rows


def expected(fleet: Fleet, number: int) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Stamps in seconds since 1970 and channels of a site that delivers everything in one form."""
    samples = fleet.samples[fleet.sites[number].site_id]
    return samples.stamp_s, samples.channels


def test_every_form_is_in_use(fleet: Fleet):
    assert {fleet.forms[site.profile].name for site in fleet.sites} == {form.name for form in fleet.forms}


def test_rows_come_back_at_their_instants_with_their_values(fleet: Fleet, readings: pl.DataFrame):
    checked = set()
    for number, site in enumerate(fleet.sites):
        form = fleet.forms[site.profile]
        if site.site_id in fleet.event_day or site.devices > 1 or form.counter:
            continue
        stamps, channels = expected(fleet, number)
        mine = readings.filter(pl.col("site_id") == site.site_id).sort("ts_utc")
        found = mine["ts_utc"].dt.epoch("s").to_numpy()
        inside = fleet.samples[site.site_id].wall_s >= first_midnight_s(fleet)
        assert np.array_equal(found, np.round(stamps[inside])), (site.site_id, form.name)
        for name, values in channels.items():
            back = mine[name].fill_null(np.nan).to_numpy().astype(float)
            known = ~np.isnan(back)
            assert known.mean() > 0.99, (form.name, name)
            most = 0.11 if form.load_parts > 1 and name == "load_w" else 0.051
            assert np.abs(back - values[inside])[known].max() <= most, (form.name, name)
        checked.add(form.name)
    assert checked >= {form.name for form in fleet.forms if not form.counter}


def test_counters_rise_and_give_back_the_energy(fleet: Fleet, readings: pl.DataFrame):
    rng = np.random.default_rng(1)
    seen = set()
    for site in fleet.sites:
        form = fleet.forms[site.profile]
        if not form.counter or site.site_id in fleet.event_day:
            continue
        samples = fleet.samples[site.site_id]
        made = counters(form, samples, rng)
        days = np.floor((samples.wall_s + 1) / 86_400)
        for name in COUNTERS:
            rises = np.diff(made[name])
            falls = rises < -1e-9
            assert not falls.any() if form.counter == "lifetime" else (np.diff(days)[falls] > 0).all()
        energy = readings.filter(pl.col("site_id") == site.site_id)["pv_counted_kwh"].sum()
        total = np.clip(samples.channels["pv_w"], 0, None).sum() * samples.seconds / 3600 / 1000
        assert energy == pytest.approx(total, rel=0.03, abs=0.3)
        seen.add(form.counter)
    assert seen == {"lifetime", "daily"}


def test_two_inverters_are_one_site_whose_power_is_their_sum(fleet: Fleet, readings: pl.DataFrame):
    several = [site for site in fleet.sites if site.devices == 2 and site.site_id not in fleet.event_day]
    assert several
    for site in several:
        mine = (
            readings.filter(pl.col("site_id") == site.site_id)
            .group_by("ts_utc")
            .agg(pl.col("pv_w").sum())
            .sort("ts_utc")
        )
        assert mine["pv_w"].to_numpy() == pytest.approx(fleet.samples[site.site_id].channels["pv_w"], abs=0.2)
