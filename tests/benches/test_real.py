"""The arithmetic of the bench on real series, on a tiny made-up one."""

from datetime import date, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.runs.cycle import take_in
from pipeline.runs.session import opened
from pipeline.workspace.places import Workspace
from tests.benches.real import _write, groups, write_workspace
from tests.benches.real_cases import CASES, UNTOUCHED, Case, export_rows, restamped
from tests.benches.real_scoring import fault_table, judge, untouched, untouched_table
from tests.benches.scoring import Run
from tests.support.real_sites import CLOCK_KINDS, Known, RealSite

FIRST = date(2018, 3, 22)  # daylight saving begins on 25 March
DAYS = 8
HOURS = np.arange(24)
PV_W = np.clip(3000.0 * np.sin((HOURS - 6) * np.pi / 12), 0, None)  # a day of it
LOAD_W = np.full(24, 500.0)


def made_up(site_id: str = "made-up", latitude: float = 47.4, first: date = FIRST, **changed: object) -> RealSite:
    """Ten hourly days from the day before FIRST, in UTC+1, all alike."""
    pv_w, load_w = np.tile(PV_W, DAYS + 2), np.tile(LOAD_W, DAYS + 2)
    fields: dict = {
        "kwp": 4.0, "inverter_kw": None, "interval_min": 60, "first": first, "begin": first - timedelta(days=1),
        "channels": {"pv_w": pv_w, "grid_w": load_w - pv_w, "load_w": load_w},
    }  # fmt: skip
    return RealSite(site_id, latitude, 8.1, "Europe/Zurich", "Europe/Zurich", **(fields | changed))


def case(name: str) -> Case:
    return next(one for one in CASES if one.name == name)


def of_day(rows: pl.DataFrame, number: int) -> pl.DataFrame:
    return rows.filter(pl.col("day") == FIRST + timedelta(days=number))


def run(kind: str, begin: int, end: int = DAYS - 1, number: int = 1, severity: str = "soon") -> Run:
    day = FIRST + timedelta(days=begin)
    last = {"kind": kind}
    return Run(f"{kind}-{number}", "made-up", {kind}, day, FIRST + timedelta(days=end), severity, True, last)


def test_labels_are_wall_clock_and_skip_the_hour_of_spring():
    rows = export_rows(made_up(), UNTOUCHED, DAYS)
    assert rows["day"].unique().sort().to_list() == [FIRST + timedelta(days=n) for n in range(DAYS)]
    assert [len(of_day(rows, n)) for n in range(5)] == [24, 24, 24, 23, 24]
    noon = of_day(rows, 0).sort("pv_w")["label"][-1]  # 12:00 UTC is 13:00 in winter
    assert (noon.hour, of_day(rows, 5).sort("pv_w")["label"][-1].hour) == (13, 14)


def test_saving_left_out_keeps_winter_labels():
    rows = export_rows(made_up(), case("saving left out"), DAYS)
    assert [len(of_day(rows, n)) for n in (0, 3, 4)] == [24, 24, 24]
    assert {of_day(rows, n).sort("pv_w")["label"][-1].hour for n in range(DAYS)} == {13}
    assert case("saving left out").onset(made_up(), DAYS) == date(2018, 3, 25)


@pytest.mark.parametrize(("name", "hour"), [("clock +60 min", 14), ("clock -60 min", 12)])
def test_a_wrong_clock_moves_the_labels(name: str, hour: int):
    assert of_day(export_rows(made_up(), case(name), DAYS), 1).sort("pv_w")["label"][-1].hour == hour


def test_half_an_hour_keeps_the_energy():
    moved = restamped(np.array([0.0, 100.0, 300.0, 0.0, 0.0]), np.full(5, 30.0), 60)
    np.testing.assert_allclose(moved[1:], [50.0, 200.0, 150.0, 0.0])  # stamped late: power shows later


def test_a_gap_stays_a_gap_and_a_sentinel_becomes_one():
    moved = restamped(np.array([10.0, np.nan, 10.0, -1e9, 10.0]), np.zeros(5), 60)
    np.testing.assert_array_equal(np.isnan(moved), [False, True, False, True, False])


def test_a_drift_begins_at_the_onset_and_grows():
    late = case("clock drift 60 s/day").late_min
    assert late is not None
    np.testing.assert_allclose(late(np.array([-5.0, 0.0, 1.0, 30.0])), [0, 0, 1, 30])


def test_less_power_leaves_the_balance_closed():
    rows = export_rows(made_up(), case("PV x0.5 step"), DAYS)
    before, after = of_day(rows, 1), of_day(rows, 6)
    assert after["pv_w"].sum() == pytest.approx(before["pv_w"].sum() / 2)
    assert (after["pv_w"] + after["grid_w"] - after["load_w"]).abs().max() == pytest.approx(0.0, abs=1e-6)
    always = export_rows(made_up(), case("PV x0.5 always"), DAYS)
    assert of_day(always, 1)["pv_w"].sum() == pytest.approx(before["pv_w"].sum() / 2)


def test_days_without_power_end():
    rows = export_rows(made_up(), case("zero days"), DAYS)
    sums = [of_day(rows, n)["pv_w"].sum() for n in range(DAYS)]
    assert [round(one) > 0 for one in sums] == [True] * 4 + [False] * 3 + [True]


def test_frozen_values_begin_at_noon_and_end():
    rows = export_rows(made_up(), case("frozen"), DAYS)
    held = of_day(rows, 5)
    assert held["pv_w"].n_unique() == held["grid_w"].n_unique() == 1
    assert held["pv_w"][0] == pytest.approx(3000.0)
    assert of_day(rows, 3)["pv_w"].n_unique() > 5
    assert of_day(rows, 7)["pv_w"].n_unique() > 5


def test_a_meter_turned_changes_the_sign_and_what_is_computed_from_it():
    rows = export_rows(made_up(), case("meter turned"), DAYS)
    plain = export_rows(made_up(), UNTOUCHED, DAYS)
    assert of_day(rows, 6)["grid_w"].to_list() == (-of_day(plain, 6)["grid_w"]).to_list()
    assert of_day(rows, 1).equals(of_day(plain, 1))
    assert of_day(rows, 6)["load_w"].max() == pytest.approx(2 * 3000 - 500)


def test_faults_go_only_where_they_can():
    grid_alone = made_up(channels={"grid_w": np.zeros(240)})
    assert not case("PV x0.5 step").fits(grid_alone)
    assert case("meter turned").fits(grid_alone)
    assert UNTOUCHED.fits(grid_alone)
    assert not case("clock +60 min").fits(made_up(has_right_clock=False))


def test_neighbours_and_other_seasons_are_kept_apart():
    sites = [made_up("a"), made_up("b", 47.5), made_up("c", 50.0), made_up("d", 52.0, FIRST + timedelta(days=40))]
    assert [[site.site_id for site in group] for group in groups(sites)] == [["a", "c"], ["b"], ["d"]]


def test_a_fault_found_with_its_days():
    step = case("PV x0.5 step")  # from day 4 on
    row = judge(step, made_up(), DAYS, [run("string-loss", 6)], [])
    assert (row.found, row.days, row.wrong) == (True, 2.0, "")


def test_what_was_open_before_the_fault_does_not_find_it():
    row = judge(case("PV x0.5 step"), made_up(), DAYS, [run("string-loss", 1)], [])
    assert not row.found


def test_what_is_said_of_the_series_as_it_is_finds_nothing():
    said = [run("string-loss", 6)]
    row = judge(case("PV x0.5 step"), made_up(), DAYS, said, said)
    assert (row.found, row.is_unclear, row.wrong) == (False, True, "")


def test_another_kind_of_the_family_is_the_wrong_kind_unless_it_was_said_anyway():
    tilted = [run("no-generation", 5)]
    assert judge(case("PV x0.5 step"), made_up(), DAYS, tilted, []).wrong == "no-generation"
    assert judge(case("PV x0.5 step"), made_up(), DAYS, tilted, tilted).wrong == ""
    assert judge(case("PV x0.5 step"), made_up(), DAYS, [run("voltage-out-of-band", 5)], []).wrong == ""


def test_a_known_error_is_no_false_alarm():
    known = Known(CLOCK_KINDS, FIRST, FIRST + timedelta(days=4), "an hour off")
    site = made_up(known=(known,))
    alarms = untouched(site, [run("clock-step", 2), run("clock-step", 6, number=2), run("string-loss", 2)])
    assert [alarm.why for alarm in alarms] == ["an hour off", "", ""]
    text = untouched_table({"made-up": DAYS}, alarms)
    assert "1 clock-step: an hour off" in text
    assert "false per 1,000 site-days: 250.00 (0.00 urgent, 250.00 soon, 0.00 watch) in 8 site-days" in text


def test_the_table_counts_by_fault():
    step, frozen = case("PV x0.5 step"), case("frozen")
    rows = [
        judge(step, made_up(), DAYS, [run("string-loss", 6)], []),
        judge(step, made_up(), DAYS, [run("no-generation", 5)], []),
        judge(frozen, made_up(), DAYS, [], []),
    ]
    lines = [" ".join(line.split()) for line in fault_table(rows).splitlines()]
    assert lines[2] == "PV x0.5 step 2 1 2 2 1 no-generation 0 made-up"
    assert lines[3] == "frozen 1 0 - - - 0 made-up"
    assert lines[4].startswith("all 3 1 ")


def test_exports_come_back_as_they_were(tmp_path: Path):
    root = tmp_path / "workspace"
    rows = write_workspace([made_up()], UNTOUCHED, DAYS, root)["made-up"]
    written = [_write(root / "inbox", "made-up", rows, FIRST + timedelta(days=n)) for n in range(DAYS)]
    with opened(Workspace(root), is_quiet=True) as history:
        taken = take_in(history)
        back = history.store.frame("SELECT ts_utc, pv_w FROM reading_raw ORDER BY ts_utc")
    assert (sum(written), taken.rows_rejected, taken.quarantined) == (DAYS, 0, [])
    instants = rows["label"].dt.replace_time_zone("Europe/Zurich").dt.convert_time_zone("UTC")
    assert back["ts_utc"].dt.epoch("s").to_list() == instants.dt.epoch("s").to_list()
    np.testing.assert_allclose(back["pv_w"].to_numpy(), rows["pv_w"].to_numpy(), atol=0.051)
