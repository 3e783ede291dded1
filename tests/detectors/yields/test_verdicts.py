"""What an open case is worth: whom it sends."""

from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from detectors.finding import filled
from detectors.losses import MEASURED, DayLoss
from detectors.yields import capacity_mismatch, no_generation, underperformance, verdicts
from detectors.yields.diagnosis import History
from detectors.yields.verdicts import Open

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


@pytest.mark.parametrize(("due_kwh", "severity"), [(4.0, "urgent"), (0.0, "watch")])
def test_a_dark_roof_of_which_nothing_was_due_is_not_urgent(due_kwh, severity):
    dark = _open(lost_kwh=due_kwh, has_limit=False, due_kwh=due_kwh)
    assert no_generation.finding_of(dark).severity == severity


def test_a_dark_roof_in_snows_season_that_nobody_else_tells_of_sends_nobody_in_a_hurry():
    dark = _open(lost_kwh=4.0, has_limit=False, due_kwh=4.0)
    told = no_generation.finding_of(dark._replace(may_be_snow=True, neighbours=0.0))
    assert told.severity == "watch" and "Snow may lie on it" in told.summary
    assert "Snow" not in no_generation.finding_of(dark).summary


def test_a_roof_that_fell_with_others_in_the_cold_sends_nobody():
    fell = _open(lost_kwh=4.0, has_limit=False)
    told = underperformance._finding(fell._replace(may_be_snow=True))
    assert told.severity == "watch" and "Snow or fog may lie there" in told.summary
    plain = underperformance._finding(fell)
    assert plain.severity == "soon" and "Snow" not in plain.summary


def test_others_count_that_fell_within_days_and_are_down_still_or_were_lately():
    """The first and the second near each other, the third apart."""
    fleet = SimpleNamespace(
        day=FIRST, sites=pl.DataFrame({"site_id": ["A", "B", "C"]}), near=np.array([[1], [0], [-1]])
    )

    def together(kind: str, days_ago: int) -> list[bool]:
        fell = FIRST - timedelta(days=20)
        rows = [("A", "underperformance", FIRST, fell), ("C", "underperformance", FIRST, fell)]
        rows.append(("B", kind, FIRST - timedelta(days=days_ago), fell + timedelta(days=2)))
        cases = pl.DataFrame(rows, schema=["site_id", "kind", "day", "first_day"], orient="row")
        return verdicts._fell_with_others(cases, SimpleNamespace(fleet=fleet)).tolist()

    assert together("no-generation", 0) == [True, True, False]
    assert together("underperformance", 9) == [True, True, False]
    assert together("underperformance", 10) == [False] * 3  # it was back for so long
    assert together("capacity-mismatch", 0) == [False] * 3  # that it always was so is no weather


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
    assert setting.startswith("2.4 kWp fit the clear days")
