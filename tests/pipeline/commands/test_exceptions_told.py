"""Exceptions at the command line: decided, shown as text and as the facts of JSON."""

import json

import pytest


@pytest.mark.slow
@pytest.mark.usefixtures("few_detectors_here")
def test_exceptions_are_decided_and_the_decision_lasts(run, lived) -> None:
    listed = json.loads(run("exceptions", "list", "--json").out)
    found = [row["exception_id"] for row in listed if row["kind"] == "unexpected-export"]
    assert len(found) == 1
    assert run("exceptions", "acknowledge", found[0], "--note", "asked the owner").status == 0
    shown = json.loads(run("exceptions", "show", found[0], "--json").out)
    assert (shown["status"], shown["note"]) == ("acknowledged", "asked the owner")
    assert run("exceptions", "snooze", found[0], "--until", "2026-05-09").status == 0
    assert json.loads(run("exceptions", "show", found[0], "--json").out)["status"] == "snoozed"
    assert run("exceptions", "snooze", found[0], "--until", "2026-05-01").status == 2
    assert run("exceptions", "close", found[0], "--note", "meter was being tested").status == 0
    assert run("exceptions", "close", found[0]).status == 2
    assert run("detect").status == 0
    assert json.loads(run("exceptions", "show", found[0], "--json").out)["status"] == "closed"
    assert run("exceptions", "reopen", found[0], "--note", "again", "--by", "Ann", "--for", "Bo").status == 0
    shown = json.loads(run("exceptions", "show", found[0], "--json").out)
    assert (shown["status"], shown["reopened"], shown["note"]) == ("open", 1, "again")
    assert [one["action"] for one in shown["decisions"]] == ["acknowledge", "snooze", "close", "reopen"]
    assert (shown["decisions"][-1]["decided_by"], shown["decisions"][-1]["decided_for"]) == ("Ann", "Bo")
    assert "reopen by Ann for Bo: again" in run("exceptions", "show", found[0]).out
    (page,) = sorted(lived.digests.glob("*/digest.html"))[-1:]  # it says what was decided since
    assert "again" in page.read_text(encoding="utf-8") and "with Bo" in page.read_text(encoding="utf-8")
    assert run("exceptions", "reopen", found[0]).status == 2
    (listed,) = [one for one in json.loads(run("exceptions", "--json").out) if one["exception_id"] == found[0]]
    assert (listed["decided_by"], listed["decided_for"]) == ("Ann", "Bo")


def are_plain(value: object) -> bool:
    """Whether these are facts of JSON, none of them a thing of the program as it prints itself, or JSON once more."""
    if isinstance(value, dict):
        return all(are_plain(one) for one in value.values())
    if isinstance(value, list):
        return all(are_plain(one) for one in value)
    return not (isinstance(value, str) and (value.startswith(("{", "shape:", "<")) or "│" in value))


@pytest.mark.usefixtures("few_detectors_here")
def test_what_is_printed_as_json_is_plain_facts(run, lived) -> None:
    (lived.inbox / "stranger.bin").write_bytes(b"\x00\xff")
    for arguments in (("detect", "--day", "2026-05-06"), ("cycle",)):
        told = json.loads(run(*arguments, "--json").out)
        judged = told.get("judged", told)
        assert are_plain(told), arguments
        assert set(judged) == {"days", "findings", "not_judged", "sites_not_judged"}
    assert judged["days"] == [] and told["taken_in"]["quarantined"]


@pytest.mark.usefixtures("lived", "few_detectors_here")
def test_the_evidence_of_an_exception_is_short_as_text_and_whole_as_json(run) -> None:
    (first, *_) = json.loads(run("exceptions", "list", "--json").out)
    told = json.loads(run("exceptions", "show", first["exception_id"], "--json").out)
    evidence = told["evidence"]
    assert are_plain(told) and len(evidence["series"]) > 0 and evidence["beyond_kwh"] > 0
    for ran in (
        run("exceptions", "show", first["exception_id"]),
        run("exceptions", "acknowledge", first["exception_id"], "--by", "Ann"),
    ):
        lines = ran.out.partition("evidence:\n")[2].splitlines()
        assert f"  beyond_kwh: {evidence['beyond_kwh']:.6g}" in lines
        assert f"  series: {len(evidence['series'])}, see --json" in lines
        assert len(lines) == len(evidence) and max(map(len, lines)) < 300
    decided = run("exceptions", "reopen", first["exception_id"], "--by", "Ann", "--json")
    assert json.loads(decided.out)["evidence"] == evidence


@pytest.mark.usefixtures("lived")
def test_a_decision_at_the_desk_is_no_good_run_of_the_jobs(run) -> None:
    def last_good() -> str:
        return str(json.loads(run("status", "--json").out)["last_good_run_at"])

    before = last_good()
    (first, *_) = json.loads(run("exceptions", "list", "--json").out)
    assert run("exceptions", "acknowledge", first["exception_id"], "--by", "M", "--note", "seen").status == 0
    assert last_good() == before
