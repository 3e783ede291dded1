"""Neighbours as a pyranometer: pairs on a sky that is known, made by hand from the planes' own series."""

import numpy as np
import pytest

from detectors.solar import plane_response
from detectors.solar.pv_model import clear_sky
from detectors.yields import day_residual, own_past, pyranometer
from detectors.yields.pyranometer import Day, Roofs

SITES = 5
TILT = np.array([[30.0], [20.0], [35.0], [30.0], [15.0]])
AZIMUTH = np.array([[180.0], [140.0], [220.0], [95.0], [180.0]])
OTHERS = np.array([[n for n in range(SITES) if n != own] for own in range(SITES)])


def _roofs(**changes):
    known = {
        "kwp": np.array([5.0, 8.0, 10.0, 6.0, 12.0]),
        "ceiling_w": np.full(SITES, np.inf),
        "level": np.zeros(SITES),
        "has_limit": np.zeros(SITES, dtype=bool),
        "is_unknown": np.zeros(SITES, dtype=bool),
    }
    return Roofs(**{**known, **changes})


def _day(roofs, factor=1.0, usable_w=np.inf, seed=1):
    """Cloudy quarter hours over five roofs near 47 N; `factor` broadcasts to [sites, 96]."""
    sky = clear_sky(np.full(SITES, 47.0), np.full(SITES, 8.0), np.tile(np.arange(96) / 96 + 20_250.0, (SITES, 1)))
    roof = plane_response.answer(sky, TILT, AZIMUTH)
    clearness = np.tile(np.random.default_rng(seed).uniform(0.25, 1.05, 96), (SITES, 1))
    ambient = np.full((SITES, 96), 18.0)
    power = plane_response.expected_w(roof, clearness, ambient, roofs.kwp[:, None], roofs.ceiling_w[:, None]) * factor
    lit = sky.up > 0.07
    return Day(
        roof,
        ambient,
        np.where(lit, power, np.nan),
        lit * 1.0,
        lit,
        np.broadcast_to(np.asarray(usable_w, dtype=float), power.shape),
        np.zeros(power.shape),
        lit,
    ), clearness


def _residual(roofs, day):
    free = np.isfinite(day.power_w)
    own = pyranometer.clearness(day, roofs, free)
    around = pyranometer.of_neighbours(own, OTHERS)
    used = pyranometer.choose(day, roofs, pyranometer.consensus(around))
    own = pyranometer.clearness(day, roofs, used)
    around = pyranometer.of_neighbours(own, OTHERS)
    pairs = pyranometer.pairs(day, roofs, used, around, np.zeros((SITES, 96)), np.ones((SITES, 96)))
    return day_residual.combine(pairs, np.full(OTHERS.shape, 0.05), roofs.level), own, used


def test_a_power_tells_the_sky_that_made_it():
    day, clearness = _day(_roofs())
    told, *_ = pyranometer.clearness(day, _roofs(), np.isfinite(day.power_w)), None
    known = np.isfinite(told)
    assert known.sum() > 150
    assert told[known] == pytest.approx(clearness[known], abs=0.02)


def test_roofs_of_all_planes_agree_where_all_are_healthy():
    day, _ = _day(_roofs())
    found, *_ = _residual(_roofs(), day)
    assert np.abs(found.x).max() < 0.03
    assert found.neighbours == pytest.approx(np.full(SITES, 4.0), abs=1.0)


def test_a_faulty_neighbour_spoils_one_pair_and_not_the_median():
    factor = np.ones((SITES, 1))
    factor[2] = 0.6
    day, _ = _day(_roofs(), factor)
    found, *_ = _residual(_roofs(), day)
    assert found.x[2] == pytest.approx(np.log(0.6), abs=0.05)
    assert np.abs(np.delete(found.x, 2)).max() < 0.06


def test_a_curtailed_site_is_judged_by_what_could_be_used():
    """Cut at 1,500 W wherever the house takes no more: the free quarter hours show the roof, and no fault."""
    roofs = _roofs(has_limit=np.array([True, False, False, False, False]))
    full, _ = _day(roofs)
    usable = np.full((SITES, 96), np.inf)
    usable[0] = np.where(np.arange(96) // 8 % 2 == 0, 6000.0, 1500.0)
    cut = full._replace(
        power_w=np.minimum(full.power_w, usable),
        usable_w=usable,
    )
    found, _, used = _residual(roofs, cut)
    assert used[0].sum() >= 10
    assert abs(found.x[0]) < 0.04
    faulty = full._replace(power_w=full.power_w * np.array([[0.6], [1], [1], [1], [1]]))
    cut = faulty._replace(
        power_w=np.minimum(faulty.power_w, usable),
        usable_w=usable,
    )
    found, *_ = _residual(roofs, cut)
    assert found.x[0] == pytest.approx(np.log(0.6), abs=0.06)


def _under_broken_clouds(seed, takers_w, **more):
    """Roof 0 may feed nothing in, and its takers hold it at `takers_w`; each roof has clouds of its own."""
    clouds = np.random.default_rng([seed, 1]).lognormal(-0.08, 0.4, (SITES, 96))
    day, _ = _day(_roofs(), clouds, seed=seed)
    most = np.full(day.power_w.shape, np.inf)
    most[0] = takers_w
    return day._replace(power_w=np.minimum(day.power_w, most), usable_w=most, **more)


def test_what_clouds_of_its_own_would_have_brought_beyond_the_takers_is_not_missed():
    """Its neighbours let expect less than its takers had room for, on the average; what they held is due nowhere."""
    roofs = _roofs(has_limit=np.array([True, False, False, False, False]))
    told = [_residual(roofs, _under_broken_clouds(seed, 2000.0))[0].x[0] for seed in range(12)]
    free = [_residual(_roofs(), _under_broken_clouds(seed, np.inf))[0].x[0] for seed in range(12)]
    assert np.mean(told) == pytest.approx(np.mean(free), abs=0.04)
    held = [_residual(_roofs(), _under_broken_clouds(seed, 2000.0))[0].x[0] for seed in range(12)]
    assert np.mean(held) < np.mean(free) - 0.15


def test_bright_quarter_hours_in_which_a_battery_took_all_that_it_can_count_as_well_as_dull_ones():
    """What is left when they are not counted is a fall that is none."""
    roofs = _roofs(has_limit=np.array([True, False, False, False, False]))
    told = []
    for seed in range(12):
        day = _under_broken_clouds(seed, 2500.0)
        is_below = day.power_w < 0.85 * 2500.0
        usable, battery = np.full((SITES, 96), 300.0), np.full((SITES, 96), 2200.0)
        told.append(_residual(roofs, day._replace(is_free=is_below, usable_w=usable, battery_w=battery))[0].x[0])
    free = [_residual(_roofs(), _under_broken_clouds(seed, np.inf))[0].x[0] for seed in range(12)]
    assert np.mean(told) == pytest.approx(np.mean(free), abs=0.04)


def test_clipped_power_says_nothing_of_a_bright_sky():
    roofs = _roofs(ceiling_w=np.array([np.inf, np.inf, 3000.0, np.inf, np.inf]))
    day, _ = _day(roofs)
    _, own, _ = _residual(roofs, day)
    assert np.isnan(own[2][day.power_w[2] > 2950]).all()
    found, *_ = _residual(roofs, day)
    assert np.abs(found.x).max() < 0.03


def test_disagreeing_neighbours_and_little_energy_make_a_day_vague():
    factor = np.array([[1.0], [1.3], [0.7], [1.2], [0.8]])
    even, _ = _day(_roofs())
    uneven, _ = _day(_roofs(), factor)
    calm, torn = (_residual(_roofs(), one)[0] for one in (even, uneven))
    plain, limited = np.zeros(SITES, dtype=bool), np.ones(SITES, dtype=bool)
    assert (day_residual.variance(torn, np.zeros(SITES), plain, plain) > 4 * 0.02**2)[0]
    assert (day_residual.variance(calm, np.zeros(SITES), plain, plain) < 0.05**2).all()
    little = calm._replace(energy=np.full(SITES, 0.05))
    assert (
        day_residual.variance(little, np.zeros(SITES), limited, plain)
        > 10 * day_residual.variance(calm, np.zeros(SITES), limited, plain)
    ).all()


def test_the_own_scale_is_blind_to_a_step():
    rng = np.random.default_rng(4)
    x = rng.normal(0, 0.1, (1, 200))
    stepped = x.copy()
    stepped[:, 100:] -= 0.5
    variance = np.full((1, 200), 0.05**2)
    assert day_residual.own_scale(x, variance)[0] == pytest.approx(2.0, rel=0.2)
    assert day_residual.own_scale(stepped, variance) == pytest.approx(day_residual.own_scale(x, variance), rel=0.1)


def test_shade_of_one_hour_is_learned_and_a_fall_of_all_hours_is_not():
    """Twenty days, a half hour at 60 %: its bin learns log 0.6, all others nothing."""
    bins = np.tile(np.arange(20), 20)
    ratio = np.where(bins == 7, np.log(0.6), 0.0) - 0.2
    offset, noise = own_past.learn(bins, ratio, np.full(400, 1000.0), np.full(400, 0.05))
    assert offset[7] == pytest.approx(np.log(0.6))
    assert np.abs(np.delete(offset[:20], 7)).max() == 0.0
    assert np.isnan(offset[20:]).all()
    past = own_past.Past(offset[None], noise[None])
    sky = np.full((1, 96), 0.4)
    told = own_past.correct(past, np.arange(96) // 2, sky, np.full((1, 96), 40.0), np.array([True]))
    assert told.log_usual[0, 14] == pytest.approx(np.log(0.6), rel=0.1)
    assert told.log_usual[0, 20] == 0.0
    assert told.sigma[0, 60] == pytest.approx(own_past.PRIOR_UNKNOWN, rel=1e-3)


def test_what_a_low_sun_makes_of_a_roof_is_open_until_it_was_seen_under_one():
    """A horizon above the winter's sun takes all of its light and nothing of an overcast sky's."""
    plain, half_hour = np.array([False]), np.arange(96) // 2

    def sigma(past, elevation_deg, clearness):
        sky, height = np.full((1, 96), clearness), np.full((1, 96), elevation_deg)
        return float(own_past.correct(past, half_hour, sky, height, plain).sigma[0, 48])

    unseen = own_past.nothing(1)
    assert sigma(unseen, 15.0, 0.9) > 3 * sigma(unseen, 15.0, 0.2)
    assert sigma(unseen, 50.0, 0.9) == pytest.approx(own_past.PRIOR, rel=1e-3)
    rng = np.random.default_rng(5)
    bins = np.tile(np.arange(66, 78), 12)  # twelve bright days, hidden from the sun around noon
    hidden = np.where((bins > 70) & (bins < 74), -1.5, 0.0)
    offset, noise = own_past.learn(bins, hidden + rng.normal(0, 0.1, len(bins)), np.ones(len(bins)), np.ones(len(bins)))
    seen = own_past.Past(offset[None], noise[None])
    told = own_past.correct(seen, half_hour, np.full((1, 96), 0.9), np.full((1, 96), 15.0), plain)
    assert told.log_usual[0, 48] == pytest.approx(-1.5, abs=0.1)
    assert told.sigma[0, 48] < 0.25
