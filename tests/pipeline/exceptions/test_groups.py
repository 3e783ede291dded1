"""One exception per group of kinds, whose diagnosis may change; what persons decide of it."""

import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from detectors.finding import Kind
from pipeline.frames import FINDINGS
from tests.pipeline.exceptions.test_fold import (
    KIND,
    RULE,
    decision,
    events_of,
    findings_of,
    folded,
    not_judged_of,
    on,
    told_of,
)

YIELD = {
    "no-generation": Kind(title="n", group="yield", cause="c", next_step="n", close_after=1),
    "string-loss": Kind(title="s", group="yield", open_after=3, within=5, close_after=2, cause="c", next_step="n"),
    KIND: RULE.model_copy(update={"group": "yield"}),
}


def test_a_change_of_diagnosis_keeps_the_exception_and_is_told():
    found = pl.concat(
        [findings_of([4, 5, 6]), findings_of([7, 8], kind="string-loss", severity="urgent", loss_kwh=3.0)]
    )
    rows = folded(found, 8, kinds=YIELD)
    assert [(r["exception_id"], r["kind"], r["severity"], r["detector"]) for r in rows] == [
        ("A-yield-1", "string-loss", "urgent", "string-loss")
    ]
    row = rows[0]
    assert (row["opened_on"], row["first_day"], row["last_day"], row["finding_days"]) == (on(5), on(4), on(8), 5)
    assert row["loss_kwh"] == 3 * 2.0 + 2 * 3.0
    assert events_of(found, 8, kinds=YIELD) == [
        (on(5), "opened", "detection", KIND),
        (on(7), "diagnosis changed", "detection", f"{KIND} -> string-loss"),
        (on(7), "severity changed", "detection", "soon -> urgent"),
    ]


def test_of_two_kinds_on_a_day_the_more_trusted_one_is_the_diagnosis():
    found = [findings_of([3, 4, 5], severity="urgent"), findings_of([5], kind="no-generation", loss_kwh=9.0)]
    for order_of_rows in (found, found[::-1]):
        row = folded(pl.concat(order_of_rows), 5, kinds=YIELD)[0]
        assert (row["kind"], row["finding_days"], row["loss_kwh"]) == ("no-generation", 3, 2.0 + 2.0 + 9.0)


def test_findings_of_the_group_count_together_by_the_rule_of_the_latest():
    # Three of five are asked for by the string's rule; two of another diagnosis count among them.
    found = pl.concat([findings_of([2]), findings_of([5, 6], kind="string-loss")])
    assert [r["opened_on"] for r in folded(found, 6, kinds=YIELD)] == [on(6)]
    assert folded(found, 5, kinds=YIELD) == []
    far = pl.concat([findings_of([1]), findings_of([5, 6], kind="string-loss")])  # day 1 is not among days 2 to 6
    assert folded(far, 6, kinds=YIELD) == []


def test_it_closes_by_the_rule_and_the_detector_of_its_present_diagnosis():
    found = pl.concat([findings_of([4, 5]), findings_of([6], kind="string-loss")])
    assert folded(found, 9, kinds=YIELD)[0]["closed_on"] == on(8)  # two clear days, as a lost string asks for
    other = not_judged_of(range(7, 20))  # the other kinds' detector
    assert folded(found, 9, kinds=YIELD, skipped=other)[0]["closed_on"] == on(8)
    own = not_judged_of([7], detector="string-loss")
    assert folded(found, 9, kinds=YIELD, skipped=own)[0]["closed_on"] == on(9)


def test_what_came_back_with_another_diagnosis_is_the_same_exception():
    found = pl.concat([findings_of([4, 5]), findings_of([20], kind="no-generation")])
    rows = folded(found, 20, kinds=YIELD)
    assert [(r["exception_id"], r["kind"], r["reopened"]) for r in rows] == [("A-yield-1", "no-generation", 1)]
    assert events_of(found, 21, kinds=YIELD)[1:] == [
        (on(8), "closed", "detection", "clear days in a row: 3"),
        (on(20), "reopened", "detection", "no-generation"),
        (on(21), "closed", "detection", "clear days in a row: 1"),
    ]


def test_another_diagnosis_that_began_after_the_closing_is_another_exception():
    # A roof under snow from day 3 on, closed on day 5; from day 12 on an input is missing, told three days later.
    snow = findings_of([3, 4], kind="no-generation")
    later = findings_of([13, 14, 15], kind="string-loss")
    since = later.with_columns(since=pl.lit(on(12)))
    rows = folded(pl.concat([snow, since]), 15, kinds=YIELD)
    assert [(r["exception_id"], r["kind"], r["first_day"], r["loss_kwh"]) for r in rows] == [
        ("A-yield-1", "no-generation", on(3), 2 * 2.0),
        ("A-yield-2", "string-loss", on(12), 3 * 2.0),
    ]
    for same in (
        later,  # of unknown begin
        later.with_columns(since=pl.lit(on(4))),  # it may have been there all the while
        since.with_columns(kind=pl.lit("no-generation")),  # comes and goes
    ):
        assert len(folded(pl.concat([snow, same]), 15, kinds=YIELD)) == 1


def test_what_persons_decide_is_told_with_their_names():
    decided = [
        decision(5, "acknowledge", note="seen"), decision(6, "snooze", until=20), decision(7, "close", note="washed"),
        decision(8, "reopen"), decision(9, "frobnicate"),
    ]  # fmt: skip
    assert events_of(findings_of(range(4, 10)), 9, decided=decided) == [
        (on(5), "opened", "detection", KIND),
        (on(5), "decided", "desk", "acknowledged: seen"),
        (on(6), "decided", "desk", f"snoozed until {on(20)}"),
        (on(7), "closed", "desk", "washed"),
        (on(8), "reopened", "desk", ""),
    ]


def test_decisions_are_about_the_groups_exception():
    decided = [decision(6, "close", exception_id="A-yield-1")]
    found = pl.concat([findings_of([4, 5]), findings_of(range(6, 12), kind="string-loss")])
    assert [(r["status"], r["closed_on"]) for r in folded(found, 11, kinds=YIELD, decided=decided)] == [
        ("closed", on(6))
    ]


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.integers(0, 40), st.sampled_from(sorted(YIELD))), max_size=40), st.integers(5, 40))
def test_one_exception_at_most_is_open_per_group_and_its_events_agree_with_it(drawn, day):
    found = pl.concat([FINDINGS.to_frame(), *(findings_of([d], kind=kind) for d, kind in drawn)])
    told = told_of(found, day, kinds=YIELD)
    rows = told.exceptions.to_dicts()
    assert sum(row["status"] != "closed" for row in rows) <= 1
    for row in rows:
        own = told.events.filter(pl.col("exception_id") == row["exception_id"])
        names = own["event"].to_list()
        assert own["event_no"].to_list() == list(range(1, own.height + 1))
        assert own["at"].is_sorted()
        assert names[0] == "opened" and own["at"][0] == row["opened_on"]
        assert names.count("reopened") == row["reopened"]
        assert names.count("closed") == row["reopened"] + (row["status"] == "closed")
