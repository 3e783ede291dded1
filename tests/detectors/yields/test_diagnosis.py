"""What a case is called by the days behind it."""

from datetime import date

import numpy as np
import pytest

from detectors.yields import diagnosis
from detectors.yields.diagnosis import History


def _history(x, is_zero):
    count = len(x)
    nothing = np.full((count, 4), np.nan)
    return History(
        date(2026, 5, 1), np.array(x, dtype=float), np.full(count, 0.05), np.array(is_zero, dtype=bool),
        nothing, nothing, np.full(count, 20.0), np.full(count, 20.0),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("x", "is_zero", "is_dark", "is_alive"),
    [
        ([0, -3.9, -3.9], [0, 1, 1], True, False),
        ([-3.9, -3.9, 0], [1, 1, 0], True, False),  # one day alone may be a test of the installer's
        ([-3.9, 0, 0], [1, 0, 0], False, True),
        ([-3.9, 0, np.nan, np.nan], [1, 0, 0, 0], False, False),  # days that told nothing prove nothing
    ],
)
def test_a_roof_is_dark_on_two_days_of_three_and_alive_on_two_that_tell(x, is_zero, is_dark, is_alive):
    history = _history(x, is_zero)
    assert diagnosis.is_dark(history) == is_dark
    assert diagnosis.is_alive(history) == is_alive
