"""What was due of a bright day over five roofs, against what each of them made."""

import numpy as np
import pytest

from detectors.yields import roof_model
from tests.support import build
from tests.support.bright_day import DAY, STREET, night_of, powers


def test_a_model_that_was_learned_anew_moves_no_energy():
    """A tie of 0.2: its residuals, and so its baseline, stand 0.2 above the model's own level, which is the roof's."""
    tied = {"site_id": "street", "day": DAY, "level": 0.0, "tie": 0.2}
    told = night_of(models=build.frame(roof_model.ROOF_MODEL, [tied]), baseline=0.2)
    assert told.expected_kwh[STREET] == pytest.approx(told.actual_kwh[STREET], rel=0.03)


def test_a_roof_held_by_its_house_has_lost_nothing_and_a_weak_one_what_the_house_imported():
    """No feed-in, a house that takes 1 kW: a healthy roof makes it, one at a fiftieth leaves the rest to the grid."""
    made_w, house_w = np.full(96, 970.0), 1000.0
    held = night_of(np.minimum(1.0, made_w / np.maximum(_due(), 1.0)), load_w=house_w, feed_in_limit_kw=0.0)
    assert held.expected_kwh[STREET] == pytest.approx(held.actual_kwh[STREET], rel=0.02)
    weak = night_of(0.02, load_w=house_w, feed_in_limit_kw=0.0)
    lost = float((np.minimum(_due(), house_w) - 0.02 * _due()).sum() / 4000)
    assert weak.expected_kwh[STREET] - weak.actual_kwh[STREET] == pytest.approx(lost, rel=0.1)


def _due():
    return powers()[STREET]
