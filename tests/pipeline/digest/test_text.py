"""The plain text says what the facts say, within 100 columns."""

from pipeline.digest.text import subject, to_text
from tests.support.digest_facts import finding, morning, sites


def test_it_says_what_the_facts_say():
    facts = morning()
    text = to_text(facts)
    flat = " ".join(text.split())
    assert facts.headline in flat
    for figure in facts.figures:
        assert f"{figure.value} {figure.label} ({figure.note})" in flat
    for matter in (*facts.new, *facts.still_open, *facts.closed):
        assert matter.exception_id in text
    assert "hides Yields too little" in flat
    assert "2.0 kWh, 0.50 CHF so far" in flat
    assert "10.0 kWh, 2.50 EUR so far" in flat
    assert "Crew North: 1 revisit" in text
    assert "3 sites: readings cover 9.5 to 54 % of the day (clock, yield): S2, S3, S4" in text
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


def test_the_subject():
    assert subject(morning()) == "Noonmark digest 2026-04-14: 2 new, 1 urgent, 3 open"
    assert "\n" not in subject(morning(title="a\nb"))
