"""What the digest says, checked by hand on the small fleet of `build.py`."""

import json
from datetime import UTC, date, datetime, timedelta

import duckdb
import polars as pl
import pytest

from detectors.frames import DAYS
from pipeline.digest import to_json
from pipeline.digest.facts import build_facts
from pipeline.frames import EXCEPTIONS, FINDINGS
from tests.support import digest_facts
from tests.support.digest_facts import DAY, morning


def ids(matters) -> list[str]:
    return [m.exception_id for m in matters]


def test_what_is_new_open_hidden_and_closed():
    facts = morning()
    assert ids(facts.new) == ["S0-unexpected-export-1", "S2-underperformance-1"]
    assert ids(facts.still_open) == ["S1-time-zone-wrong-1"]
    assert [h.exception_id for h in facts.still_open[0].hides] == ["S1-underperformance-1"]
    assert ids(facts.closed) == ["S3-voltage-out-of-band-1"]
    assert facts.closed[0].closed_on == DAY


def test_the_morning_in_one_sentence():
    assert morning().headline == "2 matters new since yesterday, 1 of them urgent; 3 of 5 watched sites need a look."
    quiet = morning([])
    assert quiet.headline == "Nothing needs a look today: none of 5 watched sites has an open matter."
    one = morning([digest_facts.finding("S0", "underperformance", 3)])
    assert one.headline == "Nothing needs a look today: none of 5 watched sites has an open matter; 1 matter closed."


def test_five_figures():
    values = {f.label: (f.value, f.note) for f in morning().figures}
    assert values == {
        "new": ("2", "since yesterday"),
        "urgent": ("1", "at 1 site"),
        "open in all": ("3", "at 3 sites"),
        # S1's clock lost 5 x 2 kWh and 2.50 EUR, S2 2 kWh and 0.50 CHF; what is hidden is not added
        "lost by what is open": ("12.0 kWh", "2.50 EUR + 0.50 CHF"),
        "sites with readings": ("5 of 5", "3 not judged in some respect"),
    }


def test_every_figures_query_gives_the_figure():
    facts = morning()
    register, rows = digest_facts.sites(), pl.DataFrame(digest_facts.findings(), schema=FINDINGS)
    tables = {
        "exception": digest_facts.exceptions(digest_facts.findings(), register, DAY),
        "finding": rows,
        "site": register,
        "site_day": digest_facts.site_days(),
        "not_judged": digest_facts.not_judged(),
        "rejected_row": pl.DataFrame({"export_id": [1] * 7, "reason": ["no number"] * 7}),
    }
    with duckdb.connect() as con:
        for name, frame in tables.items():
            con.register(name, frame.to_arrow())

        def ask(query: str) -> list[tuple]:
            return con.sql(query).fetchall()

        queries = {f.label: f.sql for f in facts.figures}
        assert len(ask(queries["new"])) == 2
        assert ask(queries["urgent"]) == [(1,)]
        assert ask(queries["open in all"]) == [(3, 3)]
        assert sorted(ask(queries["lost by what is open"])) == [("CHF", 2.0, 0.5), ("EUR", 10.0, 2.5)]
        assert ask(queries["sites with readings"]) == [(5,)]
        assert len(ask(facts.not_judged_sql)) == digest_facts.not_judged().height
        assert len(ask(facts.map_sql)) == 6 * 30
        assert ask(facts.ingest_sql) == [("no number", 7)]
        for matter in (*facts.new, *facts.still_open, *facts.closed):
            found = ask(matter.sql)
            assert len(found) == matter.finding_days
            losses = [row[list(FINDINGS).index("loss_kwh")] for row in found]
            assert sum(losses) == pytest.approx(matter.loss_kwh)


def test_why_a_matter_is_new():
    at = datetime(2026, 4, 10, tzinfo=UTC)
    snooze = {"decided_at": at, "exception_id": "S1-time-zone-wrong-1", "action": "snooze"}
    decided = [snooze | {"on_day": date(2026, 4, 11), "until": DAY}]
    came = {m.exception_id: m.came for m in morning(decisions=decided).new}
    assert came["S0-unexpected-export-1"] == "new"
    assert came["S1-time-zone-wrong-1"] == "put off until today"
    decided = [snooze | {"on_day": date(2026, 4, 11), "until": DAY + timedelta(days=1)}]
    facts = morning(decisions=decided)
    assert ids(facts.snoozed) == ["S1-time-zone-wrong-1"]
    assert "S1-time-zone-wrong-1" not in ids((*facts.new, *facts.still_open))
    returned = [digest_facts.finding("S0", "underperformance", ago) for ago in (20, 0)]
    assert morning(returned).new[0].came == "came back"


def test_a_matter_comes_out_from_behind_its_cause():
    # The clock was wrong on one day, 3 days ago: it closes today, after 3 clear days, and the yield is in view.
    rows = [
        digest_facts.finding("S0", "time-zone-wrong", 3),
        *(digest_facts.finding("S0", "underperformance", a) for a in range(3)),
    ]
    facts = morning(rows)
    assert [(m.kind, m.came) for m in facts.new] == [("underperformance", "was hidden behind another matter")]
    assert ids(facts.closed) == ["S0-time-zone-wrong-1"]


def test_pictures_go_to_the_worst():
    facts = morning(top=2)
    assert [m.has_picture for m in facts.new] == [True, True]
    assert not facts.still_open[0].has_picture
    assert not any(m.has_picture for m in morning(top=0).new)


def test_not_judged_is_folded_by_reason():
    groups = morning().not_judged
    assert [g.model_dump() for g in groups] == [
        {
            "code": "low-coverage",
            "reason": "readings cover 9.5 to 54 % of the day",
            "detectors": ["clock", "yield"],
            "sites": ["S2", "S3", "S4"],
        }
    ]


def test_sentences_of_one_detector_without_a_code_stand_as_they_were_written():
    rows = digest_facts.not_judged().with_columns(code=None, values=None)
    groups = morning(not_judged=rows).not_judged
    assert {(group.code, group.reason) for group in groups} == {
        (None, f"readings cover {share} % of the day") for share in (12, 9.5, 54)
    }


def test_one_code_of_two_detectors_with_two_sentences_is_two_groups():
    reasons = {**digest_facts.REASONS, "clock": {"low-coverage": "light seen on {coverage_pct:.0f} % of the day"}}
    row = {"site_id": "S2", "day": DAY, "reason": "r", "code": "low-coverage", "values": '{"coverage_pct": 50}'}
    rows = pl.DataFrame([{**row, "detector": name} for name in reasons], schema=digest_facts.NOT_JUDGED)
    groups = digest_facts.morning(not_judged=rows, reasons=reasons).not_judged
    assert sorted(group.reason for group in groups) == [
        "light seen on 50 % of the day",
        "readings cover 50 % of the day",
    ]


def test_revisits_go_to_their_installers():
    groups = morning().revisits
    assert [(g.installer_id, g.name, [r.exception_id for r in g.revisits]) for g in groups] == [
        ("north", "Crew North", ["S1-time-zone-wrong-1"])
    ]
    assert groups[0].revisits[0].steps.splitlines()[-1] == "2. Set it."


def test_the_map_of_days():
    fleet = morning().map
    assert (fleet.days[0], fleet.days[-1]) == (date(2026, 3, 16), DAY)
    rows = {row.site_id: (row.basis, set(row.values)) for row in fleet.rows}
    # The fleet's median yield is 4 kWh/kWp, S1 makes 3: 75 %.
    assert rows == {
        "S0": ("performance", {50}),
        "S1": ("fleet", {75}),
        **{f"S{i}": ("performance", {100}) for i in (2, 3, 4)},
    }
    assert [row.site_id for row in fleet.rows][:2] == ["S0", "S1"]  # lowest first
    assert set(fleet.median) == {100}


def test_days_without_readings_are_gaps_in_the_map():
    days = digest_facts.site_days().filter(pl.col("day") != DAY)
    assert [row.values[-1] for row in morning(days=days).map.rows] == [None] * 5
    assert morning(days=DAYS.to_frame()).map.rows == []


def test_an_empty_workspace_has_its_digest():
    empty = EXCEPTIONS.to_frame()
    facts = build_facts(
        DAY,
        empty,
        empty,
        digest_facts.sites(0),
        DAYS.to_frame(),
        digest_facts.not_judged().clear(),
        {},
        digest_facts.KINDS,
    )
    assert facts.headline == "Nothing needs a look today: none of 0 watched sites has an open matter."


def test_untrusted_text_is_one_line():
    facts = morning(title="Desk\r\nBcc: x")
    assert facts.still_open[0].site_name == "<script>alert('x')</script> & \"Sons\""
    assert facts.title == "Desk Bcc: x"


def test_json_holds_the_same_and_survives_odd_figures():
    facts = morning(
        [digest_facts.finding("S0", "underperformance", 0, value=float("nan"), evidence={"a_w": float("inf")})]
    )
    read = json.loads(to_json(facts), parse_constant=lambda word: pytest.fail(word))
    assert read["new"][0]["value"] is None
    assert read["new"][0]["exception_id"] == "S0-underperformance-1"
    whole = json.loads(to_json(morning()))
    assert [f["value"] for f in whole["figures"]] == [f.value for f in morning().figures]
    assert whole["still_open"][0]["cost"] == {"amount": 2.5, "currency": "EUR"}
