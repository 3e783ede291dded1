"""Units, signs, sums, missing and bad cells, and the pivot of long exports."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl

from detectors.frames import CHANNELS, COUNTERS
from pipeline.frames import Normalised
from tests.support.build_profiles import check_account, profile, read

HEADER = "t,pv,v\n"


def reasons(result: Normalised) -> list[tuple]:
    check_account(result)
    return result.rejected.select("line", "column_name", "value", "reason").rows()


def test_units_signs_sums_and_offsets() -> None:
    by = profile(
        channels={
            "pv_w": {"column": "pv", "scale": 1000},
            "grid_w": {"column": "m", "scale": -1},
            "load_w": {"columns": ["l1", "l2"], "scale": 10},
            "module_temp_c": {"column": "f", "scale": 0.5, "offset": -16},
            "pv_kwh_total": {"column": "y", "counter": "lifetime"},
        }
    )
    text = "t,pv,m,l1,l2,f,y\n2025-06-01 00:00,1.5,200,3,4,50,100\n2025-06-01 01:00,,-200,3,,50,101\n"
    result = read(text, by=by)
    check_account(result)
    named = ["pv_w", "grid_w", "load_w", "module_temp_c", "pv_kwh_total"]
    # (3 + 4) * 10; 50 * 0.5 - 16; a sum with a part missing is missing
    assert result.rows.select(named).rows() == [(1500, -200, 70, 9, 100), (None, 200, None, 9, 101)]
    others = [name for name in (*CHANNELS, *COUNTERS) if name not in named]
    assert result.rows.select(pl.col(others).is_null().all()).row(0) == (True,) * len(others)


def test_a_bad_cell_costs_its_row_and_a_bad_optional_cell_itself() -> None:
    lines = [
        "2025-06-01 00:00,1,230",
        "2025-06-01 01:00,bad,worse",
        "2025-06-01 02:00,3,worse",
        "2025-06-01 03:00,4,NaN",
    ]
    result = read(HEADER + "\n".join(lines) + "\n")
    assert reasons(result) == [(3, "pv", "bad", "not a number")]
    assert result.rejected["raw"].to_list() == [lines[1]]
    assert result.cells.select("line", "column_name", "value", "reason", "raw").rows() == [
        (4, "v", "worse", "not a number", lines[2]),
        (5, "v", "NaN", "not a number", lines[3]),
    ]
    assert result.rows.select("line", "pv_w", "voltage_l1_v").rows() == [(2, 1, 230), (4, 3, None), (5, 4, None)]


def test_the_first_fault_of_a_row_is_the_one_told() -> None:
    result = read(
        HEADER + "2025-06-01 00:00,1,1\n2025-06-01 01:00,1,1\n2025-06-01 02:00,1,1\n" + "2025-02-30 00:00,bad,230\n"
    )
    assert reasons(result) == [(5, "t", "2025-02-30 00:00", "not a time of the form %Y-%m-%d %H:%M")]


def test_missing_tokens() -> None:
    by = profile(csv={"missing": ["--", "-999"]})
    text = HEADER + "2025-06-01 00:00,--,-999\n2025-06-01 01:00,,1\n2025-06-01 02:00,-999.5,N/A\n"
    result = read(text, by=by)
    assert result.rows.select("pv_w", "voltage_l1_v").rows() == [(None, None), (None, 1), (-999.5, None)]
    assert result.cells["value"].to_list() == ["N/A"]


def test_raw_and_value_are_capped() -> None:
    result = read(HEADER + "2025-06-01 00:00,1,1\n2025-06-01 01:00,1,1\n" + f"2025-06-01 02:00,{'x' * 5000},230\n")
    assert [len(result.rejected[column][0]) for column in ("raw", "value")] == [2000, 2000]


LONG = profile(
    long={"channel_column": "metric", "value_column": "value"},
    channels={
        "pv_w": {"column": "P", "scale": 1000},
        "load_w": {"columns": ["L1", "L2"]},
        "voltage_l1_v": {"column": "U"},
    },
)


def test_a_long_export_becomes_a_row_an_instant() -> None:
    lines = [f"2025-06-01 0{hour}:00,{metric},{hour}\n" for metric in ("P", "L1", "U", "L2") for hour in range(3)]
    for text in (lines, lines[::-1]):
        result = read("t,metric,value\n" + "".join(text), by=LONG)
        check_account(result)
        assert result.rows.sort("ts_utc").select("rows", "pv_w", "load_w", "voltage_l1_v", "interval_s").rows() == [
            (4, 0, 0, 0, 3600), (4, 1000, 2, 1, 3600), (4, 2000, 4, 2, 3600)
        ]  # fmt: skip


def test_a_long_export_accounts_for_every_row() -> None:
    text = (
        "t,metric,value\n2025-06-01 00:00,P,1\n2025-06-01 00:00,Q,9\n2025-06-01 00:00,U,bad\n2025-06-01 01:00,L1,bad\n"
        "2025-06-01 01:00,L2,2\n2025-06-01 01:00,,2\n2025-06-01 01:00,P,3\n2025-06-01 01:00,P,4\n2025-06-01 01:00,p,4\n"
    )
    result = read(text, by=LONG)
    assert reasons(result) == [(5, "value", "bad", "not a number"), (7, "metric", "", "no channel named")]
    assert result.files.select("rows_read", "rows_ignored").rows() == [(7, 2)]
    assert result.rows.select("line", "rows", "pv_w", "load_w", "voltage_l1_v").rows() == [
        (2, 2, 1000, None, None),
        (6, 2, 3000, None, None),
        (9, 1, 4000, None, None),
    ]
    assert result.cells.select("line", "column_name", "value").rows() == [(4, "value", "bad")]


def test_a_long_export_settles_the_repeated_hour_metric_by_metric() -> None:
    zurich = ZoneInfo("Europe/Zurich")
    instants = [datetime(2025, 10, 25, 22, tzinfo=UTC) + timedelta(minutes=15 * n) for n in range(40)]
    by_metric = [f"{i.astimezone(zurich):%Y-%m-%d %H:%M},{m},1\n" for m in ("P", "U") for i in instants]
    by_time = [f"{i.astimezone(zurich):%Y-%m-%d %H:%M},{m},1\n" for i in instants for m in ("P", "U")]
    for lines in (by_metric, by_time):
        result = read("t,metric,value\n" + "".join(lines), by=LONG)
        check_account(result)
        assert result.rows["ts_utc"].to_list() == instants
        assert set(result.rows["rows"]) == {2}
