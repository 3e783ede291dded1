"""The price of a kWh that is missing."""

import pytest

from detectors.yields.energy_value import worth

SITE = {"feed_in_limit_kw": None, "import_price": 0.30, "feed_in_price": 0.08}


def test_a_kwh_is_worth_what_would_have_become_of_it():
    # 10 kWh made, 4 fed in: six tenths at 0.30 and four at 0.08
    assert worth(SITE, 10.0, 4.0) == pytest.approx(0.6 * 0.30 + 0.4 * 0.08)
    assert worth(SITE, 10.0, None) == pytest.approx(0.08)
    assert worth(SITE, 0.0, 0.0) == pytest.approx(0.08)
    assert worth({**SITE, "feed_in_limit_kw": 0.0}, 10.0, 4.0) == pytest.approx(0.30)
    assert worth(SITE, 10.0, 40.0) == pytest.approx(0.08)
