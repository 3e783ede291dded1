"""An offset that shows no light in the dark, told by the roofs around (tests/support/clock_roofs: pvlib's sun)."""

from dataclasses import replace
from datetime import timedelta

import polars as pl
import pytest

from detectors.finding import Finding, NotJudged, Verdict
from tests.support.clock_roofs import Error, Roof, constant, drift, right
from tests.support.clock_verdicts import FIRST, ROOF, judge, light_of

DAYS = 20
LATE = (0.075, 0.08)  # inverters that wake late: light comes half an hour after sunrise, and goes as much too soon
RIM = (0.0, 360.0, 4.0)  # hills all around
WEST, EAST = (200.0, 330.0, 12.0), (30.0, 150.0, 12.0)


def _roofs(count: int, wall: tuple[float, float, float] | None = None) -> list[Roof]:
    """Roofs some kilometres apart, each under its own clouds."""
    return [
        replace(
            ROOF,
            site_id=f"beside-{n}",
            latitude=47.4 + 0.05 * n,
            longitude=8.1 + 0.07 * n,
            seed=20 + n,
            wall=wall,
            starts=LATE,
        )
        for n in range(1, count + 1)
    ]


def _verdict(mine: Roof, error: Error, others: list[Roof], interval: int = 15) -> Verdict | None:
    """What is said of `mine`, where the clocks of the others are right."""
    light = pl.concat(
        [light_of(error, DAYS, interval, mine), *(light_of(right, DAYS, interval, one) for one in others)]
    )
    said = judge(light, FIRST + timedelta(days=DAYS - 1), mine, *others)
    assert [v.site_id for v in said if isinstance(v, Finding)] in ([], [mine.site_id])
    return next((v for v in said if v.site_id == mine.site_id), None)


@pytest.mark.parametrize("interval", [5, 15])
@pytest.mark.parametrize("minutes", [30.0, -30.0])
def test_half_an_hour_without_light_in_the_dark_is_told_by_two_roofs_around(minutes: float, interval: int) -> None:
    mine = replace(ROOF, starts=LATE)
    alone = _verdict(mine, constant(minutes), [], interval)
    assert not isinstance(alone, Finding)
    found = _verdict(mine, constant(minutes), _roofs(2), interval)
    assert isinstance(found, Finding) and (found.kind, found.severity) == ("time-zone-wrong", "watch")
    assert found.evidence["offset_min"] == pytest.approx(minutes, abs=10)
    assert found.evidence["certainty_text"] == "by the roofs around"


def test_one_roof_or_roofs_far_away_tell_nothing() -> None:
    mine = replace(ROOF, starts=LATE)
    far = [replace(one, latitude=one.latitude + 2) for one in _roofs(3)]
    for others in (_roofs(1), far):
        assert not isinstance(_verdict(mine, constant(-30.0), others), Finding)


@pytest.mark.parametrize("own", [WEST, EAST, None])
@pytest.mark.parametrize("theirs", [RIM, WEST, EAST, None])
def test_hills_on_one_side_are_no_clock(
    own: tuple[float, float, float] | None, theirs: tuple[float, float, float] | None
) -> None:
    """A roof on the other slope of the valley than its neighbours has its light earlier, or later, than they do."""
    mine = replace(ROOF, wall=own)
    assert not isinstance(_verdict(mine, right, _roofs(4, theirs)), Finding)


def test_a_roof_that_looks_east_beside_roofs_that_look_west_is_no_clock() -> None:
    mine = replace(ROOF, planes=((1.0, 40.0, 90.0),))
    others = [replace(one, planes=((1.0, 40.0, 270.0),)) for one in _roofs(4)]
    assert not isinstance(_verdict(mine, right, others), Finding)


def test_shade_on_one_side_that_may_hide_half_an_hour_is_not_called_right() -> None:
    """First light is on time and last light goes an hour early: shade in the west, or half an hour and hills around."""
    mine = replace(ROOF, starts=(0.08, 0.081))
    said = _verdict(mine, constant(-30.0), [])
    assert isinstance(said, NotJudged) and said.reason.code == "none-dark"
    assert said.reason.values["side"] == "early"


def test_a_drift_at_a_roof_that_starts_late_is_believed_beside_roofs_that_are_right() -> None:
    mine, days = replace(ROOF, starts=LATE), 38
    own = light_of(drift(FIRST, -60.0), days, 15, mine)
    last = FIRST + timedelta(days=days - 1)
    assert not [v for v in judge(own, last, mine) if isinstance(v, Finding)]
    others = _roofs(3)
    light = pl.concat([own, *(light_of(right, days, 15, one) for one in others)])
    (found,) = [v for v in judge(light, last, mine, *others) if isinstance(v, Finding)]
    assert (found.site_id, found.kind) == (mine.site_id, "clock-drift")
    assert found.value == pytest.approx(-60, abs=15)
