"""Which sites' log odds have lasted long enough to be watched."""

from datetime import date, timedelta

import pytest

from detectors.yields import cases
from detectors.yields.testing import ODDS
from tests.support import build

DAY = date(2026, 6, 1)


@pytest.mark.parametrize(
    ("log_odds", "is_lasting"),
    [
        ([1.0] * 7, True),
        ([-4.0] * 3 + [1.0] * 7, True),
        ([1.0] * 6 + [0.0] + [1.0] * 6, False),  # one night in between was none the likelier
        ([3.0] * 6, False),
    ],
)
def test_a_fault_is_watched_after_a_week_of_nights_on_which_it_was_likelier_than_none(log_odds, is_lasting):
    nights = len(log_odds)
    rows = [
        {"site_id": "roof-1", "day": DAY - timedelta(days=nights - 1 - n), "log_odds": value}
        for n, value in enumerate(log_odds)
    ]
    assert cases.lasting(build.frame(ODDS, rows), DAY) == ({"roof-1"} if is_lasting else set())
