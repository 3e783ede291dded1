"""Inputs beside each other: what cancels in their ratio, and what does not."""

import numpy as np
import pytest

from detectors.solar.plane_response import Answer, irradiance_w_m2
from detectors.yields import input_shares

PARTS = 24
HOURS = np.arange(PARTS) / 2 + 6
EAST, WEST = (900 * np.exp(-(((HOURS - noon) / 2.5) ** 2)) for noon in (10, 14))
EACH = Answer(np.stack([EAST, WEST])[:, None], np.full((2, 1, PARTS), 60.0))
MIX = np.zeros((4, 2))
MIX[0, 0], MIX[1, 1] = 0.5, 0.5


def ratios(kept: np.ndarray, second: float = 1.0) -> np.ndarray:
    """Of an east and a west input of a clear day, of which `kept` was made, and `second` by the west one."""
    light = irradiance_w_m2(EACH, np.ones((1, 1, PARTS)))[:, 0]
    inputs = np.full((4, 1, PARTS), np.nan)
    inputs[0, 0], inputs[1, 0] = 5 * light[0] * kept, 5 * light[1] * kept * second
    valid = np.ones((1, PARTS), dtype=bool)
    x, _ = input_shares.of_days(inputs, valid, MIX, EACH, np.ones((1, PARTS)), 10.0, 0.5)
    return x[0, :2]


@pytest.mark.parametrize("kept", [np.ones(PARTS), np.where(HOURS > 11, 0.3, 1.0), np.where(HOURS < 13, 0.1, 1.0)])
def test_a_day_curtailed_in_parts_leaves_the_inputs_shares(kept):
    assert ratios(kept) == pytest.approx([0.0, 0.0], abs=1e-6)


def test_an_input_that_lost_power_shows_it_although_the_day_was_curtailed():
    first, second = ratios(np.where(HOURS > 11, 0.3, 1.0), second=0.3)
    assert second < -0.8 and first > 0.8
