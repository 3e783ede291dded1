"""What a correction that is tried out is judged beside."""

from dataclasses import replace
from datetime import timedelta

import polars as pl

from pipeline.runs.clock_preview import _is_near, _verdict
from tests.support.clock_roofs import constant, register, right
from tests.support.clock_verdicts import FIRST, ROOF, light_of


def test_the_sites_that_share_the_weather_are_beside_it_and_its_own_verdict_counts() -> None:
    roofs = [replace(ROOF, site_id=f"roof{n}", longitude=8.1 + east) for n, east in enumerate((0.0, 0.3, 0.9))]
    sites = register(roofs)
    assert _is_near(sites, "roof0").to_list() == [True, True, False]  # 23 and 68 km
    light = pl.concat([light_of(constant(60.0) if n == 1 else right, 20, 15, r) for n, r in enumerate(roofs)])
    day = FIRST + timedelta(days=19)
    assert _verdict(light, sites, "roof0", day) == ("right", False)
    said, is_wrong = _verdict(light, sites, "roof1", day)
    assert is_wrong and "60" in said
