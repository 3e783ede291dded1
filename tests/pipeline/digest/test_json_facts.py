"""digest.json keeps to its published schema, and its keys change only where somebody means it."""

import json

import jsonschema
import pytest

from pipeline.digest.json_facts import SCHEMA_FILE, schema, schema_text, to_json
from pipeline.digest.model import DigestFacts
from tests.support.digest_facts import finding, morning

KEYS = """
closed common_causes day exceptions figures headline ingest ingest_sql made_at map map_sql next_day not_judged
not_judged_sql previous_day revisits snoozed title top url
"""
EXCEPTION_KEYS = """
age_days change closed_on command days_open decided_by decided_for decided_on events evidence exception_id expected
finding_days first_day has_card hides hides_why installer installer_id is_visit kind last_day likely_cause loss measured
next_step note opened_on region reopened setting severity site_id site_name snoozed_until sql status summary threshold
timezone title unit value visit_if where
"""
LOSS_KEYS = "at_stake_kwh basis if_left if_left_kwh per_day per_day_kwh so_far so_far_kwh"


def test_the_published_schema_is_the_models():
    assert SCHEMA_FILE.read_text(encoding="utf-8") == schema_text(), "run python -m tests.readme"
    jsonschema.Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize("rows", [None, [], [finding("S0", "underperformance", 0, value=float("nan"))]])
def test_a_digest_keeps_to_it(rows):
    told = json.loads(to_json(morning(rows)), parse_constant=lambda word: pytest.fail(word))
    validator = jsonschema.Draft202012Validator(json.loads(SCHEMA_FILE.read_text(encoding="utf-8")))
    assert list(validator.iter_errors(told)) == []
    told["headline"] = 3
    assert list(validator.iter_errors(told))


def test_the_keys_are_what_scripts_rely_on():
    told = json.loads(to_json(morning()))
    assert sorted(told) == sorted(KEYS.split())
    assert sorted(told["exceptions"][0]) == sorted(EXCEPTION_KEYS.split())
    assert sorted(told["exceptions"][0]["loss"]) == sorted(LOSS_KEYS.split())


def test_it_is_read_back_as_it_was():
    assert DigestFacts.model_validate_json(to_json(morning())) == morning()
