"""When roofs are learned, and what a young one's days become once a neighbour is found out."""

from datetime import date, timedelta

import numpy as np
import pytest

from detectors.features import roof_model as feature
from detectors.frames import PLANES
from detectors.yields import half_hours, records, roof_model
from detectors.yields.day_residual import MIN_SCALE, few_variance
from detectors.yields.testing import ODDS
from tests.support import build

FIRST = date(2026, 3, 1)
NAMES = [f"roof-{n}" for n in range(1000)]


def _due(days: int) -> np.ndarray:
    """Of a fleet heard since one day, [nights, sites]."""
    return np.array([
        roof_model.is_due(NAMES, np.full(len(NAMES), float(n)), FIRST + timedelta(days=n)) for n in range(days)
    ])  # fmt: skip


def test_roofs_of_one_age_share_their_nights_once_they_are_known_a_little():
    due = _due(150)
    assert due[3].all()  # nothing is known of a new roof: none waits
    assert due[5].all()
    assert due[11:].mean(axis=1).max() < 0.35
    assert due[11:61].sum(axis=0).min() >= 10


def test_no_roof_waits_longer_than_a_fortnight_and_the_nights_it_went_before_its_turn():
    due = _due(150)
    for mine in due.T[::50]:
        nights = np.flatnonzero(mine)
        assert np.diff(nights).max() < roof_model.LEARN_EVERY_DAYS + roof_model.SPREAD_DAYS
        assert np.diff(nights[nights < roof_model.YOUNG_DAYS]).max() <= 5
    never = roof_model.is_due(NAMES, np.full(len(NAMES), np.nan), FIRST)
    assert not never.any()  # a site that was never heard


DAYS = [FIRST + timedelta(days=n) for n in range(10)]


FALLEN = [-4.0 + 0.8 * n for n in range(10)]  # log odds of a neighbour that lacks a third from its first day on
HEALTHY = [-5.0] * len(DAYS)
B = [0.36] * len(DAYS)  # what B's sky says of A, log: as steady as a near neighbour's
C = [0.1, -0.1] * (len(DAYS) // 2)  # C stands further off


def _replayed(
    odds_of_b: list[float], x: float | list[float] = 0.36, models=(), column: str = "history_x", **neighbours
) -> np.ndarray:
    """The days of the young roof A as its model of the tenth has them; on the nights themselves B counted most."""
    of_night = np.broadcast_to(x, len(DAYS)).tolist()
    seen = build.frame(records.RESIDUAL, [
        {"site_id": "a", "day": day, "x": of_night[n], "tie": 0.0, "sigma": 0.07, "consensus_x": of_night[n],
         "variance": 0.005, "past_sigma": 0.03, "energy": 3.0, "neighbours": float(len(neighbours)),
         "pair_key": [roof_model.key_of(one) for one in neighbours],
         "pair_ratio": [one[n] for one in neighbours.values()]}
        for n, day in enumerate(DAYS)
    ])  # fmt: skip
    odds = build.frame(ODDS, [
        {"site_id": site, "day": day, "log_odds_fall": one}
        for site, all_days in {"a": HEALTHY, "b": odds_of_b, "c": HEALTHY, "d": HEALTHY}.items()
        for day, one in zip(DAYS, all_days, strict=True)
    ])  # fmt: skip
    (model,) = feature.make(
        build.sites({"site_id": "a"}), PLANES.to_frame(), half_hours.HALF_HOURLY.to_frame(), seen, odds,
        build.frame(roof_model.ROOF_MODEL, models), DAYS[-1] + timedelta(days=1),
    ).to_dicts()  # fmt: skip
    return np.array([dict(zip(model["history_day"], model[column], strict=True)).get(day, np.nan) for day in DAYS])


def test_a_young_roof_is_freed_of_what_a_neighbour_that_had_fallen_said_of_it():
    assert np.allclose(_replayed(HEALTHY, b=B, c=C), 0.36)
    assert np.allclose(_replayed(FALLEN, b=B, c=C), C)
    assert np.isnan(_replayed(FALLEN, b=B)).all()  # nobody else was there


def test_what_a_neighbour_said_while_it_was_sound_stays():
    since_then = [*HEALTHY[:5], *[1.0 + n for n in range(5)]]
    assert np.allclose(_replayed(since_then, b=B, c=C), [*B[:5], *C[5:]])


def test_a_neighbour_that_was_outvoted_is_not_taken_back():
    """B has ten times its modules in the register and went unheard; steady as it is, it would be heard by now."""
    far, to_and_fro = [2.3] * len(DAYS), [0.15, -0.15] * (len(DAYS) // 2)
    replayed = _replayed(FALLEN, x=0.0, b=far, c=to_and_fro, d=[-one for one in to_and_fro])
    assert np.abs(replayed).max() <= 0.15


def test_a_young_roof_is_surer_of_days_with_two_sound_neighbours_than_with_one():
    both, one = (_replayed(odds, column="history_sigma", b=B, c=B) for odds in (HEALTHY, FALLEN))
    more = few_variance(np.array(1.0)) - few_variance(np.array(2.0))
    assert more > 0 and np.allclose(one**2 - both**2, MIN_SCALE**2 * more)  # its days do not vary at all


def test_a_young_roof_lies_on_one_level_however_often_its_neighbours_were_learned():
    """B makes a fifth more than usual, which nobody knew on the first five nights: A seemed to make a fifth less."""
    by_night = [0.0] * 5 + [0.2] * 5
    learned = {"site_id": "b", "day": DAYS[5], "level": 0.2}
    assert np.allclose(_replayed(HEALTHY, x=by_night, b=by_night), by_night)
    assert np.allclose(_replayed(HEALTHY, x=by_night, models=[learned], b=by_night), 0.2)


def test_a_ceiling_below_half_of_the_modules_counts_where_the_roof_was_seen_at_it():
    def ceiling(peak_w: float, **own) -> float:
        site = {"site_id": "A", "installed_kwp": 9.0, "inverter_kw": 8.0, "feed_in_limit_kw": None}
        return float(roof_model.ceiling_w(build.sites({**site, **own}), np.array([peak_w]))[0])

    assert ceiling(0.0) == ceiling(7000.0) == 8000.0
    assert ceiling(7000.0, inverter_kw=None) == pytest.approx(7700.0)
    assert ceiling(7000.0, inverter_kw=None, feed_in_limit_kw=0.0) == np.inf
    for inverter_kw in (8.0, None):  # ten times the modules that are there
        assert ceiling(7000.0, installed_kwp=90.0, inverter_kw=inverter_kw) == np.inf
    assert ceiling(7900.0, installed_kwp=18.0) == 8000.0  # twice as many modules as its inverter, and at its limit
    assert ceiling(8900.0) == pytest.approx(9790.0)  # a second inverter that nobody registered


CLEAR, GREY = 0.9, 0.55  # share of a day's energy near its best spans


def _level(*days: tuple[float, float], neighbours: int = 2) -> float:
    """The level that a roof is given by days of (height under a clear sky, log; share of the energy near it).

    Beside its neighbours it makes its share on each of them; broken clouds fill up ten days.
    """
    days = (*days, *[(-0.8, 0.1)] * (len(DAYS) - len(days)))
    names = [f"n{n}" for n in range(neighbours)]
    seen = build.frame(records.RESIDUAL, [
        {"site_id": "a", "day": FIRST + timedelta(days=n), "x": 0.0, "tie": 0.0, "sigma": 0.07, "consensus_x": 0.0,
         "variance": 0.005, "past_sigma": 0.03, "energy": 3.0, "neighbours": float(neighbours),
         "pair_key": [roof_model.key_of(one) for one in names], "pair_ratio": [0.0] * neighbours,
         "lone_x": height, "lone_near": near, "lone_energy": 4.0}
        for n, (height, near) in enumerate(days)
    ])  # fmt: skip
    (model,) = feature.make(
        build.sites({"site_id": "a"}), PLANES.to_frame(), half_hours.HALF_HOURLY.to_frame(), seen, ODDS.to_frame(),
        roof_model.ROOF_MODEL.to_frame(), DAYS[-1] + timedelta(days=1),
    ).to_dicts()  # fmt: skip
    return float(model["level"])


@pytest.mark.parametrize(
    ("days", "level"),
    [
        ([(-0.7, CLEAR), (-0.72, CLEAR), (-0.69, CLEAR), (-0.71, CLEAR)], -0.7),  # half of its modules
        ([(-0.4, CLEAR), (-0.42, CLEAR)], -0.4),
        ([(0.2, CLEAR)] * 10, 0.0),  # clearer air than the model's; its neighbours show as much
        ([(0.0, CLEAR), (-2.3, GREY)], 0.0),  # a grey week: even overcast days, each as bright as its clouds let it be
        ([(-1.3, GREY), (-1.5, CLEAR), (-1.9, GREY), (-2.4, GREY), (-0.9, GREY)], 0.0),
        ([(0.02, CLEAR), (-0.03, CLEAR), (-1.5, GREY), (-1.9, GREY), (-2.4, GREY)], 0.0),
    ],
)
def test_clear_days_tell_the_level_between_two_roofs_and_grey_ones_do_not(days, level):
    assert _level(*days) == pytest.approx(level, abs=0.03)


@pytest.mark.parametrize(
    ("odds", "out"),
    [
        ([-5.0, -5.0, -3.7, 3.1, 10.7], [False, False, True, True, True]),  # the third night made it likelier
        ([-5.0, -5.0, np.nan, -3.7, 3.1, 10.7], [False, False, True, True, True, True]),
        ([-5.0, -5.0, -5.1, 3.1, 10.7], [False, False, False, True, True]),
        ([-5.0, -3.9, -4.9, 3.1, 10.7], [False, False, False, True, True]),  # what rose and sank led up to nothing
        ([-5.0, -5.0, -3.7, -2.5, 0.5], [False] * 5),
    ],
)
def test_a_falls_first_day_teaches_nothing_however_sure_the_site_was_before(odds, out):
    assert records.suspect_days(np.array([odds])).tolist() == [out]
