"""What an open case is worth: whom it sends."""

from datetime import date, timedelta

import numpy as np
import pytest

from detectors.finding import filled
from detectors.losses import MEASURED, DayLoss
from detectors.yields import capacity_mismatch, low_sun, no_generation, records, string_loss, underperformance, verdicts
from detectors.yields.history import History
from detectors.yields.verdicts import Open
from tests.support import build

FIRST = date(2026, 6, 1)
DAYS = 20


def _open(*, lost_kwh: float, has_limit: bool, is_sure: bool = True, due_kwh: float = 8.0) -> Open:
    """A case of ten days, on each of which so much was due and so much was lost."""
    nothing = np.full(DAYS, np.nan)
    history = History(
        FIRST, np.zeros(DAYS), np.full(DAYS, 0.1), np.full(DAYS, 0.1), np.zeros(DAYS, dtype=bool), nothing[:, None],
        nothing[:, None], np.full(DAYS, due_kwh), np.full(DAYS, due_kwh - lost_kwh),
    )  # fmt: skip
    since, day = FIRST + timedelta(days=10), FIRST + timedelta(days=DAYS - 1)
    losses = tuple(DayLoss(since + timedelta(days=n), lost_kwh, 0.3 * lost_kwh, MEASURED) for n in range(10))
    return Open(
        "roof-1", "underperformance", day, since, since, since, 0.0, np.log(0.4), 0, 5.0, is_sure, due_kwh,
        due_kwh - lost_kwh, losses, 6.0, 3.0, history, "register", has_limit,
    )  # fmt: skip


def _severity(**case: float | bool) -> str:
    told = _open(**case).finding(
        severity="soon", value=60.0, unit="%", threshold=0.0, summary="Less.", measured="less", expected="more"
    )
    return told.severity


@pytest.mark.parametrize(
    ("lost_kwh", "has_limit", "severity"),
    [
        (0.1, True, "watch"),  # 60 % of the power are said to be gone, and of what could be used hardly anything is
        (0.9, True, "soon"),
        (0.1, False, "soon"),  # without a limit all that is missing is lost: the energies are the case
    ],
)
def test_a_limited_site_that_lost_next_to_nothing_sends_nobody(lost_kwh, has_limit, severity):
    assert _severity(lost_kwh=lost_kwh, has_limit=has_limit) == severity


def test_what_is_not_sure_sends_nobody():
    assert _severity(lost_kwh=5.0, has_limit=False, is_sure=False) == "watch"


def test_where_the_sun_may_stand_behind_a_hill_nobody_is_sent_and_it_is_said():
    hidden = _open(lost_kwh=5.0, has_limit=False)._replace(may_be_hidden=True)
    told = hidden.finding(
        severity="soon", value=60.0, unit="%", threshold=0.0, summary="Less.", measured="less", expected="more"
    )
    assert (told.severity, told.summary) == ("watch", "Less." + low_sun.WORDS)


@pytest.mark.parametrize(("due_kwh", "severity"), [(4.0, "urgent"), (0.0, "watch")])
def test_a_dark_roof_of_which_nothing_was_due_is_not_urgent(due_kwh, severity):
    dark = _open(lost_kwh=due_kwh, has_limit=False, due_kwh=due_kwh)
    assert no_generation.finding_of(dark).severity == severity


def test_a_dark_roof_in_snows_season_that_nobody_else_tells_of_sends_nobody_in_a_hurry():
    dark = _open(lost_kwh=4.0, has_limit=False, due_kwh=4.0)
    told = no_generation.finding_of(dark._replace(may_be_snow=True, neighbours=0.0))
    assert told.severity == "watch" and "Snow may lie on it" in told.summary
    assert "Snow" not in no_generation.finding_of(dark).summary


@pytest.mark.parametrize(
    ("left", "snow", "severity"), [(0.03, True, "watch"), (0.4, True, "soon"), (0.03, False, "soon")]
)
def test_a_roof_under_snow_that_lets_a_little_through_is_to_watch(left, snow, severity):
    one = _open(lost_kwh=8.0 * (1 - left), has_limit=False)._replace(after=np.log(left), may_be_snow=snow)
    told = underperformance.finding_of(one)
    assert told.severity == severity
    assert ("Snow may lie on it" in told.summary) is (severity == "watch")


@pytest.mark.parametrize(
    ("number", "may_be_snow", "severity"), [(2, True, "watch"), (2, False, "soon"), (0, True, "soon")]
)
def test_an_input_that_fell_as_snow_did_may_lie_under_it(number, may_be_snow, severity):
    """Snow slides off one plane and stays on the other; a share of all inputs is none of a plane's snow."""
    one = _open(lost_kwh=3.0, has_limit=False)._replace(kind="string-loss", input=number, may_be_snow=may_be_snow)
    told = string_loss.finding_of(one)
    assert told.severity == severity
    assert ("Snow may lie on it" in told.summary) is (severity == "watch")


def test_what_yields_more_than_before_has_not_fallen():
    """Snow that slid off during a case leaves the level higher than it was under it."""
    less = _open(lost_kwh=3.0, has_limit=False)
    assert verdicts.fallen([less, less._replace(before=-0.5, after=-0.3)]) == [less]


def test_a_roof_that_generates_again_for_a_first_day_is_said_to_and_sends_nobody():
    back = _open(lost_kwh=0.5, has_limit=False, due_kwh=5.3)  # its tenth day
    told = no_generation.finding_of(back)
    assert told.severity == "watch"
    assert "nothing for 9 days" in told.summary and "4.80 kWh came of 5.3 that were due" in told.summary
    still = no_generation.finding_of(back._replace(actual_kwh=0.2))  # the inverter tried to start
    assert still.severity == "urgent" and "nothing for 10 days" in still.summary


def test_a_wrong_capacity_says_which_one_the_register_should_have():
    told = capacity_mismatch.finding_of(_open(lost_kwh=3.0, has_limit=False)._replace(kind="capacity-mismatch"))
    setting = filled(capacity_mismatch.KINDS["capacity-mismatch"].should_be, told.evidence)
    assert setting.startswith("2.4 kWp, which fits the clear days")


@pytest.mark.parametrize(("ratio", "is_lost"), [(0.4, True), (0.1, False)])
def test_what_modules_that_nobody_sold_would_have_made_is_no_loss(ratio, is_lost):
    """A register with ten times the modules is an error; two fifths of a roof may be strings that nobody connected."""
    case = _open(lost_kwh=3.0, has_limit=True)._replace(kind="capacity-mismatch", after=np.log(ratio))
    told = capacity_mismatch.finding_of(case)
    assert (told.loss_kwh > 0, told.cost > 0, len(told.losses) > 0) == (is_lost,) * 3
    assert told.severity == "soon"
    assert ("error in the register" in told.summary) is not is_lost


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({}, True),  # its clear days show the registered capacity
        ({"lone_x": 0.28}, False),
        ({"days": 2}, False),  # too few
        ({"lone_near": 0.1}, False),  # none of them clear
        ({"peak_w": 4900.0}, False),  # cut at the inverter
        ({"lone_energy": 0.5}, False),  # little to judge by, as behind a limit
        ({"lone_highest": 0.2}, False),  # a higher level would have been held back
        ({"lone_highest": 0.5}, True),
    ],
)
def test_a_rise_that_the_roofs_own_clear_days_do_not_show_is_its_neighbours(changed, expected):
    """Two fifths more beside neighbours that lay under snow for longer."""
    case = _open(lost_kwh=0.0, has_limit=False)._replace(kind="capacity-mismatch", after=np.log(1.4))
    day = {"lone_x": 0.0, "lone_near": 0.5, "lone_energy": 4.0, "peak_w": 4000.0, "days": 5, **changed}
    count = day.pop("days")
    rows = [{"site_id": "roof-1", "day": case.first_day + timedelta(days=n), **day} for n in range(count)]
    residuals = build.frame(records.RESIDUAL, rows)
    assert capacity_mismatch.is_contradicted(case, residuals, 5000.0) is expected
    assert not capacity_mismatch.is_contradicted(case._replace(after=np.log(0.7)), residuals, 5000.0)
