"""What the digest says, checked by hand on the small fleet of `tests/support/digest_facts.py`."""

import json
from datetime import UTC, date, datetime, timedelta

import duckdb
import polars as pl
import pytest

from detectors.frames import DAYS
from pipeline.digest import to_json
from pipeline.digest.facts import DayState, Rules, build_facts
from pipeline.digest.headline import common_causes, headline
from pipeline.digest.model import Setting
from pipeline.digest.not_judged import lines, not_judged_groups
from pipeline.frames import EXCEPTIONS, FINDINGS
from tests.support import digest_facts
from tests.support.digest_facts import DAY, morning


def ids(exceptions) -> list[str]:
    return [one.exception_id for one in exceptions]


def test_what_is_in_view_is_worst_first_and_what_is_hidden_or_closed_is_apart():
    # The fleet has two currencies, so energy decides: S1's clock and S2's yield lost 2 kWh a day, S1 for longer.
    facts = morning()
    assert ids(facts.exceptions) == ["S0-unexpected-export-1", "S1-time-zone-wrong-1", "S2-underperformance-1"]
    assert ids(facts.new) == ["S0-unexpected-export-1", "S2-underperformance-1"]
    assert [h.exception_id for h in facts.exceptions[1].hides] == ["S1-underperformance-1"]
    assert ids(facts.closed) == ["S3-voltage-out-of-band-1"]
    assert facts.closed[0].closed_on == DAY


def test_within_a_severity_money_per_day_decides_where_all_have_one_currency():
    # S0 loses less energy a day than S3, but more money; S4 is only to be watched, whatever it costs.
    rows = [
        digest_facts.finding("S0", "underperformance", 0, loss_kwh=1.0, cost=3.0),
        digest_facts.finding("S3", "underperformance", 0, loss_kwh=9.0, cost=1.0),
        digest_facts.finding("S4", "underperformance", 0, loss_kwh=99.0, cost=99.0, severity="watch"),
    ]
    assert [one.site_id for one in morning(rows).exceptions] == ["S0", "S3", "S4"]
    rows.append(digest_facts.finding("S2", "underperformance", 0, loss_kwh=5.0, cost=0.1))  # in CHF
    # By energy EUR 9, CHF 5, EUR 1; the places of EUR go to S0 before S3, by money.
    assert [one.site_id for one in morning(rows).exceptions] == ["S0", "S2", "S3", "S4"]
    # With a rate for each, 0.1 CHF is the least of all.
    assert [one.site_id for one in morning(rows, rates={"EUR": 1.0, "CHF": 1.05}).exceptions] == [
        "S0",
        "S3",
        "S2",
        "S4",
    ]


def test_what_it_costs_per_day_so_far_and_if_left():
    # S1's clock: 5 days of 2 kWh and 0.50 EUR; left for 30 days more of the same it is 35 days.
    loss = morning().exceptions[1].loss
    assert (loss.per_day_kwh, loss.so_far_kwh, loss.if_left_kwh) == (2.0, 10.0, 70.0)
    assert [str(money) for money in (loss.per_day, loss.so_far, loss.if_left)] == ["0.50 EUR", "2.50 EUR", "17.50 EUR"]
    assert not morning().exceptions[0].loss.is_known


def test_the_morning_in_one_sentence_names_the_worst_two():
    assert morning().headline == (
        "Urgent: Roof 0 (feeds in); then <script>alert('x')</script> & \"Sons\" (clock off). "
        "3 of 5 watched sites need a look; 2 new, 1 closed since the last digest."
    )
    quiet = morning([])
    assert quiet.headline == "Nothing needs a look today: none of 5 watched sites has an open exception."
    one = morning([digest_facts.finding("S0", "underperformance", 3)])
    assert (
        one.headline == "Nothing needs a look today: none of 5 watched sites has an open exception; 1 exception closed."
    )


def test_a_desk_of_one_site_reads_as_one():
    alone = digest_facts.sites(1)
    assert headline([], [], alone) == "Nothing needs a look today: the one watched site has no open exception."
    in_view = morning([digest_facts.finding("S0", "underperformance", 0)]).exceptions
    assert ". The one watched site needs a look; " in headline(in_view, [], alone)


def test_five_figures():
    values = {f.label: (f.value, f.note) for f in morning().figures}
    assert values == {
        "urgent": ("1", "at 1 site"),
        "new": ("2", "since the last digest"),
        "open in all": ("3", "1 visit, the rest from the desk"),
        # per day: S1's clock 2 kWh and 0.50 EUR, S2 2 kWh and 0.50 CHF; what is hidden is not added
        "lost per day": ("4.0 kWh", "0.50 CHF + 0.50 EUR"),
        "sites with readings": ("5 of 5", "3 not judged in some respect"),
    }


def test_every_figures_query_gives_the_figure():
    facts = morning()
    register, rows = digest_facts.sites(), pl.DataFrame(digest_facts.findings(), schema=FINDINGS)
    tables = {
        "exception": digest_facts.folded(digest_facts.findings(), register, DAY).exceptions,
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
        assert sorted(ask(queries["lost per day"])) == [("CHF", 2.0, 0.5), ("EUR", 2.0, 0.5)]
        assert ask(queries["sites with readings"]) == [(5,)]
        assert len(ask(facts.not_judged_sql)) == digest_facts.not_judged().height
        assert len(ask(facts.map_sql)) == 6 * 28
        assert ask(facts.ingest_sql) == [("no number", 7)]
        for one in (*facts.exceptions, *facts.closed):
            found = ask(one.sql)
            assert len(found) == one.finding_days
            losses = [row[list(FINDINGS).index("loss_kwh")] for row in found]
            assert sum(losses) == pytest.approx(one.loss.so_far_kwh)


def test_what_a_day_loses_is_what_the_query_beside_it_says_where_days_differ():
    """A week of 20 kWh a day, then a week of 4: a day loses 4 kWh now, and 12 in the mean of all."""
    rows = [
        digest_facts.finding("S0", "underperformance", ago, loss_kwh=4.0 if ago < 7 else 20.0, cost=1.0)
        for ago in range(14)
    ]
    facts = morning(rows)
    (figure,) = (one for one in facts.figures if one.label == "lost per day")
    with duckdb.connect() as con:
        con.register("exception", digest_facts.folded(rows, digest_facts.sites(), DAY).exceptions.to_arrow())
        ((currency, kwh, cost),) = con.sql(figure.sql).fetchall()
    assert (figure.value, figure.note) == (f"{kwh:.1f} kWh", f"{cost:.2f} {currency}") == ("4.0 kWh", "1.00 EUR")


def test_a_reason_whose_sentence_has_changed_since_is_told_as_it_was_written():
    rows = digest_facts.not_judged().with_columns(
        detector=pl.lit("clock"), code=pl.lit("few"), reason=pl.lit("3 days only"), values=pl.lit('{"days": 3}')
    )
    sentences = {"clock": {"few": "{days} of {needed} days"}}
    (group,) = not_judged_groups(rows.head(1), rows.clear(), digest_facts.sites(), sentences, {})
    assert group.reason == "3 days only"


def test_what_changed_since_the_last_digest():
    at = datetime(2026, 4, 10, tzinfo=UTC)
    snooze = {"decided_at": at, "exception_id": "S1-time-zone-wrong-1", "action": "snooze"}
    decided = [snooze | {"on_day": date(2026, 4, 11), "until": DAY}]
    changes = {one.exception_id: one.change for one in morning(decisions=decided).new}
    assert changes["S0-unexpected-export-1"] == "new"
    assert changes["S1-time-zone-wrong-1"] == "put off until today"
    decided = [snooze | {"on_day": date(2026, 4, 11), "until": DAY + timedelta(days=1)}]
    facts = morning(decisions=decided)
    assert ids(facts.snoozed) == ["S1-time-zone-wrong-1"]
    assert "S1-time-zone-wrong-1" not in ids(facts.exceptions)
    returned = [digest_facts.finding("S0", "underperformance", ago) for ago in (20, 0)]
    assert morning(returned).new[0].change == "came back"
    worse = [digest_facts.finding("S0", "underperformance", ago, severity=s) for ago, s in ((1, "watch"), (0, "soon"))]
    (one,) = morning(worse).exceptions
    assert (one.change, morning(worse).new) == ("was watch", [])


def test_an_exception_comes_out_from_behind_its_cause():
    # The clock was wrong on one day, 3 days ago: it closes today, after 3 clear days, and the yield is in view.
    rows = [
        digest_facts.finding("S0", "time-zone-wrong", 3),
        *(digest_facts.finding("S0", "underperformance", a) for a in range(3)),
    ]
    facts = morning(rows)
    assert [(one.kind, one.change) for one in facts.new] == [("underperformance", "its cause is gone")]
    assert ids(facts.closed) == ["S0-time-zone-wrong-1"]


def test_from_the_desk_or_with_a_visit():
    evidence = {"worst_w": 6503.4, "limit_w": 0.0}
    rows = [
        digest_facts.finding("S0", "unexpected-export", 0, evidence=evidence),
        digest_facts.finding("S1", "time-zone-wrong", 0),
        digest_facts.finding("S3", "time-zone-wrong", 0, severity="watch"),
    ]
    told = {one.site_id: one for one in morning(rows).exceptions}
    assert [(site, one.is_visit) for site, one in sorted(told.items())] == [("S0", False), ("S1", True), ("S3", False)]
    assert told["S0"].setting.model_dump() == {
        "what": "Feed-in limit",
        "now": "lets 6,503 W through",
        "should_be": "0 W",
    }
    assert told["S0"].command == "noonmark check S0"
    # What is only to be watched sends nobody.
    assert [r.site_id for group in morning(rows).revisits for r in group.revisits] == ["S1"]


def test_a_setting_that_the_readings_do_not_show_is_not_told_and_a_missing_target_is_said():
    (one,) = morning([digest_facts.finding("S0", "unexpected-export", 0, evidence={"limit_w": 0.0})]).exceptions
    assert one.setting is None
    (one,) = morning([digest_facts.finding("S0", "unexpected-export", 0, evidence={"worst_w": 900.0})]).exceptions
    assert one.setting.should_be == "as agreed: the register does not say"


def test_who_decided_and_who_has_it():
    at = datetime(2026, 4, 12, tzinfo=UTC)
    common = {"exception_id": "S1-time-zone-wrong-1", "decided_at": at, "action": "acknowledge", "decided_by": "Ann"}
    decisions = [
        common | {"on_day": date(2026, 4, 12), "note": "parts come Friday", "decided_for": "Bo"},
        common | {"on_day": DAY + timedelta(days=1), "note": "too late for this digest", "decided_by": "Cy"},
    ]
    one = next(one for one in morning(decisions=decisions).exceptions if one.site_id == "S1")
    assert (one.decided_by, one.decided_for, one.decided_on) == ("Ann", "Bo", date(2026, 4, 12))
    assert (one.status, one.note) == ("acknowledged", "parts come Friday")
    assert [(event.event, event.by) for event in one.events] == [("opened", "detection"), ("decided", "Ann")]


def test_a_finding_that_knows_more_than_its_kind_tells_its_own_cause_and_next_step():
    own = {"cause_text": "Dirt that gathers.", "next_step_text": "Wait for rain."}
    rows = [digest_facts.finding("S2", "underperformance", ago, evidence=own) for ago in (1, 0)]
    rows += [digest_facts.finding("S3", "underperformance", ago) for ago in (1, 0)]
    said = {one.site_id: (one.likely_cause, one.next_step) for one in morning(rows).exceptions}
    assert said == {"S2": ("Dirt that gathers.", "Wait for rain."), "S3": ("Dirt.", "The desk asks for a photo.")}


def test_cards_go_to_the_worst():
    assert [one.has_card for one in morning(top=2).exceptions] == [True, True, False]
    assert not any(one.has_card for one in morning(top=0).exceptions)


def test_a_cause_that_several_sites_share_is_one_line():
    rows = [digest_facts.finding(f"S{i}", "unexpected-export", 0) for i in (0, 1, 2)]
    (cause,) = morning(rows).common_causes
    assert cause.text.startswith("3 sites around Vienna since 2026-04-14: feeds in.")
    assert sorted(cause.exception_ids) == [f"S{i}-unexpected-export-1" for i in (0, 1, 2)]
    assert morning(rows[:2]).common_causes == []
    apart = [digest_facts.finding("S3", "unexpected-export", 0, since=date(2026, 4, 1)), *rows[:2]]
    assert morning(apart).common_causes == []


def test_what_was_there_on_the_first_day_of_all_shares_no_cause():
    rows = [digest_facts.finding(f"S{i}", "unexpected-export", 0) for i in (0, 1, 2)]
    (cause,) = morning(rows).common_causes
    assert morning(rows, began=dict.fromkeys(("S0", "S1", "S2"), cause.since)).common_causes == []
    assert len(morning(rows, began=dict.fromkeys(("S0", "S1", "S2"), date(2026, 4, 1))).common_causes) == 1


def test_clocks_share_a_cause_where_they_are_to_be_set_alike():
    rows = [digest_facts.finding(f"S{i}", "time-zone-wrong", 0) for i in (0, 1, 2)]
    shown = morning(rows).exceptions
    clock = {"time-zone-wrong": digest_facts.KINDS["time-zone-wrong"].model_copy(update={"group": "clock"})}

    def causes(*zones: str) -> int:
        told = [
            one.model_copy(update={"setting": Setting(what="Zone", now="CET", should_be=zone)})
            for one, zone in zip(shown, zones, strict=True)
        ]
        began = {one.site_id: one.first_day for one in told}  # never right
        return len(common_causes(told, digest_facts.sites(), clock, began))

    assert causes("UTC", "UTC", "UTC") == 1
    assert causes("UTC", "UTC", "America/Boise") == 0


def test_not_judged_is_folded_by_reason():
    groups = morning().not_judged
    assert [g.model_dump() for g in groups] == [
        {
            "code": "low-coverage",
            "reason": "readings cover 9.5 to 54 % of the day",
            "what": "the clock, the yield",
            "detectors": ["clock", "yield"],
            "sites": ["S2", "S3", "S4"],
            "names": ["Roof 2", "Roof 3", "Roof 4"],
            "is_new": True,
        }
    ]


def test_what_was_not_judged_yesterday_either_is_told_apart():
    yesterday = digest_facts.not_judged().filter(pl.col("site_id").is_in(["S3", "S4"]))
    groups = morning(not_judged_before=yesterday).not_judged
    assert [(group.is_new, group.sites) for group in groups] == [(True, ["S2"]), (False, ["S3", "S4"])]


def test_what_the_same_sites_share_is_one_line():
    rows = digest_facts.not_judged().filter(pl.col("site_id") == "S4")
    told = [
        rows.with_columns(code=None, reason=pl.lit(f"no {what}"), detector=pl.lit("clock"))
        for what in ("grid", "generation", "battery", "battery")
    ]
    other = digest_facts.not_judged().filter(pl.col("site_id") == "S3")
    groups = morning(not_judged=pl.concat([rows, *told, other.with_columns(code=None)])).not_judged
    assert len(groups) == 5
    assert [(line.names, line.what, line.reason) for line in lines(groups)] == [
        (
            ["Roof 4"],
            "the clock, the yield",
            "readings cover 9.5 % of the day; no battery; no generation; 1 more reason",
        ),
        (["Roof 3"], "the yield", "readings cover 12 % of the day"),
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
    assert (fleet.days[0], fleet.days[-1]) == (DAY, date(2026, 3, 18))  # newest first, four weeks
    rows = {row.site_id: (row.basis, set(row.values)) for row in fleet.rows}
    # The region's median yield is 4 kWh/kWp, S1 makes 3: 75 %.
    assert rows == {
        "S0": ("performance", {50}),
        "S1": ("region", {75}),
        **{f"S{i}": ("performance", {100}) for i in (2, 3, 4)},
    }
    assert [row.site_id for row in fleet.rows][:2] == ["S0", "S1"]  # lowest first
    assert set(fleet.median) == {100}


def test_dark_and_unjudged_sites_stand_on_top_of_the_map():
    days = digest_facts.site_days().with_columns(
        readings=pl.when((pl.col("site_id") == "S4") & (pl.col("day") == DAY)).then(0).otherwise("readings"),
        performance_pct=pl.when((pl.col("site_id").is_in(["S3", "S4"])) & (pl.col("day") == DAY))
        .then(None)
        .otherwise("performance_pct"),
    )
    rows = morning(days=days).map.rows
    assert [row.site_id for row in rows][:3] == ["S4", "S3", "S0"]
    assert (rows[0].is_dark, rows[1].is_dark, rows[1].is_judged) == (True, False, False)


@pytest.mark.parametrize(("region", "shown"), [(["S1", "S3", "S4"], 75), (["S1", "S3"], None), (["S1"], None)])
def test_sites_are_set_against_their_own_region_alone(region, shown):
    """Some lie 700 km from the others. S1 makes 3 kWh/kWp where S3 and S4 make 4."""
    register = digest_facts.sites().with_columns(
        longitude=pl.when(pl.col("site_id").is_in(region)).then(26.0).otherwise(16.0), latitude=pl.lit(48.0)
    )
    rows = morning(register=register).map.rows
    (row,) = [row for row in rows if row.site_id == "S1"]
    assert set(row.values) == {shown}  # beside one other, or none, there is no middle one
    assert (row is rows[-1]) == (shown is None)  # of whom nothing is ever known stands below those who need a look


def test_days_without_readings_are_gaps_in_the_map():
    days = digest_facts.site_days().filter(pl.col("day") != DAY)
    assert [row.values[0] for row in morning(days=days).map.rows] == [None] * 5
    assert morning(days=DAYS.to_frame()).map.rows == []


def test_an_empty_workspace_has_its_digest():
    empty = EXCEPTIONS.to_frame()
    told = DayState(empty, empty)
    facts = build_facts(DAY, told, digest_facts.sites(0), DAYS.to_frame(), {}, Rules(digest_facts.KINDS))
    assert facts.headline == "Nothing needs a look today: none of 0 watched sites has an open exception."


def test_untrusted_text_is_one_line():
    facts = morning(title="Desk\r\nBcc: x")
    assert facts.exceptions[1].site_name == "<script>alert('x')</script> & \"Sons\""
    assert facts.title == "Desk Bcc: x"


def test_json_holds_the_same_and_survives_odd_figures():
    facts = morning(
        [digest_facts.finding("S0", "underperformance", 0, value=float("nan"), evidence={"a_w": float("inf")})]
    )
    read = json.loads(to_json(facts), parse_constant=lambda word: pytest.fail(word))
    assert read["exceptions"][0]["value"] is None
    assert read["exceptions"][0]["exception_id"] == "S0-underperformance-1"
    whole = json.loads(to_json(morning()))
    assert [f["value"] for f in whole["figures"]] == [f.value for f in morning().figures]
    assert whole["exceptions"][1]["loss"]["so_far"] == {"amount": 2.5, "currency": "EUR"}
