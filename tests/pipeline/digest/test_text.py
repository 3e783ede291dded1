"""The plain text says what the facts say, within 100 columns."""

from datetime import UTC, date, datetime

from pipeline.digest.model import Losses, Money
from pipeline.digest.text import losses, subject, to_short_text, to_text
from tests.support.digest_facts import finding, morning, sites

ZERO = Money(amount=0.0, currency="EUR")


def test_it_says_what_the_facts_say():
    facts = morning()
    text = to_text(facts)
    flat = " ".join(text.split())
    assert facts.headline in flat
    for figure in facts.figures:
        assert f"{figure.value} {figure.label} ({figure.note})" in flat
    for one in (*facts.exceptions, *facts.closed):
        assert one.exception_id in text
    assert "Explains: Yields too little" in flat
    assert "2.0 kWh, 0.50 CHF per day; 2.0 kWh, 0.50 CHF so far; 15.50 CHF in all if left 30 days more" in flat
    assert "Remedy: visit by Crew North" in flat
    assert "Crew North: 1 visit" in text
    assert "New: 3 sites: readings cover 9.5 to 54 % of the day (the clock, the yield): Roof 2; Roof 3; Roof 4" in text
    assert "quarantined: inbox/a<b>.csv: no profile matches" in text
    assert "without data: S4" in text


def test_no_line_is_too_wide():
    rows = [finding("S0", "underperformance", 0, summary="a " * 300)]
    for facts in (morning(), morning(rows)):
        assert max(len(line) for line in to_text(facts).splitlines()) <= 100


def test_no_control_characters_reach_a_terminal():
    assert all(c == "\n" or c.isprintable() for c in to_text(morning()))


def test_a_long_list_ends_in_a_count():
    rows = [finding(f"S{i}", "underperformance", 0) for i in range(200)]
    text = to_text(morning(rows, register=sites(200)))
    assert text.count("Next step:") == 20  # those with a picture
    assert "and 79 more: see digest.html" in text  # 200 sites, one unwatched: 199 - 20 - 100


def test_the_subject_names_the_worst_two_and_the_day():
    named = subject(morning())
    assert named.startswith("Noonmark digest: 1 urgent, Roof 0 (feeds in) and ")
    assert named.endswith("(clock off) and 1 more, 14 April")
    assert subject(morning([])) == "Noonmark digest: nothing needs a look, 14 April"
    assert "\n" not in subject(morning(title="a\nb"))


def test_the_short_text_is_a_sentence_a_line_each_and_the_link():
    facts = morning(url="https://desk.example.org/digests/")
    lines = to_short_text(facts, facts.exceptions[:2]).rstrip().split("\n\n")
    assert " ".join(lines[0].split()) == facts.headline
    assert "S0-unexpected-export-1" in lines[1] and "S1-time-zone-wrong-1" in lines[1]
    assert lines[2:] == ["and 1 more on the page.", "The page: https://desk.example.org/digests/2026-04-14/digest.html"]
    assert "attached" in to_short_text(morning(), [])


def test_who_has_it_is_told():
    at = datetime(2026, 4, 12, tzinfo=UTC)
    decision = {
        "exception_id": "S1-time-zone-wrong-1", "decided_at": at, "on_day": date(2026, 4, 12), "decided_by": "Ann",
        "decided_for": "Bo", "action": "acknowledge", "note": "",
    }  # fmt: skip
    assert "acknowledged by Ann on 12 April, with Bo" in to_text(morning(decisions=[decision]))


def test_what_is_told_where_no_loss_was_measured():
    none = Losses(per_day_kwh=0, per_day=ZERO, so_far_kwh=0, so_far=ZERO, if_left_kwh=0, if_left=ZERO)
    told = [none.model_copy(update=one) for one in (
        {}, {"basis": "not measurable while silent"}, {"basis": "no energy at stake"},
        {"basis": "fed in beyond the limit", "at_stake_kwh": 12.34},
    )]  # fmt: skip
    assert [losses(one) for one in told] == [
        "no loss of energy measured", "not measurable while silent", "no energy at stake",
        "12.3 kWh fed in beyond the limit so far",
    ]  # fmt: skip
