"""Another capacity that ends: what was told of it goes once the days fit the register again."""

from datetime import date

import numpy as np
import polars as pl
import pytest

from detectors.yields import capacity_doubts
from detectors.yields.diagnosis import Case
from tests.benches.living_yields import live_nights
from tests.support import yield_fleet

SWAPPED_UNTIL, DAYS, TIMES = 20, 46, 1.7
NEEDS = {"SWAPPED": {}, "A": {}, "B": {}, "C": {}, "D": {}}


@pytest.fixture(scope="module")
def lived():
    """Another site's export, of a roof that is larger, came under this one's name for three weeks."""
    fleet = yield_fleet.make(33, NEEDS, {}, first=date(2026, 5, 2), days=DAYS)
    is_swapped = pl.col("site_id") == "SWAPPED"
    for day in list(fleet.readings)[:SWAPPED_UNTIL]:
        more = pl.when(is_swapped).then(TIMES * pl.col("pv_w")).otherwise("pv_w")
        fleet.readings[day] = fleet.readings[day].with_columns(more.alias("pv_w"))
    return fleet, live_nights(fleet, lambda _: fleet.sites).lived.exceptions.sort("night")


def test_a_capacity_that_another_sites_export_showed_is_closed_once_it_is_put_right(lived):
    fleet, exceptions = lived
    told = exceptions.filter(pl.col("kind") == "capacity-mismatch", pl.col("site_id") == "SWAPPED")
    assert told["night"].min() < fleet.day(SWAPPED_UNTIL)
    assert (told.filter(pl.col("closed_on").is_null())["night"].max() - fleet.day(SWAPPED_UNTIL)).days <= 14
    since = exceptions.filter(pl.col("night") == fleet.day(DAYS - 1), pl.col("closed_on").is_null())
    assert since.is_empty()  # nor is it a fall


@pytest.mark.parametrize(
    ("around", "is_within"),
    [
        ([-0.6, -0.4, -0.2, 0.0, 0.2, 0.3, 0.4], True),  # many registers are wrong there
        ([-0.05, -0.02, 0.0, 0.03, 0.05], False),
        ([-0.6, 0.0, 0.4], False),  # three tell no spread
    ],
)
def test_a_capacity_beyond_the_register_is_none_amid_roofs_that_differ_by_as_much(around, is_within):
    case = Case("capacity-mismatch", 0, 0, 0, 0.0, 0.35, 0, was_always=True)
    assert capacity_doubts.is_within(case, np.array(around)) is is_within
    assert capacity_doubts.is_beyond(case)
    assert not capacity_doubts.is_beyond(case._replace(was_always=False)) and not capacity_doubts.is_beyond(
        case._replace(after=-0.35)
    )
