"""What exceptions cost: every day from the first to the last counts once, by the finding that knows it best.

Days are counted from day 0; sums are shown beside the checks.
"""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.finding import Kind
from detectors.losses import BASES, FED_IN, MEASURED, NOTHING, SILENT
from pipeline.exceptions.changes import Found
from pipeline.exceptions.fold import fold
from pipeline.exceptions.losses import NO_LOSSES, LostDays, first_day, in_force_at, sum_up
from pipeline.frames import DECISIONS, LOSSES, NOT_JUDGED
from tests.pipeline.exceptions.test_fold import findings_of, judged_of, on, sites_of

RULE = Kind(title="t", group="yield", close_after=5, cause="c", next_step="n")
KINDS = {"string-loss": RULE, "underperformance": RULE}
NO_DAYS = np.empty(0, dtype=np.int64)


def told(rows, *, site="A") -> pl.DataFrame:
    """LOSSES of (kind, day, told on, kWh); a kWh costs 0.25."""
    made = [
        {"site_id": site, "kind": kind, "day": on(day), "told_on": on(told_on), "loss_kwh": kwh, "cost": kwh / 4,
         "basis": MEASURED}
        for kind, day, told_on, kwh in rows
    ]  # fmt: skip
    return pl.DataFrame(made, schema=LOSSES)


def lost_days(*rows) -> LostDays:
    """Of (day, kWh, cost, basis)."""
    days, kwh, cost, basis = zip(*rows, strict=True)
    return LostDays(
        np.array([on(day).toordinal() for day in days]), np.array(kwh), np.array(cost),
        np.array([BASES.index(one) for one in basis]),
    )  # fmt: skip


def in_force(rows, day) -> LostDays:
    """At site A at the end of a day."""
    return in_force_at(rows, dict.fromkeys(KINDS, "yield"), [on(day)])[0].get(("A", "yield"), NO_LOSSES)


def exception(findings, day, losses=None, *, judged=None, first_days=None) -> dict:
    rows = fold(
        findings,
        judged_of(range(90)) if judged is None else judged,
        NOT_JUDGED.to_frame(),
        DECISIONS.to_frame(),
        sites_of("A"),
        KINDS,
        {kind: kind for kind in KINDS},
        day=on(day),
        losses=losses,
        first_days=first_days,
    ).exceptions.to_dicts()
    assert len(rows) == 1
    return rows[0]


def test_days_without_a_finding_count_from_the_first_to_the_last():
    found = findings_of([10, 13], kind="underperformance", since=on(8))
    rows = [("underperformance", day, 13, 3.0) for day in range(8, 14)]
    one = exception(found, 13, told(rows))
    assert one["loss_kwh"] == pytest.approx(18.0)  # days 8 to 13: six times 3
    assert one["cost"] == pytest.approx(4.5)
    assert (one["loss_per_day_kwh"], one["cost_per_day"]) == (pytest.approx(3.0), pytest.approx(0.75))
    assert one["loss_basis"] == "measured"


def test_the_latest_finding_that_tells_of_a_day_counts_and_the_others_stay():
    found = findings_of([3, 4], kind="underperformance", since=on(1))
    rows = [
        *(("underperformance", day, 3, 2.0) for day in (1, 2, 3)),
        *(("underperformance", day, 4, 5.0) for day in (3, 4)),
    ]
    assert exception(found, 4, told(rows))["loss_kwh"] == pytest.approx(2 + 2 + 5 + 5)
    # As things stood on day 3, what day 4 told was not known.
    assert exception(found, 3, told(rows))["loss_kwh"] == pytest.approx(2 + 2 + 2)


def test_the_loss_goes_on_while_the_diagnosis_changes():
    found = pl.concat([
        findings_of([1, 2, 3], kind="underperformance", since=on(0)),
        findings_of([4, 5], kind="string-loss", since=on(0)),
    ])  # fmt: skip
    rows = [
        *(("underperformance", day, 3, 4.0) for day in range(4)),
        *(("string-loss", day, 5, 6.0) for day in (4, 5)),
    ]
    one = exception(found, 5, told(rows))
    assert (one["kind"], one["loss_kwh"]) == ("string-loss", pytest.approx(4 * 4 + 2 * 6))
    # mean of six judged days
    assert one["loss_per_day_kwh"] == pytest.approx(28 / 6)


def test_of_two_kinds_that_tell_of_a_day_on_one_evening_the_trusted_one_counts():
    both = [("underperformance", 2, 2, 9.0), ("string-loss", 2, 2, 7.0)]
    found = pl.concat([findings_of([2], kind=kind) for kind in KINDS])
    assert exception(found, 2, told(both))["loss_kwh"] == pytest.approx(7.0)


def test_a_day_costs_the_mean_of_the_last_seven_judged_ones():
    found = findings_of(range(20), kind="underperformance", since=on(0))
    rows = [("underperformance", day, day, float(day)) for day in range(20)]
    one = exception(found, 19, told(rows))
    assert one["loss_per_day_kwh"] == pytest.approx(16.0)  # 13 to 19
    assert one["loss_kwh"] == pytest.approx(190.0)  # 0 to 19
    # Judged and clear days between count as nothing lost: days 13 and 19 of the seven.
    some = findings_of([6, 13, 19], kind="underperformance")
    few = told([("underperformance", day, day, 7.0) for day in (6, 13, 19)])
    rule = exception(some.filter(pl.col("day") >= on(13)), 19, few.filter(pl.col("day") >= on(13)),
                     judged=judged_of([13, 15, 16, 19]))  # fmt: skip
    assert rule["loss_per_day_kwh"] == pytest.approx(14 / 4)


def test_silence_is_not_measured_and_feed_in_is_no_loss():
    silent = [(n, 0.0, 0.0, SILENT) for n in range(3)]
    loss = sum_up(lost_days(*silent), NO_DAYS, first=on(0), last=on(2))
    assert (loss.loss_kwh, loss.loss_per_day_kwh, loss.loss_basis) == (0.0, 0.0, "not measurable while silent")
    fed_in = lost_days(*((n, 2.5, 0.0, FED_IN) for n in range(3)))
    loss = sum_up(fed_in, NO_DAYS, first=on(0), last=on(1))
    assert (loss.loss_kwh, loss.at_stake_kwh, loss.loss_basis) == (0.0, 5.0, "fed in beyond the limit")
    nothing = lost_days((0, 0.0, 0.0, NOTHING))
    assert sum_up(nothing, NO_DAYS, first=on(0), last=on(0)).loss_basis == "no energy at stake"
    # A week with a measured loss stays measured while the site is silent.
    assert sum_up(lost_days((0, 1.0, 0.3, MEASURED), *silent[1:]), NO_DAYS, first=on(0), last=on(2)) == (
        1.0, 0.3, "measured", 1.0, 0.3, 0.0,
    )  # fmt: skip


ROWS = st.lists(
    st.tuples(st.sampled_from(sorted(KINDS)), st.integers(0, 30), st.integers(0, 10), st.floats(0, 50)), max_size=60
)


@settings(deadline=None)
@given(ROWS, st.integers(0, 30), st.integers(0, 30), st.integers(0, 30))
def test_losses_are_additive_over_days(drawn, first, middle, last):
    """The loss of a span is the sum of those of its parts, and of its days."""
    first, middle, last = sorted([first, middle, last])
    rows = told([(kind, day, day + later, kwh) for kind, day, later, kwh in drawn])
    rows = rows.unique(["kind", "day", "told_on"], keep="first", maintain_order=True)
    losses = in_force(rows, 60)

    def lost(begin, end) -> float:
        return sum_up(losses, NO_DAYS, first=on(begin), last=on(end)).loss_kwh

    assert lost(first, last) == pytest.approx(sum(lost(day, day) for day in range(first, last + 1)))
    assert lost(first, last) == pytest.approx(lost(first, middle) + (lost(middle + 1, last) if middle < last else 0.0))


OF_DAYS = st.lists(
    st.tuples(st.integers(0, 30), st.floats(0, 50), st.floats(-5, 5), st.sampled_from(BASES)),
    min_size=1, max_size=30, unique_by=lambda row: row[0],
)  # fmt: skip


@settings(deadline=None)
@given(OF_DAYS, st.sets(st.integers(0, 30)), st.integers(0, 30), st.integers(0, 30))
def test_the_sums_equal_a_walk_over_the_days(drawn, clear, first, last):
    first, last = sorted([first, last])
    rows = {day: row for day, *row in sorted(drawn)}
    kwh = cost = at_stake = 0.0
    judged, bases = [], set()
    for day in range(first, last + 1):
        lost, price, basis = rows.get(day, (0.0, 0.0, None))
        bases.add(basis)
        if basis == MEASURED:
            kwh, cost = kwh + lost, cost + price
        if basis == FED_IN:
            at_stake += lost
        if day in clear or basis not in (SILENT, None):
            judged.append((lost, price) if basis == MEASURED else (0.0, 0.0))
    week = judged[-7:]
    told = sum_up(lost_days(*sorted(drawn)), np.array([on(day).toordinal() for day in sorted(clear)], dtype=np.int64),
                  first=on(first), last=on(last))  # fmt: skip
    assert (told.loss_kwh, told.cost, told.at_stake_kwh) == (kwh, cost, at_stake)
    assert told.loss_basis == min(bases - {None}, key=BASES.index, default=NOTHING)
    assert told.loss_per_day_kwh == pytest.approx(sum(one for one, _ in week) / max(len(week), 1))
    assert told.cost_per_day == pytest.approx(sum(one for _, one in week) / max(len(week), 1))


@settings(deadline=None)
@given(ROWS)
def test_no_day_counts_twice_however_many_findings_tell_of_it(drawn):
    rows = told([(kind, day, day + later, kwh) for kind, day, later, kwh in drawn])
    rows = rows.unique(["kind", "day", "told_on"], keep="first", maintain_order=True)
    losses = in_force(rows, 60)
    days = losses.days.tolist()
    assert days == sorted(set(days))
    # A second method: walk over the rows and keep what is told last, of one evening by the trusted kind.
    kept: dict = {}
    for row in sorted(rows.to_dicts(), key=lambda row: (row["told_on"], -list(KINDS).index(row["kind"]))):
        kept[row["day"].toordinal()] = row["loss_kwh"]
    assert dict(zip(days, losses.kwh.tolist(), strict=True)) == kept


def test_two_exceptions_of_a_group_share_no_day():
    found = pl.concat([
        findings_of([1, 2], kind="underperformance", since=on(0)),
        findings_of([50], kind="underperformance", since=on(1)),  # its window begins before the first one closed
    ])  # fmt: skip
    rows = told([("underperformance", day, 50, 1.0) for day in range(51)])
    table = fold(
        found, judged_of(range(60)), NOT_JUDGED.to_frame(), DECISIONS.to_frame(), sites_of("A"), KINDS,
        {kind: kind for kind in KINDS}, day=on(50), losses=rows,
    ).exceptions  # fmt: skip
    assert table["first_day"].to_list() == [on(0), on(3)]
    assert table["loss_kwh"].to_list() == [3.0, 48.0]  # days 0 to 2, and 3 to 50


def test_the_first_day_is_what_most_findings_name():
    def named(*rows) -> list[Found]:
        """Findings of (day, since)."""
        return [
            Found(n, on(day).toordinal(), "k", "soon", None if since is None else on(since).toordinal())
            for n, (day, since) in enumerate(rows)
        ]

    assert first_day(named((8, 3), (9, 5), (10, 5), (11, 6)), not_before=None) == on(5)
    # A window that moves on names another day each night: the earliest stays.
    assert first_day(named(*((day, day - 60) for day in range(70, 80))), not_before=None) == on(10)
    # Without a change-point, and never after a finding: the first finding.
    assert first_day(named((4, None), (7, 6)), not_before=None) == on(4)


def test_the_first_day_is_not_before_the_sites_first_judged_day():
    found = findings_of([20, 21], kind="underperformance", since=on(20) - timedelta(days=60))
    assert exception(found, 21, first_days={"A": on(18)})["first_day"] == on(18)
    assert exception(found, 21, first_days={"A": on(25)})["first_day"] == on(20)
    assert exception(found, 21)["first_day"] == on(-40)
