"""When roofs are learned: a fleet's whole history may come in one night, and its roofs are of one age from then on."""

from datetime import date, timedelta

import numpy as np

from detectors.yields import roof_model

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
