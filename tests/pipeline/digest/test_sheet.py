"""The installers' sheets: all that a visit needs, cautions before steps, and no cell that computes."""

import csv
import io

import polars as pl

from pipeline.digest.sheet import PLANNER_COLUMNS, all_sheets, to_revisits_csv
from pipeline.frames import REVISITS
from tests.support.digest_facts import finding, morning, sites
from tests.support.pages import parsed, text_of


def sheets(facts) -> dict[str, str]:
    return dict(all_sheets(facts))


def test_a_sheet_says_where_what_and_how_to_prove_it():
    register = sites().with_columns(
        address=pl.lit("Mill Lane 3"),
        contact=pl.lit("A. Hale"),
        phone=pl.lit("555 01"),
        access_note=pl.lit("key at gate"),
    )
    shown = text_of(parsed(sheets(morning(register=register))["S1-time-zone-wrong-1.html"]))
    for words in (
        "Mill Lane 3", "A. Hale", "555 01", "key at gate", "Now 80 %", "Should be 100 %", "a watch", "Read the zone.",
        "Proof on site, within 15 minutes The logger shows the watch's time.", "Live in daylight.", "licensed persons",
        "Reading before", "What was done",
    ):  # fmt: skip
        assert words in shown, words
    assert shown.index("Live in daylight.") < shown.index("Read the zone.")


def test_there_is_one_per_visit_and_one_per_installer():
    rows = [finding(f"S{i}", "time-zone-wrong", 0) for i in range(4)]
    made = sheets(morning(rows))
    assert sorted(made) == [
        *(f"S{i}-time-zone-wrong-1.html" for i in range(4)), "installer-none.html", "installer-north.html",
    ]  # fmt: skip
    assert made["installer-north.html"].count('<section class="sheet"') == 2  # S1 and S3
    assert "Roof 3" in made["installer-north.html"] and "Roof 2" not in made["installer-north.html"]
    assert sheets(morning([])) == {}


def test_what_the_register_does_not_say_is_said():
    assert "Address not in the register" in text_of(parsed(sheets(morning())["S1-time-zone-wrong-1.html"]))


def test_the_planners_list_has_the_relations_columns_first_and_no_formula():
    facts = morning(register=sites().with_columns(address=pl.lit("=HYPERLINK(A1)")))
    group = facts.revisits[0]
    trap = group.revisits[0].model_copy(update={"steps": "=HYPERLINK(A1)", "diagnosis": "+1 day", "measured": "-3.5"})
    facts = facts.model_copy(update={"revisits": [group.model_copy(update={"revisits": [trap]})]})
    (row,) = csv.DictReader(io.StringIO(to_revisits_csv(facts)))
    assert tuple(row) == PLANNER_COLUMNS
    assert tuple(row)[: len(REVISITS)] == tuple(REVISITS)
    assert (row["steps"], row["diagnosis"], row["measured"]) == ("'=HYPERLINK(A1)", "'+1 day", "-3.5")
    assert (row["address"], row["since"], row["installer_id"]) == ("'=HYPERLINK(A1)", "2026-04-01", "north")
