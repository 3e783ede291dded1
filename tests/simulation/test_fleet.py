"""What must hold of a simulated fleet: books that close, limits that hold, the same from the same seed."""

from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.yields.fleet_day import WITHIN_KM
from detectors.yields.neighbours import nearest
from tests.simulation.consequences import LOSING, hide
from tests.simulation.faults import FORMS, KINDS, Fault
from tests.simulation.fleet import Fleet, make_fleet
from tests.simulation.lookalikes import LOOK_ALIKES
from tests.simulation.places import draw_spots

AROUND_CHANGE = date(2026, 3, 10)

pytestmark = pytest.mark.slow  # a fleet of many kinds of sites, as the benches draw them


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return make_fleet(2611, sites=70, days=30, first=AROUND_CHANGE)


def test_a_site_alone_has_no_neighbour():
    for seed in range(40):
        _, spots = draw_spots(60, "both", np.random.default_rng(seed))
        told = {"latitude": [one.latitude for one in spots], "longitude": [one.longitude for one in spots]}
        near = nearest(
            pl.DataFrame({"site_id": [str(at) for at in range(60)], **told}), max_count=1, within_km=WITHIN_KM
        )
        has_neighbour = (near.place[:, 0] >= 0).tolist()
        assert has_neighbour == [not one.is_alone for one in spots]


def test_generation_battery_and_grid_make_the_load(fleet: Fleet):
    for truth in fleet.truth.values():
        for one in (truth, truth.healthy or truth):
            assert np.abs(one.pv_w + one.battery_w + one.grid_w - one.load_w).max() < 1e-6
            assert one.pv_w.min() >= 0
            assert one.load_w.min() >= 0


def test_no_roof_makes_more_than_its_inverter_or_works_by_night(fleet: Fleet):
    for site in fleet.sites:
        truth = fleet.truth[site.site_id]
        assert truth.pv_w.max() <= site.roof.inverter_kw * 1000 + 1e-6
        assert truth.pv_w[truth.ghi < 0.01].max(initial=0.0) == 0.0
        assert 0.15 < truth.could_w.max() / 1000 / site.roof.kwp < 1.25


def test_a_healthy_site_that_may_not_feed_in_does_so_in_transients_alone(fleet: Fleet):
    """Some tens of Wh a day while the control follows the house (from memory: regulators settle within 20 s)."""
    seen = 0
    for site in fleet.sites:
        truth = fleet.truth[site.site_id].healthy or fleet.truth[site.site_id]
        if site.feed_in_limit_kw is None or site.role == "export limit changed in the register":
            continue
        limit_w = site.feed_in_limit_kw * 1000
        over_w = np.clip(-truth.grid_w - limit_w, 0, None)
        assert over_w.sum() * truth.axis.step_s / 3.6e6 / fleet.days < 0.15
        assert (over_w > 50).mean() < 0.05  # a workshop whose loads come and go keeps its regulator busy
        seen += 1
    assert seen > 15


def test_batteries_stay_between_their_levels(fleet: Fleet):
    for site in fleet.sites:
        if site.battery is None or site.role == "grid outage with backup":
            continue
        truth = fleet.truth[site.site_id].healthy or fleet.truth[site.site_id]
        assert truth.level_pct.max() <= 100
        assert truth.level_pct.min() > site.battery.reserve_pct - 4
        discharging = truth.battery_w > 150
        assert (truth.level_pct[discharging] >= site.battery.reserve_pct - 0.6).all()


def test_a_battery_gives_less_than_it_took(fleet: Fleet):
    for site in fleet.sites:
        truth = fleet.truth[site.site_id]
        if site.battery is None:
            assert not truth.battery_w.any()
            continue
        hours = truth.axis.step_s / 3600 / 1000
        taken, given = np.clip(-truth.battery_w, 0, None).sum() * hours, np.clip(truth.battery_w, 0, None).sum() * hours
        assert given <= taken + site.battery.kwh + 1e-6


def test_the_seed_alone_makes_the_fleet():
    one, again, other = (make_fleet(seed, sites=6, days=5) for seed in (5, 5, 6))
    for site in one.sites:
        for name, values in one.samples[site.site_id].channels.items():
            assert np.array_equal(values, again.samples[site.site_id].channels[name], equal_nan=True)
    assert [s.roof for s in one.sites] != [s.roof for s in other.sites]


def test_specific_yields_are_those_of_real_roofs():
    """Measured: some 1,270 kWh/kWp a year on the Swiss plateau, 1,820 in Almeria: 2.5 to 7 kWh a day in June."""
    fleet = make_fleet(31, sites=30, days=20, first=date(2026, 6, 5), hemisphere="north")
    daily = []
    for site in fleet.sites:
        truth = fleet.truth[site.site_id]
        daily.append(truth.could_w.sum() * truth.axis.step_s / 3.6e6 / site.roof.kwp / (fleet.days + 2))
    assert 3.5 < np.median(daily) < 6.0
    assert min(daily) > 1.5
    assert max(daily) < 7.5


def test_neighbours_see_alike_weather_and_far_sites_do_not():
    """Daily clearness of roofs 15 km apart correlates; regions are drawn on their own."""
    fleet = make_fleet(32, sites=40, days=40, first=date(2026, 4, 1))
    daily = {}
    for site in fleet.sites:
        truth = fleet.truth[site.site_id]
        inside = truth.axis.local_day(site.zone)
        daily[site.site_id] = np.bincount(inside[(inside >= 0) & (inside < 40)],
                                          truth.ghi[(inside >= 0) & (inside < 40)], 40)  # fmt: skip
    near, far = [], []
    for n, one in enumerate(fleet.sites):
        for other in fleet.sites[n + 1 :]:
            pair = np.corrcoef(daily[one.site_id], daily[other.site_id])[0, 1]
            (near if one.region == other.region else far).append(pair)
    assert np.median(near) > 0.9
    assert abs(np.median(far)) < 0.5


def test_every_kind_and_at_least_thirty_look_alikes_can_be_drawn():
    assert len(KINDS) == 24
    assert len(LOOK_ALIKES) >= 30
    fleet = make_fleet(77, sites=160, days=21, first=AROUND_CHANGE)
    assert {fault.kind for fault in fleet.faults} == set(KINDS)
    roles = {site.role for site in fleet.sites}
    assert len(roles & set(LOOK_ALIKES)) >= 30
    assert {"clean", "fault"} <= roles


def test_look_alikes_have_no_fault(fleet: Fleet):
    for site in fleet.sites:
        if site.role != "fault":
            assert fleet.faults_of(site.site_id) == []
            assert fleet.truth[site.site_id].healthy is None
            assert float(site.told["installed_kwp"]) == pytest.approx(site.roof.kwp, abs=0.01)


def test_only_sites_with_faults_differ_from_their_healthy_selves(fleet: Fleet):
    for fault in fleet.faults:
        truth = fleet.truth[fault.site_id]
        assert truth.healthy is not None
        before = truth.axis.mid_s < min(f.begin_s for f in fleet.faults_of(fault.site_id))
        assert np.allclose(truth.pv_w[before], truth.healthy.pv_w[before])
        assert np.allclose(truth.level_pct[before], truth.healthy.level_pct[before])


def test_losses_are_counted_where_a_kind_loses_energy(fleet: Fleet):
    for fault in fleet.faults:
        if fault.kind in LOSING:
            assert fault.loss_kwh >= 0
            if fault.is_visible and fault.kind in ("underperformance", "no-generation", "string-loss"):
                assert fault.loss_kwh > 0
        else:
            assert np.isnan(fault.loss_kwh)


def test_every_family_is_named():
    assert {form.family for form in FORMS.values()} == {"clock", "grid", "battery", "yield", "data", "rest"}


def test_what_a_frozen_channel_would_show_is_not_to_be_seen():
    first = date(2026, 5, 1)

    def fault(kind: str, begin: int, **detail) -> Fault:
        at = first + timedelta(days=begin)
        return Fault("S001", kind, "step", 0.0, 1.0, at, first + timedelta(days=29), 1.0, detail=detail)

    export, earlier = fault("unexpected-export", 10), fault("unexpected-export", 3)
    hide([export, earlier, fault("readings-frozen", 5, channel="grid_w"), fault("meter-reversed", 6)])
    assert (export.is_visible, earlier.is_visible) == (False, True)
    load = fault("unexpected-export", 10)
    hide([load, fault("readings-frozen", 5, channel="load_w")])
    assert load.is_visible
