"""Which sites' log odds have lasted long enough to be watched."""

from datetime import date, timedelta

import numpy as np
import pytest

from detectors.yields import capacity_doubts, case_days, cases
from detectors.yields.diagnosis import Case
from detectors.yields.history import History
from detectors.yields.testing import ODDS
from tests.support import build

DAY = date(2026, 6, 1)
AWAY, STEEP = 0.5, 0.3  # of the energy, that a roof with most modules on the far side lacks, and a steep one gains


def _history(x):
    count, nothing = len(x), np.full((len(x), 4), np.nan)
    return History(
        DAY, np.array(x), np.full(count, 0.05), np.full(count, 0.05), np.zeros(count, dtype=bool), nothing, nothing,
        np.full(count, 20.0), 20.0 * np.exp(np.nan_to_num(np.array(x))),
    )  # fmt: skip


def test_a_fall_that_comes_and_goes_costs_on_the_days_on_which_it_is_there():
    """Ten days of it, of which four lack 30 %; the others lie a little below the level, as days do."""
    x = [0.0] * 5 + [-0.36, -0.02, -0.02, -0.34, -0.02, -0.36, np.nan, -0.02, -0.37, -0.02]
    history = _history(x)
    case = {"first_day": DAY + timedelta(days=5), "before": 0.0, "after": -0.36, "usual_kwh": 20.0}
    case |= case_days.passing_part(case, history, -0.35)
    assert case["share_of_days"] == pytest.approx(4 / 9)
    assert case["after"] == pytest.approx(-0.36)
    lost = [case_days.day_loss_kwh(case, history, n) for n in range(5, 15)]
    assert [n + 5 for n, one in enumerate(lost) if one > 0 and n != 6] == [5, 8, 10, 13]
    stays = case | case_days.passing_part(case, history, None)
    assert stays["share_of_days"] is None
    assert case_days.day_loss_kwh(stays, history, 6) > 0


@pytest.mark.parametrize(
    ("log_odds", "is_lasting"),
    [
        ([2.0] * 7, True),
        ([-4.0] * 3 + [2.0] * 7, True),
        ([2.0] * 6 + [0.0] + [2.0] * 6, False),  # one night in between was none the likelier
        ([3.0] * 6, False),
        ([2.0] * 4 + [None] * 3 + [2.0] * 2, False),  # days that told nothing
        ([2.0] * 4 + [None] * 3 + [2.0] * 3, True),
        ([2.0] * 7 + [None], False),
        ([2.0] * 4 + [None] * 8 + [2.0] * 3, False),  # too long ago
    ],
)
def test_a_fault_is_watched_after_a_week_of_nights_on_which_it_was_likelier_than_none(log_odds, is_lasting):
    nights = len(log_odds)
    rows = [
        {
            "site_id": "roof-1",
            "day": DAY - timedelta(days=nights - 1 - n),
            "log_odds": 2.0 if value is None else value,
            "is_judged": value is not None,
        }
        for n, value in enumerate(log_odds)
    ]
    assert cases.lasting(build.frame(ODDS, rows), DAY) == ({"roof-1"} if is_lasting else set())


@pytest.mark.parametrize(
    ("share", "is_unknown", "noon_deg", "may_be"),
    [
        (0.4, True, 60.0, True),  # most of a roof may face away
        (0.6, True, 60.0, False),
        (0.4, False, 60.0, False),
        (0.6, False, 15.0, True),  # behind a hill in winter
        (-0.4, True, 45.0, True),  # steep planes make a third more than usual ones, beside what roofs differ by
        (-0.6, True, 45.0, False),
        (-0.4, False, 45.0, False),
        (0.1, False, 60.0, True),  # healthy roofs differ by as much
        (-0.1, False, 60.0, True),
    ],
)
def test_another_capacity_may_be_what_roofs_differ_by_unknown_planes_or_a_horizon(share, is_unknown, noon_deg, may_be):
    case = Case("capacity-mismatch", 0, 0, 0, 0.0, float(np.log(1 - share)), 0, was_always=True)
    unknown = capacity_doubts.Unknown(AWAY, STEEP) if is_unknown else None
    assert capacity_doubts.may_be_unseen(case, noon_deg, unknown) is may_be
    assert not capacity_doubts.may_be_unseen(case._replace(kind="string-loss"), noon_deg, unknown)


@pytest.mark.parametrize(
    ("kind", "is_unknown", "has_limit", "acts"),
    [
        ("underperformance", False, True, True),
        ("underperformance", True, False, True),
        ("underperformance", True, True, False),  # its planes are learned from the hours that the limit left free
        ("no-generation", True, True, True),  # no planes explain nothing at all
        ("capacity-mismatch", True, False, False),
        ("capacity-mismatch", False, False, True),
    ],
)
def test_what_unknown_planes_may_explain_sends_nobody(kind, is_unknown, has_limit, acts):
    assert cases.is_to_act_on(kind, 5.0, 3.5, is_unknown=is_unknown, has_limit=has_limit) is acts
    assert not cases.is_to_act_on(kind, 3.0, 3.5, is_unknown=is_unknown, has_limit=has_limit)
    passing = cases.is_to_act_on(kind, 5.0, 3.5, is_unknown=is_unknown, has_limit=has_limit, is_passing=True)
    assert passing is (acts and not is_unknown and not has_limit)  # under other skies wrong planes come and go


@pytest.mark.parametrize(
    ("kind", "age_days", "is_named_again"),
    [("underperformance", 0, True), ("underperformance", 28, True), ("underperformance", 29, False),
     ("capacity-mismatch", 3, False), ("no-generation", 3, False)],
)  # fmt: skip
def test_a_fall_may_be_named_a_string_within_its_first_weeks_alone(kind, age_days, is_named_again):
    opened = date(2026, 4, 1)
    case, day = {"kind": kind, "opened_on": opened, "share_of_days": None}, opened + timedelta(days=age_days)
    assert cases.may_be_string(case, day) == is_named_again
    assert not cases.may_be_string(case | {"share_of_days": 0.4}, day)  # what comes and goes tells nothing by its size


@pytest.mark.parametrize(
    ("x", "is_there"),
    [
        ([-0.7, -0.75, -0.65], True),
        ([-0.1, -0.7, -0.65], True),  # one better day is none
        ([-0.7, -0.7, -0.1, 0.0, -0.05], False),
        ([-0.3, -0.32, -0.3], False),  # nearer to what it was before
        ([-0.7, -0.75], False),  # too few to tell
    ],
)
def test_a_fault_stays_while_its_days_lie_nearer_to_its_level_than_to_the_one_before(x, is_there):
    """A string is gone since the sixth day; its level was learned again, and the odds sank."""
    known = {"first_day": DAY + timedelta(days=5), "before": 0.0, "after": -0.7, "kind": "string-loss"}
    history = _history([0.0] * 5 + x)
    assert cases._is_still_there({**known, "share_of_days": None}, history) == is_there
    assert not cases._is_still_there({**known, "share_of_days": 0.5}, history)
    assert not cases._is_still_there({**known, "kind": "no-generation", "share_of_days": None}, history)
