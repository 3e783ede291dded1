"""Exceptions over days: DESIGN's rules of opening, closing, returning and hiding, by hand-made histories.

Dates are counted from day 0; the histories are short enough to check by eye.
"""

import json
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

import detectors
from detectors.finding import OVER, Kind
from detectors.frames import SITES
from pipeline.exceptions.changes import Folded
from pipeline.exceptions.course import REOPEN_DAYS
from pipeline.exceptions.fold import fold
from pipeline.exceptions.revisits import order, revisits
from pipeline.frames import DECISIONS, EVENTS, EXCEPTIONS, FINDINGS, JUDGED, NOT_JUDGED, REVISITS

START = date(2026, 3, 1)
KIND = "underperformance"
DETECTOR = "yield"
OWN_DETECTORS = ("string-loss", "no-generation")
RULE = Kind(title="t", open_after=2, within=3, close_after=3, cause="c", next_step="n")


def on(number: int) -> date:
    return START + timedelta(days=number)


def findings_of(days, *, site="A", kind=KIND, **changed) -> pl.DataFrame:
    fixed = {"severity": "soon", "value": 20.0, "unit": "%", "threshold": 15.0, "loss_kwh": 2.0, "cost": 0.5}
    text = {"summary": "s", "measured": "m", "expected": "e", "evidence": "{}"}
    rows = [{"site_id": site, "kind": kind, "day": on(d), **fixed, **text, **changed} for d in days]
    return pl.DataFrame(rows, schema=FINDINGS)


def judged_of(days, *, site="A") -> pl.DataFrame:
    return pl.DataFrame([{"site_id": site, "day": on(d)} for d in days], schema=JUDGED)


def not_judged_of(days, *, site="A", detector=DETECTOR) -> pl.DataFrame:
    rows = [{"site_id": site, "day": on(d), "detector": detector, "reason": "dark"} for d in days]
    return pl.DataFrame(rows, schema=NOT_JUDGED)


def decision(day, action, exception_id=f"A-{KIND}-1", *, until=None, note="", hour=8) -> dict:
    at = datetime(2026, 3, 1, hour, tzinfo=UTC) + timedelta(days=day)
    return {
        "decided_at": at,
        "on_day": on(day),
        "exception_id": exception_id,
        "action": action,
        "until": None if until is None else on(until),
        "note": note,
        "decided_by": "desk",
    }


def sites_of(*ids, **changed) -> pl.DataFrame:
    rows = [{"site_id": i, "name": i, "currency": "EUR", "watched": True, "installer_id": "N", **changed} for i in ids]
    return pl.DataFrame(rows, schema=SITES)


def told_of(findings, day, *, judged=None, skipped=None, decided=(), kinds=None, sites=None) -> Folded:
    kinds = kinds or {KIND: RULE}
    told = fold(
        findings,
        judged_of(range(200)) if judged is None else judged,
        NOT_JUDGED.to_frame() if skipped is None else skipped,
        pl.DataFrame(list(decided), schema=DECISIONS),
        sites_of("A", "B") if sites is None else sites,
        kinds,
        dict.fromkeys(kinds, DETECTOR) | {kind: kind for kind in kinds if kind in OWN_DETECTORS},
        day=on(day),
    )
    assert told.exceptions.schema == EXCEPTIONS
    assert told.events.schema == EVENTS
    return told


def folded(findings, day, **options) -> list[dict]:
    return told_of(findings, day, **options).exceptions.to_dicts()


def events_of(findings, day, **options) -> list[tuple]:
    told = told_of(findings, day, **options).events
    return [(row["at"], row["event"], row["by"], row["note"]) for row in told.iter_rows(named=True)]


def test_the_contracts_columns_come_first():
    named = "exception_id site_id kind severity status opened_on first_day last_day days_open loss_kwh cost currency "
    assert list(EXCEPTIONS)[:14] == (named + "summary evidence").split()


def test_nothing_in_nothing_out():
    assert folded(FINDINGS.to_frame(), 5) == []


@pytest.mark.parametrize(
    ("days", "opened"),
    [
        ([4], None),  # one finding is too few
        ([4, 6], 6),  # two among days 4, 5, 6
        ([4, 7], None),  # among 5, 6, 7 there is one only
        ([4, 7, 8], 8),
    ],
)
def test_opens_when_the_rule_is_met(days, opened):
    rows = folded(findings_of(days), 9)
    assert [row["opened_on"] for row in rows] == ([] if opened is None else [on(opened)])


def test_days_that_were_not_judged_do_not_count_in_the_window():
    # Days 5 to 8 could not be judged, so 4 and 9 are neighbours.
    days = [d for d in range(20) if not 5 <= d <= 8]
    assert folded(findings_of([4, 9]), 9, judged=judged_of(days))[0]["opened_on"] == on(9)
    skipped = not_judged_of(range(5, 9))
    assert folded(findings_of([4, 9]), 9, skipped=skipped)[0]["opened_on"] == on(9)
    assert folded(findings_of([4, 9]), 9, skipped=not_judged_of(range(5, 9), detector="other")) == []


def test_figures_of_an_exception():
    worse = findings_of([6], summary="later", severity="urgent", since=on(1), loss_kwh=5.0, cost=1.5)
    row = folded(pl.concat([findings_of([4, 5]), worse]), 8)[0]
    assert row["exception_id"] == f"A-{KIND}-1"
    assert (row["opened_on"], row["first_day"], row["last_day"]) == (on(5), on(1), on(6))
    assert (row["days_open"], row["finding_days"], row["clear_days"]) == (3, 3, 2)
    assert (row["loss_kwh"], row["cost"], row["currency"]) == (9.0, 2.5, "EUR")  # 2 + 2 + 5, 0.5 + 0.5 + 1.5
    assert (row["severity"], row["summary"], row["status"]) == ("urgent", "later", "open")
    assert row["detector"] == DETECTOR


def test_missing_data_never_closes():
    days = [*range(6), 30, 31]
    row = folded(findings_of([4, 5]), 31, judged=judged_of(days))[0]
    assert (row["status"], row["clear_days"]) == ("open", 2)  # days 30 and 31
    assert folded(findings_of([4, 5]), 60, judged=judged_of(range(6)))[0]["status"] == "open"
    assert folded(findings_of([4, 5]), 60, skipped=not_judged_of(range(6, 61)))[0]["status"] == "open"


def test_clear_days_in_a_row_close():
    assert folded(findings_of([4, 5]), 7)[0]["status"] == "open"
    row = folded(findings_of([4, 5]), 40)[0]
    assert (row["status"], row["closed_on"], row["days_open"]) == ("closed", on(8), 3)
    # A finding in between starts the count anew; a day not judged does not.
    assert folded(findings_of([4, 5, 8]), 40)[0]["closed_on"] == on(11)
    assert folded(findings_of([4, 5]), 40, skipped=not_judged_of([7]))[0]["closed_on"] == on(9)


def test_returning_within_thirty_days_is_the_same_exception():
    last = 8 + REOPEN_DAYS  # closed on day 8
    rows = folded(findings_of([4, 5, last, last + 1]), last + 1)
    assert [(r["exception_id"], r["reopened"], r["status"], r["closed_on"]) for r in rows] == [
        (f"A-{KIND}-1", 1, "open", None)
    ]
    assert rows[0]["finding_days"] == 4
    # One finding alone does not meet the rule.
    assert folded(findings_of([4, 5, last]), last + 1)[0]["status"] == "closed"


def test_returning_later_is_a_new_exception():
    later = 9 + REOPEN_DAYS
    rows = folded(findings_of([4, 5, later, later + 1]), later + 1)
    assert [(r["exception_id"], r["status"]) for r in rows] == [(f"A-{KIND}-1", "closed"), (f"A-{KIND}-2", "open")]
    assert rows[1]["finding_days"] == 2


def test_acknowledging_keeps_until_closed():
    decided = [decision(5, "acknowledge", note="seen")]
    row = folded(findings_of([4, 5]), 6, decided=decided)[0]
    assert (row["status"], row["note"]) == ("acknowledged", "seen")
    assert folded(findings_of([4, 5]), 9, decided=decided)[0]["status"] == "closed"
    assert folded(findings_of([4, 5, 20, 21]), 21, decided=decided)[0]["status"] == "open"


def test_a_snooze_ends_on_its_day():
    decided = [decision(6, "snooze", until=10)]
    found = findings_of(range(4, 20))
    states = [folded(found, d, decided=decided)[0]["status"] for d in (5, 6, 9, 10)]
    assert states == ["open", "snoozed", "snoozed", "open"]
    assert folded(found, 9, decided=decided)[0]["snoozed_until"] == on(10)
    assert folded(found, 10, decided=decided)[0]["snoozed_until"] is None


def test_a_persons_close_holds_until_a_clear_day():
    decided = [decision(6, "close", note="fixed")]
    still = folded(findings_of(range(4, 15)), 14, decided=decided)[0]
    assert (still["status"], still["closed_on"], still["note"]) == ("closed", on(6), "fixed")
    assert still["finding_days"] == 3  # what came after the close is not part of it
    # Clear on day 8, back on 9 and 10: the same exception again.
    back = folded(findings_of([4, 5, 6, 7, 9, 10]), 10, decided=decided)
    assert [(r["exception_id"], r["status"], r["reopened"]) for r in back] == [(f"A-{KIND}-1", "open", 1)]


def test_a_persons_close_holds_thirty_days_at_most():
    decided = [decision(6, "close")]
    last = 6 + REOPEN_DAYS
    found = findings_of(range(4, last + 3))
    assert len(folded(found, last + 1, decided=decided)) == 1
    rows = folded(found, last + 2, decided=decided)
    assert [(r["exception_id"], r["status"]) for r in rows] == [(f"A-{KIND}-1", "closed"), (f"A-{KIND}-2", "open")]


def test_a_person_may_open_again():
    decided = [decision(6, "close"), decision(7, "reopen")]
    row = folded(findings_of([4, 5, 6]), 7, decided=decided)[0]
    assert (row["status"], row["closed_on"], row["reopened"]) == ("open", None, 1)


def test_the_later_decision_of_a_day_counts():
    decided = [decision(5, "snooze", until=20, hour=9), decision(5, "acknowledge", hour=8)]
    assert folded(findings_of([4, 5]), 6, decided=decided)[0]["status"] == "snoozed"


def test_decisions_that_do_not_fit_change_nothing():
    plain = folded(findings_of([4, 5]), 7)
    for odd in (
        decision(3, "close"),  # before it opened
        decision(6, "close", exception_id="A-underperformance-9"),
        decision(6, "close", exception_id="nonsense"),
        decision(6, "frobnicate", note="x"),
        decision(6, "snooze"),  # until when?
        decision(8, "close"),  # later than the day asked for
    ):
        assert folded(findings_of([4, 5]), 7, decided=[odd]) == plain


@pytest.mark.parametrize("flip", [False, True])
def test_of_two_findings_of_a_day_the_worse_counts_whatever_their_order(flip):
    pairs = [("soon", 20.0, "b"), ("soon", 20.0, "a"), ("soon", -9.0, "c"), ("watch", 99.0, "d")]
    twice = [findings_of([4, 5], severity=s, value=v, summary=text) for s, v, text in (pairs[::-1] if flip else pairs)]
    row = folded(pl.concat(twice), 5)[0]
    assert (row["severity"], row["value"], row["summary"], row["finding_days"]) == ("soon", 20.0, "a", 2)


def test_unwatched_and_unknown_sites_raise_nothing():
    assert folded(findings_of([4, 5]), 6, sites=sites_of("A", watched=False)) == []
    assert folded(findings_of([4, 5]), 6, sites=sites_of("B")) == []


def test_later_rows_are_left_out_of_account():
    found = findings_of([4, 5, 8, 9, 15, 16])
    upto = found.filter(pl.col("day") <= on(9))
    assert folded(found, 9) == folded(upto, 9, judged=judged_of(range(10)))


def hidden(findings, **options) -> dict[str, str | None]:
    kinds = {name: kind.model_copy(update={"open_after": 1}) for name, kind in detectors.kinds().items()}
    return {row["exception_id"]: row["hidden_by"] for row in folded(findings, 5, kinds=kinds, **options)}


def test_a_wrong_clock_hides_yield_and_battery_only():
    kinds = (KIND, "battery-at-floor", "unexpected-export", "clock-step")
    found = pl.concat([findings_of([5], kind=k) for k in kinds] + [findings_of([5], site="B")])
    assert hidden(found) == {
        "A-yield-1": "A-clock-1",
        "A-battery-at-floor-1": "A-clock-1",
        "A-unexpected-export-1": None,
        "A-clock-1": None,
        "B-yield-1": None,
    }


def test_silence_hides_everything_of_the_site():
    others = [findings_of([5], kind=k) for k in (KIND, "unexpected-export", "clock-step")]
    found = pl.concat([*others, findings_of([5], kind="site-silent", severity="urgent")])
    assert hidden(found) == {
        "A-yield-1": "A-site-silent-1",
        "A-unexpected-export-1": "A-site-silent-1",
        "A-clock-1": "A-site-silent-1",
        "A-site-silent-1": None,
    }


def test_a_silent_device_hides_nothing_of_the_others():
    found = pl.concat([findings_of([5]), findings_of([5], kind="site-silent", severity="soon")])
    assert hidden(found) == {"A-yield-1": None, "A-site-silent-1": None}


def test_a_closed_cause_hides_nothing():
    found = pl.concat([findings_of([0], kind="clock-step"), findings_of([5])])
    assert hidden(found)["A-yield-1"] is None


def test_a_cause_that_says_since_when_it_is_over_hides_what_lies_before():
    """Daylight saving was wrong until the clocks changed on day 4: yesterday's yield is its effect, today's not."""
    over = json.dumps({OVER: on(4).isoformat()})
    cause = findings_of([4, 5], kind="daylight-saving-wrong", since=on(0), evidence=over)
    assert hidden(pl.concat([cause, findings_of([2, 3])]))["A-yield-1"] == "A-clock-1"
    assert hidden(pl.concat([cause, findings_of([3, 5])]))["A-yield-1"] is None
    assert hidden(pl.concat([cause.with_columns(evidence=pl.lit("{}")), findings_of([3, 5])]))["A-yield-1"]


def test_an_effect_is_hidden_on_the_days_of_its_cause_whichever_was_known_first():
    """The sensor is turned from day 1 on, which is known on day 3; the balance was open on days 1 and 2."""
    effect = findings_of([1, 2], kind="balance-broken")
    cause = findings_of([3, 4, 5], kind="meter-reversed", since=on(1))
    assert hidden(effect)["A-balance-broken-1"] is None
    assert hidden(pl.concat([effect, cause]))["A-balance-broken-1"] == "A-meter-reversed-1"
    # An effect that is closed, with days before those of its cause, is not explained by it.
    early = findings_of([0], kind="balance-broken")
    late = findings_of([5], kind="meter-reversed", since=on(4))
    assert hidden(pl.concat([early, late]))["A-balance-broken-1"] is None


def test_an_effect_that_takes_longer_to_close_stays_hidden():
    kinds = {
        "meter-reversed": RULE.model_copy(update={"open_after": 1, "close_after": 1, "hides": ("balance-broken",)}),
        "balance-broken": RULE.model_copy(update={"open_after": 1, "close_after": 9}),
    }
    found = pl.concat([findings_of([1, 2], kind=kind) for kind in kinds])
    rows = {row["kind"]: row for row in folded(found, 6, kinds=kinds)}
    assert (rows["meter-reversed"]["status"], rows["balance-broken"]["status"]) == ("closed", "open")
    assert rows["balance-broken"]["hidden_by"] == "A-meter-reversed-1"
    later = pl.concat([found, findings_of([5], kind="balance-broken")])
    assert {row["kind"]: row["hidden_by"] for row in folded(later, 6, kinds=kinds)}["balance-broken"] is None


def test_readings_that_cannot_be_hide_the_sums_that_do_not_close():
    found = [findings_of([4, 5], kind=k) for k in ("balance-broken", "readings-implausible")]
    assert hidden(pl.concat(found))["A-balance-broken-1"] == "A-readings-implausible-1"


def test_a_turned_sensor_hides_what_follows_from_its_sign():
    kinds = ("meter-reversed", "balance-broken", "unexpected-export", "voltage-out-of-band")
    rows = hidden(pl.concat([findings_of([4, 5], kind=k) for k in kinds]))
    assert {exception_id for exception_id, cause in rows.items() if cause == "A-meter-reversed-1"} == {
        "A-balance-broken-1", "A-unexpected-export-1"
    }  # fmt: skip


def test_a_hidden_cause_hides_behind_the_cause_that_hides_it():
    silent = findings_of([5], kind="site-silent", severity="urgent")
    rows = hidden(
        pl.concat([findings_of([5], kind="meter-reversed"), findings_of([5], kind="unexpected-export"), silent])
    )
    assert rows == {
        "A-site-silent-1": None,
        "A-meter-reversed-1": "A-site-silent-1",
        "A-unexpected-export-1": "A-site-silent-1",  # not behind a row that is itself not shown
    }


def ranked(*rows, rates=None) -> str:
    """The order of rows (id, severity, currency, cost per day, kWh per day)."""
    names = ("exception_id", "severity", "currency", "cost_per_day", "loss_per_day_kwh")
    told = [dict(zip(names, row, strict=True)) | {"opened_on": on(0)} for row in rows]
    frame = pl.DataFrame(told, schema=EXCEPTIONS)
    assert order(frame[::-1], rates).equals(order(frame, rates))
    return "".join(order(frame, rates)["exception_id"])


def test_worst_first():
    rows = [
        ("e", "watch", "EUR", 90.0, 300.0),
        ("d", "soon", "EUR", 1.0, 4.0),
        ("c", "soon", "EUR", 4.5, 2.0),
        ("b", "soon", "EUR", 1.0, 3.0),
        ("a", "urgent", "EUR", 0.0, 0.0),
    ]
    # soon: by money per day c 4.5, then d and b with 1 each, of which d loses more energy
    assert ranked(*rows) == "acdbe"


def test_between_currencies_energy_counts_and_money_within_each():
    rows = [
        ("a", "soon", "EUR", 1.0, 10.0),
        ("b", "soon", "EUR", 2.0, 5.0),
        ("c", "soon", "INR", 90.0, 7.0),
        ("d", "soon", "INR", 80.0, 1.0),
    ]
    # By energy: EUR 10, INR 7, EUR 5, INR 1; the places of EUR go to b before a, those of INR to c before d.
    assert ranked(*rows) == "bcad"
    # With 1 INR = 0.011 EUR: b 2.00, a 1.00, c 0.99, d 0.88.
    assert ranked(*rows, rates={"EUR": 1.0, "INR": 0.011}) == "bacd"
    assert ranked(*rows, rates={"EUR": 1.0}) == "bcad"  # one rate of two compares nothing


def test_revisits_are_what_an_installer_must_see():
    kinds = {
        KIND: RULE.model_copy(update={"where": "site", "steps": ("look", "remedy"), "cautions": ("live in daylight",)}),
        "voltage-out-of-band": RULE,
    }
    found = pl.concat(
        [findings_of([4, 5]), findings_of([4, 5], site="B"), findings_of([4, 5], kind="voltage-out-of-band")]
    )
    decided = [decision(5, "snooze", exception_id=f"B-{KIND}-1", until=20)]
    frame = pl.DataFrame(folded(found, 6, kinds=kinds, decided=decided), schema=EXCEPTIONS)
    sheet = revisits(frame, sites_of("A", "B"), kinds)
    assert sheet.schema == REVISITS
    row = sheet.row(0, named=True)
    assert sheet.height == 1
    assert (row["exception_id"], row["installer_id"], row["since"]) == (f"A-{KIND}-1", "N", on(4))
    assert row["steps"].splitlines() == ["CAUTION: live in daylight", "1. look", "2. remedy"]
    assert row["diagnosis"] == "s. Likely cause: c"
    knows = frame.with_columns(evidence=pl.lit('{"cause_text": "dirt"}'))  # the finding knows more than its kind
    assert revisits(knows, sites_of("A", "B"), kinds)["diagnosis"].to_list() == ["s. Likely cause: dirt"]
    watched = frame.with_columns(severity=pl.lit("watch"))
    assert revisits(watched, sites_of("A", "B"), kinds).is_empty()  # what is only to be watched sends nobody
