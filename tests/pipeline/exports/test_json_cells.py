"""Exports in JSON and NDJSON."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.support.build_profiles import check_account, part, profile, read

STAMP = {"column": "t", "format": "iso8601"}
CHANNELS = {"pv_w": {"column": "power.pv"}, "voltage_l1_v": {"column": "v"}}
RECORDS = [{"t": f"2025-06-01T0{hour}:00", "power": {"pv": hour + 0.5}, "v": 230} for hour in range(4)]
DOCUMENT = {"roof": {"id": "S1"}, "of_day": {"intervals": RECORDS}}
BY = {"timestamp": STAMP, "channels": CHANNELS}
IN_DOCUMENT = profile(
    format="json", json={"records": "of_day.intervals"}, site={"from": "json path", "path": "roof.id"}, **BY
)
LINES = profile(format="ndjson", **BY)


def rows(result) -> list[tuple]:
    check_account(result)
    return result.rows.select("line", "site_id", "pv_w", "voltage_l1_v").rows()


EXPECTED = [(hour + 1, "site-S1", hour + 0.5, 230.0) for hour in range(4)]


def test_records_in_a_document_and_the_site_around_them() -> None:
    assert rows(read(json.dumps(DOCUMENT), by=IN_DOCUMENT)) == EXPECTED
    assert rows(read(json.dumps(DOCUMENT, indent=2).encode("utf-8-sig"), by=IN_DOCUMENT)) == EXPECTED
    assert rows(read(json.dumps(DOCUMENT).encode("utf-16"), by=IN_DOCUMENT)) == EXPECTED


def test_the_top_level_may_be_the_list() -> None:
    assert rows(read(json.dumps(RECORDS), by=profile(format="json", **BY))) == EXPECTED


def test_lines_of_json() -> None:
    text = "\n".join(json.dumps(record) for record in RECORDS)
    assert rows(read(text, by=LINES)) == EXPECTED
    assert [row[0] for row in rows(read(text.replace("\n", "\r\n\r\n"), by=LINES))] == [1, 3, 5, 7]


def test_a_record_names_its_own_site_first() -> None:
    records = [RECORDS[0], {**RECORDS[1], "roof": {"id": "S2"}}, {**RECORDS[2], "roof": {"id": "S9"}}]
    result = read(json.dumps({"roof": {"id": "S1"}, "of_day": {"intervals": records}}), by=IN_DOCUMENT,
                  known_interval_s={("site-S1", ""): 3600, ("site-S2", ""): 3600})  # fmt: skip
    assert [row[1] for row in rows(result)] == ["site-S1", "site-S2"]
    assert result.rejected.select("line", "column_name", "value", "reason").rows() == [
        (3, "roof.id", "S9", "site not in the register")
    ]


def test_records_that_are_lists() -> None:
    arrays = {"arrays": True, "fields": ["t", "pv", "v"]}
    channels = {"pv_w": {"column": "pv"}, "voltage_l1_v": {"column": "v"}}
    records = [[record["t"], record["power"]["pv"], record["v"]] for record in RECORDS]
    by = profile(format="json", json={"records": "rows", **arrays}, timestamp=STAMP, channels=channels)
    assert rows(read(json.dumps({"rows": records}), by=by)) == EXPECTED
    result = read(json.dumps({"rows": [*records, ["2025-06-01T05:00", 1], {"t": 1}, None]}), by=by)
    assert rows(result) == EXPECTED
    assert result.rejected.select("line", "reason", "raw").rows() == [
        (5, "2 values, the profile names 3 fields", '["2025-06-01T05:00", 1]'),
        (6, "the record is no list", '{"t": 1}'),
        (7, "the record is no list", "null"),
    ]


@pytest.mark.parametrize(
    ("value", "kept"),
    [("1.5", 1.5), ('"1.5"', 1.5), ("15e-1", 1.5), ("null", None), ('""', None), ("true", "no"), ("[1.5]", "no"),
     ('{"a": 1}', "no"), ('" 1.5"', "no"), ("NaN", "no"), ("Infinity", "no"), ('"\\ud800"', "no"), ("1" * 5000, "no")],
)  # fmt: skip
def test_json_numbers(value: str, kept: float | str | None) -> None:
    text = json.dumps(RECORDS[:3])[:-1] + f', {{"t": "2025-06-01T03:00", "power": {{"pv": {value}}}}}]'
    result = read(text, by=profile(format="json", **BY))
    check_account(result)
    if kept == "no":
        assert result.rejected.select("line", "column_name", "reason").rows() == [(4, "power.pv", "not a number")]
    else:
        assert result.rows["pv_w"].to_list() == [0.5, 1.5, 2.5, kept]


def test_a_key_with_dots_in_it_is_found_whole() -> None:
    records = [{"t": record["t"], "power.pv": 7, "v": 1} for record in RECORDS]
    assert [row[2] for row in rows(read(json.dumps(records), by=profile(format="json", **BY)))] == [7.0] * 4


def test_a_broken_line_costs_itself() -> None:
    lines = [json.dumps(record) for record in RECORDS]
    text = "\n".join([lines[0], '{"t": ', "7", lines[1], lines[2] + "," + lines[2], lines[3], '{"t": "2025-06-01T0'])
    result = read(text, by=LINES)
    assert [row[0] for row in rows(result)] == [1, 4, 6]
    reasons = dict(result.rejected.select("line", "reason").iter_rows())
    assert reasons[2].startswith("broken JSON at column")
    assert reasons[3] == "the record is no object"
    assert reasons[5].startswith("broken JSON at column")
    assert reasons[7] == "the file ends inside this row"
    assert dict(result.rejected.select("line", "raw").iter_rows())[2] == '{"t": '


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        ("", "the file is empty"),
        (json.dumps(DOCUMENT)[:-9], "broken JSON at line 1 column"),
        ("{}", "records not found: 'of_day.intervals' is missing"),
        ('{"of_day": {"intervals": 5}}', "records not found: 'of_day.intervals' is no list"),
        ("[" * 100_000, "broken JSON"),
        ('{"of_day": {"intervals": [{"at": 1}]}, "roof": {"id": "S1"}}', "no record has 'power.pv', 't', 'v'"),
        (json.dumps({"of_day": {"intervals": RECORDS}}), "no site of the register in any row"),
        (json.dumps({**DOCUMENT, "roof": {"id": "S9"}}), "'S9'"),
        (b"\xff\xfe\x00\xdc\x00\x00", "not utf-16: byte 0x00 at offset 2"),
        (b'{"a": "\xe9"}', "not utf-8: byte 0xe9 at offset 7"),
    ],
)
def test_a_document_that_is_not_what_its_profile_says_is_quarantined(data: str | bytes, reason: str) -> None:
    result = read(data, json.dumps(DOCUMENT), by=IN_DOCUMENT)
    check_account(result)
    assert reason in result.files["quarantine"][0]
    assert result.files["quarantine"][1] is None


def test_a_key_that_no_record_has_is_noted() -> None:
    records = [{"t": record["t"], "power": record["power"]} for record in RECORDS]
    result = read(json.dumps(records), by=profile(format="json", **BY))
    assert result.rows["voltage_l1_v"].to_list() == [None] * 4
    assert result.files["notes"].to_list() == [["no record has 'v'"]]


def test_a_truncated_stream_of_lines_keeps_the_whole_ones() -> None:
    text = "\n".join(json.dumps(record) for record in RECORDS)
    result = read(part(text[:-3], truncated=True), by=LINES)
    assert [row[0] for row in rows(result)] == [1, 2, 3]
    assert result.rejected["reason"].to_list() == ["the file ends inside this row"]


ANY = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(["t", "v", "power", "pv"]), inner),
    max_leaves=8,
)


@pytest.mark.slow
@settings(deadline=None)
@given(st.lists(ANY, max_size=5))
def test_any_records_are_accounted_for(records: list) -> None:
    check_account(read(json.dumps(records), by=profile(format="json", **BY)))
    check_account(read("\n".join(json.dumps(record) for record in records), by=LINES))


@pytest.mark.slow
@settings(deadline=None)
@given(st.binary(max_size=100))
def test_any_bytes_are_accounted_for(noise: bytes) -> None:
    good = "\n".join(json.dumps(record) for record in RECORDS).encode() + b"\n"
    check_account(read(noise, good + noise, by=LINES))
    check_account(read(noise, by=IN_DOCUMENT))
