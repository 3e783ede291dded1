"""From exports to readings: units, signs, instants, intervals, and the account of every row."""

import gzip
import io
import json
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.exports.normalise import normalise
from pipeline.exports.opening import read_export
from pipeline.frames import FILES, REJECTED, ROWS, Normalised
from tests.support.build_profiles import check_account, part, profile, read, targets
from tests.support.places import OPEN_DATA

HEADER = "t,pv,v\n"
ONE_ROW = "interval length can't be known from one row; set interval_min in the profile"


def day(date: str, minutes: int = 60, count: int = 24) -> str:
    start = datetime.fromisoformat(date)
    stamps = (start + timedelta(minutes=minutes * n) for n in range(count))
    return "".join(f"{stamp:%Y-%m-%d %H:%M},{n}.5,230.5\n" for n, stamp in enumerate(stamps))


def utc_of(result: Normalised) -> list[str]:
    check_account(result)
    return [f"{instant:%Y-%m-%d %H:%M}" for instant in result.rows["ts_utc"]]


def reasons(result: Normalised) -> list[tuple]:
    check_account(result)
    return result.rejected.select("line", "column_name", "value", "reason").rows()


def test_the_frames_are_as_promised_even_when_empty() -> None:
    for result in (read(HEADER + day("2025-06-01")), read(""), normalise([], profile(), targets()),
                   read(HEADER + day("2025-06-01"), sites=targets().clear())):  # fmt: skip
        assert result.rows.schema == ROWS
        assert result.rejected.schema == REJECTED and result.cells.schema == REJECTED
        assert result.files.schema == FILES
        check_account(result)


# ---------------------------------------------------------------- formats x encodings x compressions

RECORDS = [{"t": f"2025-06-01 {hour:02d}:00", "pv": hour + 0.5, "v": 230.5} for hour in range(24)]
AS_TEXT = {
    "csv": HEADER + day("2025-06-01"),
    "json": json.dumps(RECORDS),
    "ndjson": "\n".join(json.dumps(record) for record in RECORDS) + "\n",
}


def zipped(data: bytes) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        archive.writestr("S1_day.txt", data)
    return buffer.getvalue()


PACKERS: dict[str, Callable[[bytes], bytes]] = {
    "": lambda data: data, ".gz": gzip.compress, ".zst": zstandard.compress, ".zip": zipped
}  # fmt: skip


@pytest.mark.parametrize("ending", PACKERS)
@pytest.mark.parametrize("form", AS_TEXT)
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1", "cp1252"])
def test_every_format_encoding_and_compression_gives_the_same_rows(
    tmp_path: Path, form: str, encoding: str, ending: str
) -> None:
    path = tmp_path / f"S1_day.txt{ending}"
    path.write_bytes(PACKERS[ending](AS_TEXT[form].encode(encoding)))
    csv = {"csv": {"encoding": "utf-8" if encoding == "utf-8-sig" else encoding}} if form == "csv" else {}
    result = normalise(read_export(path, "", max_bytes=10**6), profile(format=form, **csv), targets())
    check_account(result)
    assert result.rows["pv_w"].to_list() == [hour + 0.5 for hour in range(24)]
    assert result.rows["ts_utc"][0] == datetime(2025, 5, 31, 22, tzinfo=UTC)  # 00:00 CEST
    assert set(result.rows["interval_s"]) == {3600}


# ---------------------------------------------------------------- sites


def test_a_site_whose_exports_have_another_name_is_no_unknown_one() -> None:
    content = HEADER + day("2025-06-01", count=2)
    by = profile(site={"from": "folder", "pattern": "roofs/(?P<site>[^/]+)$"})
    reason = read(part(content, folder="roofs/site-S2"), by=by).files["quarantine"][0]
    assert "is called 'S2' in its exports" in reason and "external_id" in reason and "not in the register" not in reason


def test_sites_from_names_and_folders() -> None:
    content = HEADER + day("2025-06-01", count=2)
    named = read(part(content, "S2_day.csv.gz"), part(content, "noname.csv"), part(content, "S9_day.csv"))
    assert named.rows["site_id"].to_list() == ["site-S2"] * 2
    assert "does not match the file name 'noname.csv'" in named.files["quarantine"][1]
    assert "site 'S9' is not in the register" in named.files["quarantine"][2]
    by = profile(site={"from": "folder", "pattern": "roofs/(?P<site>[^/]+)$"})
    folders = read(part(content, folder="2025/roofs/S1"), part(content, folder=""), by=by)
    assert folders.rows["site_id"].to_list() == ["site-S1"] * 2
    assert "does not match the folder ''" in folders.files["quarantine"][1]


def test_sites_from_a_column_cost_rows_until_none_is_known() -> None:
    by = profile(site={"from": "column", "column": "plant"})
    text = "plant,t,pv,v\nS1,2025-06-01 00:00,1,1\nS2,2025-06-01 00:00,2,1\nS3,2025-06-01 00:00,3,1\n"
    text += ",2025-06-01 01:00,4,1\nS1,2025-06-01 01:00,5,1\nS2,2025-06-01 01:00,6,1\ns1,2025-06-01 01:00,6,1\n"
    strangers = "plant,t,pv,v\nS3,2025-06-01 00:00,3,1\n"
    result = read(text, strangers, by=by)
    assert [(line, value) for line, _, value, _ in reasons(result)] == [(4, "S3"), (5, ""), (8, "s1")]
    assert set(result.rejected["reason"]) == {"site not in the register"}
    assert result.rows.select("site_id", "pv_w").rows() == [
        ("site-S1", 1), ("site-S2", 2), ("site-S1", 5), ("site-S2", 6)
    ]  # fmt: skip
    assert "no site of the register in any row of 'plant', which starts with 'S3'" in result.files["quarantine"][1]


def test_devices() -> None:
    sites = targets("A", "B").with_columns(site_id=pl.lit("home"), device_id=pl.col("external_id").str.to_lowercase())
    by = profile(site={"from": "column", "column": "inv"})
    text = (
        "inv,t,pv,v\nA,2025-06-01 00:00,1,1\nB,2025-06-01 00:00,2,1\nA,2025-06-01 00:05,1,1\nB,2025-06-01 00:05,2,1\n"
    )
    result = read(text, by=by, sites=sites)
    assert result.rows.select("site_id", "device_id", "pv_w").unique().sort("pv_w").rows() == [
        ("home", "a", 1), ("home", "b", 2)
    ]  # fmt: skip
    assert set(result.rows["interval_s"]) == {300}


# ---------------------------------------------------------------- zones and stamps


@pytest.mark.parametrize(
    ("zone", "form", "stamp", "expected"),
    [
        ("export_timezone", "%Y-%m-%d %H:%M", "2025-06-01 12:00", "2025-06-01 10:00"),
        ("utc", "%Y-%m-%d %H:%M", "2025-06-01 12:00", "2025-06-01 12:00"),
        ("Asia/Kathmandu", "%Y-%m-%d %H:%M", "2025-06-01 12:00", "2025-06-01 06:15"),
        ("+05:30", "%Y-%m-%d %H:%M", "2025-06-01 12:00", "2025-06-01 06:30"),
        ("in value", "iso8601", "2025-06-01T12:00:00-03:00", "2025-06-01 15:00"),
        ("utc", "iso8601", "2025-06-01T12:00:00Z", "2025-06-01 12:00"),
        ("in value", "%Y-%m-%d %H:%M%z", "2025-06-01 12:00+0930", "2025-06-01 02:30"),
        ("utc", "epoch_s", "1748772000", "2025-06-01 10:00"),
        ("utc", "epoch_ms", "1748772000000", "2025-06-01 10:00"),
    ],
)
def test_zones(zone: str, form: str, stamp: str, expected: str) -> None:
    by = profile(timestamp={"column": "t", "format": form, "zone": zone, "interval_min": 5})
    result = read(HEADER + f"{stamp},1,230\n", by=by)
    assert utc_of(result) == [expected]
    assert result.rows["ts_export"].to_list() == [stamp]


def test_each_site_has_its_export_zone() -> None:
    by = profile(site={"from": "column", "column": "plant"})
    sites = targets("N", "S", zones={"N": "America/New_York", "S": "Australia/Sydney"})
    text = "plant,t,pv,v\n" + "".join(f"{s},2025-01-01 0{h}:00,1,1\n" for h in range(2) for s in "NS")
    result = read(text, by=by, sites=sites)
    assert utc_of(result) == ["2025-01-01 05:00", "2024-12-31 13:00", "2025-01-01 06:00", "2024-12-31 14:00"]


@pytest.mark.parametrize(
    ("zone", "form", "stamp", "reason"),
    [
        ("export_timezone", "iso8601", "2025-06-01T00:00Z", "offset of its own; set zone"),
        ("utc", "iso8601", "2025-06-01T00:00+02:00", "offset of its own; set zone"),
        ("in value", "iso8601", "2025-06-01T00:00", "no offset in the stamp; name the zone"),
        ("utc", "%Y-%m-%d %H:%M", "", "no time stamp"),
        ("utc", "%Y-%m-%d %H:%M", "soon", "not a time of the form %Y-%m-%d %H:%M"),
        ("utc", "%Y-%m-%d %H:%M", "1989-12-31 23:59", "the year 1989 is outside 1990-2100"),
        ("utc", "%Y-%m-%d %H:%M", "2101-01-01 00:00", "the year 2101 is outside 1990-2100"),
        ("utc", "epoch_s", "0", "the year 1970 is outside 1990-2100"),
        ("utc", "epoch_s", "99999999999999999999", "not a time of the form epoch_s"),
        ("Europe/Zurich", "%Y-%m-%d %H:%M", "2025-03-30 02:30", "no such local time"),
    ],
)
def test_stamps_that_can_not_be_placed_cost_their_row(zone: str, form: str, stamp: str, reason: str) -> None:
    by = profile(timestamp={"column": "t", "format": form, "zone": zone, "interval_min": 5})
    ((line, column, value, said),) = reasons(read(HEADER + f"{stamp},1,230\n", by=by))
    assert (line, column, value) == (2, "t", stamp)
    assert reason in said


def test_stamps_in_two_columns_are_joined_by_one_space() -> None:
    by = profile(timestamp={"columns": ["date", "clock"], "format": "%d.%m.%Y %H:%M", "zone": "utc"})
    text = "date,clock,pv,v\n31.05.2025,23:00,1,1\n31.05.2025,24:00,1,1\n01.06.2025,,1,1\n"
    result = read(text, by=by)
    assert utc_of(result) == ["2025-05-31 23:00", "2025-06-01 00:00"]
    assert result.rows["ts_export"].to_list() == ["31.05.2025 23:00", "31.05.2025 24:00"]
    assert len(reasons(result)) == 1


# ---------------------------------------------------------------- marks and intervals


@pytest.mark.parametrize(
    ("marks", "first", "kept"),
    [("interval start", "2025-05-31 22:00", "start"), ("interval end", "2025-05-31 21:00", "end"),
     ("instant", "2025-05-31 22:00", "instant")],
)  # fmt: skip
def test_everything_becomes_interval_start(marks: str, first: str, kept: str) -> None:
    by = profile(timestamp={"column": "t", "format": "%Y-%m-%d %H:%M", "marks": marks})
    result = read(HEADER + day("2025-06-01"), by=by)
    assert utc_of(result)[0] == first
    assert set(result.rows["marks"]) == {kept} and set(result.rows["interval_s"]) == {3600}


def test_the_interval_is_the_most_frequent_step_of_each_site() -> None:
    by = profile(site={"from": "column", "column": "plant"})
    quick = [f"S1,2025-06-01 00:{minute:02d},1,1\n" for minute in (0, 5, 10, 20, 25, 45)]
    slow = [f"S2,2025-06-01 {hour:02d}:00,1,1\n" for hour in (0, 1, 2, 5)]
    for lines in (
        quick + slow,
        (quick + slow)[::-1],
        [line for pair in zip(quick, slow, strict=False) for line in pair],
    ):
        result = read("plant,t,pv,v\n" + "".join(lines), by=by)
        check_account(result)
        assert set(result.rows.select("site_id", "interval_s").rows()) == {("site-S1", 300), ("site-S2", 3600)}


def test_a_single_row_borrows_the_interval() -> None:
    by = profile(site={"from": "column", "column": "plant"})
    alone = HEADER + "2025-06-01 00:00,1,1\n"
    assert reasons(read(alone)) == [(2, "t", "2025-06-01 00:00", ONE_ROW)]
    assert read(alone, known_interval_s={("site-S1", ""): 900}).rows["interval_s"].to_list() == [900]
    beside = (
        "plant,t,pv,v\n" + "".join(f"S2,2025-06-01 0{hour}:00,1,1\n" for hour in range(3)) + "S1,2025-06-01 00:00,1,1\n"
    )
    result = read(beside, by=by, known_interval_s={("site-S1", ""): 900})
    assert result.rows["interval_s"].to_list() == [3600] * 4
    fixed = profile(timestamp={"column": "t", "format": "%Y-%m-%d %H:%M", "interval_min": 2.5})
    assert read(alone, by=fixed).rows["interval_s"].to_list() == [150]


def test_a_gap_between_two_readings_is_no_interval() -> None:
    text = HEADER + "2025-06-01 00:00,1,1\n2025-06-01 06:00,1,1\n"
    assert set(read(text, known_interval_s={("site-S1", ""): 300}).rows["interval_s"]) == {300}
    assert set(read(text).rows["interval_s"]) == {21_600}


# ---------------------------------------------------------------- changes of clocks


def test_a_measured_order_settles_the_repeated_hour() -> None:
    zurich = ZoneInfo("Europe/Zurich")
    instants = [datetime(2025, 10, 25, 22, tzinfo=UTC) + timedelta(minutes=5 * n) for n in range(300)]
    lines = [f"{i.astimezone(zurich):%Y-%m-%d %H:%M},1.5,230.5\n" for i in instants]
    for text in (lines, lines[::-1]):
        result = read(HEADER + "".join(text))
        assert sorted(result.rows["ts_utc"]) == instants
        assert result.files["notes"].to_list() == [[]]


def test_what_the_order_can_not_settle_is_counted() -> None:
    result = read(HEADER + day("2025-10-26", 5, 288))
    check_account(result)
    note = "12 readings in the repeated hour could not be told apart, taken as the first pass"
    assert result.files["notes"].to_list() == [[note]]
    assert len(set(result.rows["ts_utc"])) == 288


def test_a_table_of_24_hours_with_an_empty_one_is_not_on_standard_time() -> None:
    """Such tables print a row for 02:00 on the day that has none, and leave it blank."""
    lines = [f"2025-03-30 {hour:02d}:00,{'' if hour == 2 else hour},\n" for hour in range(24)]
    result = read(HEADER + "".join(lines))
    assert reasons(result) == [(4, "t", "2025-03-30 02:00", "no such local time")]
    assert utc_of(result)[-1] == "2025-03-30 21:00"  # 23:00 CEST


@pytest.mark.skipif(not (OPEN_DATA / "aew_ch_2019").is_dir(), reason="no open data; set NOONMARK_OPEN_DATA")
def test_a_measured_year_of_interval_ends() -> None:
    """AEW Energie AG, 2019: 35,040 quarter hours of three sites, interleaved as one file of a column `site`."""
    flows = pl.read_parquet(OPEN_DATA / "aew_ch_2019" / "flows_15min.parquet").sort("row", "site")
    stamp = pl.col("ts_local").cast(pl.Datetime("us")).dt.strftime("%d.%m.%Y %H:%M")
    text = flows.select("site", t=stamp, grid=pl.col("import_kw") - pl.col("export_kw")).write_csv(separator=";")
    by = profile(
        csv={"delimiter": ";"},
        site={"from": "column", "column": "site"},
        timestamp={"column": "t", "format": "%d.%m.%Y %H:%M", "marks": "interval end"},
        channels={"grid_w": {"column": "grid", "scale": 1000}},
    )
    result = read(text, by=by, sites=targets("A", "B", "C"))
    check_account(result)
    assert result.rejected.is_empty() and result.files["notes"].to_list() == [[]]
    assert set(result.rows["interval_s"]) == {900}
    for _, site in result.rows.group_by("site_id"):
        assert site.height == 35_040
        assert set(site["ts_utc"].diff().drop_nulls()) == {timedelta(minutes=15)}
    # the file starts at the label 00:00 of 1 January, which ends the last interval of 2018: 22:45 to 23:00 UTC
    assert result.rows["ts_utc"].min() == datetime(2018, 12, 31, 22, 45, tzinfo=UTC)
    kwh = (
        result.rows["grid_w"].sum() - flows.select(pl.col("import_kw") - pl.col("export_kw")).sum().item() * 1000
    ) / 4000
    assert abs(kwh) < 1e-6


# ---------------------------------------------------------------- duplicates and batches


def test_duplicates_are_kept_in_line_order() -> None:
    result = read(HEADER + day("2025-06-01", count=3) + "2025-06-01 01:00,9.5,231.5\n")
    check_account(result)
    assert result.rows.select("line", "pv_w").rows() == [(2, 0.5), (3, 1.5), (4, 2.5), (5, 9.5)]


def test_a_batch_gives_what_its_files_give_alone() -> None:
    good, bad = HEADER + day("2025-06-01"), HEADER + day("2025-06-02", count=3) + "x,1,1\n1,2\n2025-06-02 04:00,no,1\n"
    quoted = '"t","v","pv"\n"2025-06-03 00:00","1","2"\n"2025-06-03 01:00","1","2"\n'
    files = [part(text, f"S{1 + n % 2}_{n}.csv") for n, text in enumerate([good, bad, "", quoted, good, bad])]
    together = read(*files)
    check_account(together)
    for number, file in enumerate(files):
        alone = read(file)
        for both, one in zip(together, alone, strict=True):
            of_file = both.filter(pl.col("file_no") == number).drop("file_no")
            assert of_file.equals(one.drop("file_no"))


CELLS = st.sampled_from(
    ["1", "1.5", "", "x", "NaN", "2025-06-01 00:00", "2025-10-26 02:30", "2025-03-30 02:30", '"', "S1"]
)


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(st.lists(st.lists(CELLS, min_size=2, max_size=5), max_size=12), st.booleans(), st.booleans())
def test_any_rows_are_accounted_for(rows: list[list[str]], is_long: bool, by_column: bool) -> None:
    options = {"long": {"channel_column": "v", "value_column": "pv"}, "channels": {"pv_w": {"column": "1"}}}
    site = {"site": {"from": "column", "column": "v"}} if by_column and not is_long else {}
    by = profile(**(options if is_long else {}), **site)
    check_account(read(HEADER + "\n".join(",".join(row) for row in rows), HEADER + day("2025-06-01", count=2), by=by))
