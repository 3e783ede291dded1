"""Roofs that only look as if their clock were wrong, and real errors on them."""

from datetime import date, timedelta

import polars as pl
import pytest

from detectors.clock.light import light_onsets
from detectors.finding import Finding, NotJudged
from tests.support.clock_roofs import (
    Roof,
    constant,
    readings,
    register,
    right,
)
from tests.support.clock_verdicts import FIRST, ROOF, judge, light_of, only

NOT_FAULTS = {
    "east and west": Roof("r", planes=((0.5, 30.0, 90.0), (0.5, 30.0, 270.0)), seed=11),
    "west": Roof("r", planes=((1.0, 45.0, 270.0),), seed=12),
    "clipped": Roof("r", clip=0.4, seed=13),
    "curtailed": Roof("r", curtailed="follows load", seed=14),
    "shuts off": Roof("r", curtailed="shuts off", seed=15),
    "snow": Roof("r", snow_days=(20, 12), seed=16),
    "afternoons missing": Roof("r", afternoons_missing=0.4, seed=17),
    "gaps": Roof("r", gaps=0.4, seed=18),
    "no night": Roof("r", night_rows=False, seed=19),
    "wall in the east": Roof("r", wall=(40.0, 140.0, 25.0), seed=20),
    "wall in the west": Roof("r", wall=(220.0, 320.0, 25.0), seed=21),
    "coarse meter": Roof("r", resolution_w=100.0, seed=22),
}


@pytest.mark.parametrize("name", NOT_FAULTS)
@pytest.mark.parametrize("interval", [15, 60])
def test_roofs_that_only_look_odd_raise_nothing(name: str, interval: int) -> None:
    roof = NOT_FAULTS[name]
    light = light_of(right, 60, interval, roof)
    verdicts = [v for i in range(0, 60, 6) for v in judge(light, FIRST + timedelta(days=i), roof)]
    assert not [v for v in verdicts if isinstance(v, Finding)]


@pytest.mark.parametrize("name", ["curtailed", "shuts off", "wall in the east", "wall in the west", "gaps", "snow"])
@pytest.mark.parametrize("minutes", [60.0, -60.0])
def test_on_odd_roofs_a_real_error_is_found_all_the_same(name: str, minutes: float) -> None:
    roof = NOT_FAULTS[name]
    finding = only(judge(light_of(constant(minutes), 40, 15, roof), FIRST + timedelta(days=39), roof))
    assert finding.kind == "time-zone-wrong"
    assert abs(finding.value - minutes) <= finding.evidence["uncertainty_min"] + 5


def test_a_wall_from_the_first_day_is_not_judged_and_says_what_would_settle_it() -> None:
    roof = Roof("r", planes=((1.0, 40.0, 270.0),), wall=(30.0, 180.0, 60.0), resolution_w=100.0, seed=23)
    verdicts = judge(light_of(right, 40, 15, roof, date(2025, 5, 1)), date(2025, 6, 9), roof)
    assert [type(verdict) for verdict in verdicts] == [NotJudged]
    assert "neighbour" in verdicts[0].reason


def test_generation_round_the_clock_is_no_clock() -> None:
    """A channel that holds a battery's output too: light for longer than the sun is up."""
    rows = readings(ROOF, FIRST, 12, 15)
    evening = pl.col("ts_local").dt.hour().is_in([18, 19, 20, 21, 22, 23])
    rows = rows.with_columns(pv_w=pl.when(evening).then(pl.lit(900.0)).otherwise("pv_w"))
    verdicts = judge(light_onsets(rows, register([ROOF])), FIRST + timedelta(days=11))
    assert [type(verdict) for verdict in verdicts] == [NotJudged]
    assert "longer than the sun is up" in verdicts[0].reason


def test_a_roof_that_seldom_generates_is_told_of_the_days_in_the_dark() -> None:
    """It may only make what a small house takes now and then: on two of its days that was in the evening."""
    stamped = readings(ROOF, FIRST, 20, 15, constant(180.0))
    day = pl.col("ts_local").dt.ordinal_day()
    begins = pl.when(day % 9 == 0).then(19).otherwise(14 + day % 3)
    hour = pl.col("ts_local").dt.hour() + pl.col("ts_local").dt.minute() / 60
    rare = stamped.with_columns(pv_w=pl.when(hour.is_between(begins, begins + 1.5)).then("pv_w").otherwise(0.0))
    (verdict,) = judge(light_onsets(rare, register([ROOF])), FIRST + timedelta(days=19))
    assert isinstance(verdict, NotJudged)
    assert "in the dark on 2 of 20 days" in verdict.reason


@pytest.mark.parametrize("minutes", [30.0, -30.0])
def test_near_the_equator_light_that_comes_late_on_both_sides_is_no_shade(minutes: float) -> None:
    """At 15 degrees north the sun has climbed by five degrees before a roof makes 550 W of its 8 kWp."""
    roof = Roof("r", 15.0, 38.0, "+03:00", seed=24)
    rows = readings(roof, FIRST, 40, 15, constant(minutes))
    late = rows.with_columns(pv_w=pl.when(pl.col("pv_w") >= 550.0).then("pv_w").otherwise(0.0))
    finding = only(judge(light_onsets(late, register([roof])), FIRST + timedelta(days=39), roof))
    assert finding.kind == "time-zone-wrong" and finding.severity == "soon"
    assert abs(finding.value - minutes) < 3
