"""Rows of dirty text files: told apart, numbered by their physical line, and none lost."""

import csv
import io

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.exports import csv_quotes, csv_text
from tests.support.build_profiles import check_account, part, profile, read

HEADER = "t,pv,v\n"
ROWS = [f"2025-06-01 {hour:02d}:00,{hour}.5,230.{hour}\n" for hour in range(5)]
BODY = "".join(ROWS)
CUT = "the file ends inside this row"


def rejected(result, column: str = "reason") -> dict[int, str]:
    """What is said of each rejected line of the only file."""
    check_account(result)
    assert result.files["quarantine"].to_list() == [None]
    return dict(result.rejected.select("line", column).iter_rows())


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-be", "latin-1", "cp1252"])
def test_encodings_and_newlines(encoding: str, newline: str) -> None:
    text = (HEADER + BODY).replace("pv", "Größe °").replace("\n", newline)
    data = ("\ufeff" + text).encode(encoding) if encoding == "utf-16-be" else text.encode(encoding)
    by = profile(
        csv={"encoding": {"utf-8-sig": "utf-8", "utf-16-be": "utf-16"}.get(encoding, encoding)},
        channels={"pv_w": {"column": "Größe °"}},
    )
    result = read(data, by=by)
    assert rejected(result) == {}
    assert result.rows["pv_w"].to_list() == [0.5, 1.5, 2.5, 3.5, 4.5]
    assert result.rows["line"].to_list() == [2, 3, 4, 5, 6]


def test_blank_lines_and_repeated_headers_are_no_rows() -> None:
    result = read("\n" + HEADER + ROWS[0] + "\n  \n" + HEADER + ROWS[1] + "\ufeff" + HEADER + "\n\n")
    assert rejected(result) == {}
    assert result.rows["line"].to_list() == [3, 7]
    assert result.files["rows_read"].to_list() == [2]


def test_lines_before_the_header_count_as_lines() -> None:
    result = read('plant "north", made 2025\n\n' + HEADER + BODY, by=profile(csv={"skip_lines": 2}))
    assert rejected(result) == {}
    assert result.rows["line"].to_list() == [4, 5, 6, 7, 8]


def test_a_row_of_another_width_costs_itself() -> None:
    result = read(HEADER + ROWS[0] + "1,2\n1,2,3,4\n" + ROWS[1] + "torn\n")
    assert rejected(result) == {
        3: "2 fields, the header has 3",
        4: "4 fields, the header has 3",
        6: "1 field, the header has 3",
    }
    assert rejected(read(HEADER + ROWS[0] + ROWS[1] + "torn")) == {4: CUT}
    assert rejected(result, "raw")[4] == "1,2,3,4"
    assert result.rows["line"].to_list() == [2, 5]


@pytest.mark.parametrize(
    ("last", "kept"),
    [
        ("2025-06-01 05:00,5.5,230.5", True),
        ("2025-06-01 05:00,5.5,-1.5", True),
        ("2025-06-01 05:00,5.5,230.", False),
        ("2025-06-01 05:00,5.5,230", False),
        ("2025-06-01 05:00,5.5,", False),
        ("2025-06-01 05:00,5.5,230.55", False),
    ],
)
def test_a_last_line_without_newline_must_end_as_the_others(last: str, kept: bool) -> None:
    result = read(HEADER + BODY + last)
    assert rejected(result) == ({} if kept else {7: CUT})
    assert read(HEADER + BODY + last + "\n").rejected.height == 0


def test_whole_numbers_and_words_at_the_end_can_be_cut_too() -> None:
    lines = "t,v,pv,state\n2025-06-01 00:00,230,5.5,ok\n2025-06-01 01:00,231,5.5,off\n"
    assert rejected(read(lines + "2025-06-01 02:00,232,5.5,ok")) == {}
    assert rejected(read(lines + "2025-06-01 02:00,232,5.5,o")) == {4: CUT}
    whole = "t,pv,v\n2025-06-01 00:00,5.5,230\n2025-06-01 01:00,5.5,231\n"
    assert rejected(read(whole + "2025-06-01 02:00,5.5,229")) == {}
    assert rejected(read(whole + "2025-06-01 02:00,5.5,22")) == {4: CUT}


def test_a_file_cut_anywhere_keeps_whole_rows_only() -> None:
    """Every prefix of a file: a value that is stored is one that the whole file holds in that row."""
    whole = HEADER + BODY
    full = {row["line"]: row for row in read(whole).rows.iter_rows(named=True)}
    for length in range(len(HEADER), len(whole) + 1):
        result = read(whole[:length])
        check_account(result)
        for row in result.rows.iter_rows(named=True):
            expected = full[row["line"]]
            assert (row["pv_w"], row["voltage_l1_v"]) == (expected["pv_w"], expected["voltage_l1_v"])


def test_a_truncated_stream_loses_its_cut_row_and_says_so() -> None:
    for rest, lost in (("2025-06-01 05:00,5.5,230.5", {7: CUT}), ("", {})):
        result = read(part(HEADER + BODY + rest, truncated=True))
        assert rejected(result) == lost
        assert "ends early" in result.files["notes"][0][0]


def test_a_character_cut_in_two_costs_its_row() -> None:
    result = read((HEADER + BODY + "2025-06-01 05:00,5.5,230.5°").encode()[:-1])
    assert rejected(result) == {7: CUT}


def test_quotes() -> None:
    text = (
        '"t","pv","v","note"\n'
        '"2025-06-01 00:00","1.5","230","plain"\n'
        '2025-06-01 01:00,2.5,230,"a, b ""c"""\n'
        '2025-06-01 02:00,3.5,230,"two\nlines"\n'
        '2025-06-01 03:00,4.5,230,6" pipe\n'
        "2025-06-01 04:00,5.5,230,end\n"
    )
    result = read(text)
    assert rejected(result) == {}
    assert result.rows.select("line", "pv_w").rows() == [(2, 1.5), (3, 2.5), (4, 3.5), (6, 4.5), (7, 5.5)]


def test_an_open_quote_costs_its_own_line_only() -> None:
    text = HEADER + ROWS[0] + '"2025-06-01 01:00,1,1\n' + ROWS[2] + '2025-06-01 03:00,"1"x,1\n' + ROWS[4]
    result = read(text)
    assert rejected(result)[3] == "a quote is opened and not closed"
    assert "can't be split into cells" in rejected(result)[5]
    assert result.rows["line"].to_list() == [2, 4, 6]


def test_two_open_quotes_do_not_close_each_other() -> None:
    text = HEADER + ROWS[0] + '"2025-06-01 01:00,1,1\n' + ROWS[2] + '2025-06-01 03:00,1,"1\n' + ROWS[4]
    result = read(text)
    assert sorted(rejected(result)) == [3, 5]
    assert result.rows["line"].to_list() == [2, 4, 6]


def test_lines_between_two_stray_quotes_are_not_swallowed() -> None:
    """The second would close the first: what stands between would be one cell of three lines."""
    text = HEADER + ROWS[0] + '"2025-06-01 01:00,1,1\n' + ROWS[2] + '2025-06-01 03:00,1,1"\n' + ROWS[4]
    result = read(text)
    assert rejected(result) == {3: "a quote is opened and not closed"}
    assert result.cells.select("line", "value").rows() == [(5, '1"')]
    assert result.rows["line"].to_list() == [2, 4, 5, 6]


@pytest.mark.slow
@settings(deadline=None)
@given(st.lists(st.tuples(st.text(max_size=6), st.text(max_size=6)), min_size=1, max_size=5))
def test_cells_are_what_the_csv_module_wrote(notes: list[tuple[str, str]]) -> None:
    """Written by Python's csv module (RFC 4180), read back: the same rows, whatever stands in unmapped cells."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(["a", "t", "pv", "v", "b"])
    for hour, (before, after) in enumerate(notes):
        clean = [
            text.replace("\r", "").replace("\0", "").encode("utf-8", "replace").decode() for text in (before, after)
        ]
        writer.writerow([clean[0], f"2025-06-01 {hour:02d}:00", hour, 230, clean[1]])
    result = read(buffer.getvalue(), known_interval_s={("site-S1", ""): 3600})
    assert rejected(result) == {}
    assert result.rows["pv_w"].to_list() == [float(hour) for hour in range(len(notes))]


@pytest.mark.parametrize(
    ("data", "by", "reason"),
    [
        (b"", {}, "the file is empty"),
        (b"\xef\xbb\xbf \n\n", {}, "the file is empty"),
        (b"one line\n", {"csv": {"skip_lines": 3}}, "no header"),
        ((HEADER + BODY).replace(",", ";").encode(), {}, "columns 't', 'pv', 'v' not in the header, which starts"),
        (b"t,PV,v\n", {}, "column 'pv' not in the header, which starts 't', 'PV', 'v'"),
        (b"t,pv,v,pv\n", {}, "column 'pv' stands 2 times in the header"),
        ((HEADER + BODY).encode("utf-16"), {}, "not utf-8: byte 0xff at offset 0"),
        (b"t,pv,v,\xe9\n2025-06-01 00:00,1,2,\n", {}, "not utf-8: byte 0xe9 at offset 7"),
        (b"t,pv,v,\x81\n2025-06-01 00:00,1,2,\n", {"csv": {"encoding": "cp1252"}}, "not cp1252: byte 0x81 at offset 7"),
    ],
)  # fmt: skip
def test_a_file_that_is_not_what_its_profile_says_is_quarantined(data: bytes, by: dict, reason: str) -> None:
    result = read(data, HEADER + BODY, by=profile(**by))
    check_account(result)
    assert reason in result.files["quarantine"][0]
    assert result.rows.filter(pl.col("file_no") == 0).is_empty()


def test_files_with_other_column_orders_share_a_batch() -> None:
    result = read(
        HEADER + BODY, "v,x,pv,t\n230.0,9,7.5,2025-06-02 00:00\n231.0,9,8.5,2025-06-02 01:00\n", HEADER + BODY
    )
    check_account(result)
    assert result.rows["file_no"].to_list() == [0] * 5 + [1] * 2 + [2] * 5
    assert result.rows.filter(pl.col("file_no") == 1)["pv_w"].to_list() == [7.5, 8.5]


@pytest.mark.parametrize("delimiter", [";", "\t", "|", " "])
def test_delimiters(delimiter: str) -> None:
    by = profile(
        csv={"delimiter": delimiter, "decimal": ","},
        timestamp={"column": "t", "format": "%Y-%m-%dT%H:%M"},
    )
    lines = [f"2025-06-01T{hour:02d}:00,{hour}.5,1.5\n" for hour in range(3)]
    text = (HEADER + "".join(lines)).replace(",", delimiter).replace(".", ",")
    assert read(text, by=by).rows["pv_w"].to_list() == [0.5, 1.5, 2.5]


@settings(deadline=None)
@given(st.binary(max_size=300), st.sampled_from(["utf-8", "utf-16", "latin-1", "cp1252"]), st.booleans())
def test_any_bytes_are_accounted_for(noise: bytes, encoding: str, with_header: bool) -> None:
    data = (HEADER + BODY).encode(encoding) + noise if with_header else noise
    check_account(read(data, by=profile(csv={"encoding": encoding})))


@settings(deadline=None)
@given(st.text(alphabet='0123456789-: ,."\n\rtpv', max_size=200))
def test_any_text_below_a_header_is_accounted_for(noise: str) -> None:
    result = read(HEADER + BODY + noise)
    check_account(result)
    assert set(result.rows.filter(pl.col("line") <= 5)["line"]) == {2, 3, 4, 5}


@pytest.mark.parametrize("quotes", ["none", "around cells", "over lines"])
@pytest.mark.parametrize("ending", ["\n", ""])
def test_a_text_cut_into_pieces_is_read_as_the_whole(monkeypatch: pytest.MonkeyPatch, quotes: str, ending: str) -> None:
    """With a row of every fault here and there."""
    mark = '"' if quotes == "around cells" else ""
    lines = [HEADER.strip()]
    for n in range(60):
        cells = (f"2025-06-01 {n // 4:02d}:{n % 4 * 15:02d}", f"{n}.5", f"230.{n:02d}")
        lines.append(",".join(f"{mark}{cell}{mark}" for cell in cells))
    lines[7], lines[20], lines[33], lines[41] = "2025-06-01 01:30,1", "2025-06-01 04:45,x,7", "never,1,2", ""
    lines[45], lines[46] = "2025-06-01 11:00,4,v", "2025-06-01 11:15,1e300,230"
    if quotes == "over lines":
        lines[12], lines[50] = '2025-06-01 02:45,"1\n",7', '2025-06-01 12:15,"1,7'
    data = ("\n".join(lines) + ending).encode().replace(b"03:00", b"03:\xff0")
    whole = read(data)
    monkeypatch.setattr(csv_text, "PIECE_CHARS", 100)
    monkeypatch.setattr(csv_quotes, "RECORDS_AT_ONCE", 3)
    cut = read(data)
    for before, after in zip(whole, cut, strict=True):
        assert before.equals(after)
    assert len(rejected(whole)) >= 4 and whole.cells.height >= 2 and whole.rejected["raw"].null_count() == 0
