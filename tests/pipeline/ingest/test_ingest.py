"""Nothing lost, nothing twice: what ingest promises of every file and every row."""

import json
import zipfile
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path

import duckdb
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from pipeline.runs import clock_corrections, cycle
from pipeline.store import device_sums, ledger, readings
from tests.support.fleet import DAY, PROFILES, Fleet, differences, roof, stamps, sunny, table

pytestmark = pytest.mark.usefixtures("few_detectors")
stored = pytest.mark.usefixtures("only_stored")
MORNING = stamps(4)  # 00:00, 00:15, 00:30, 00:45 UTC


@pytest.fixture
def fleet(tmp_path: Path) -> Fleet:
    return Fleet(tmp_path)


def quarter_hours(*pv: float | None, load: float | None = 400.0) -> str:
    return roof([(stamp, value, load) for stamp, value in zip(MORNING, pv, strict=False)])


def pv_of(fleet: Fleet, site: str = "S1") -> list[float | None]:
    return [pv for (pv,) in fleet.ask("SELECT pv_w FROM reading_raw WHERE site_id = ? ORDER BY ts_utc", [site])]


def zipped(**members: str | bytes) -> bytes:
    out = BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members.items():
            archive.writestr(name, content)
    return out.getvalue()


# Nothing twice ------------------------------------------------------------------------------------------------------


@stored
def test_the_same_file_again_is_a_copy(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2, 3))
    fleet.take_in()
    before = fleet.history()
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2, 3))
    result = fleet.take_in()
    assert (result.files, result.copies) == (0, ["S1_roof_a.csv"])
    assert fleet.ask("SELECT export_id, path FROM export_copy") == [(1, "S1_roof_a.csv")]
    assert fleet.files("inbox") == [] and len(fleet.files("archive")) == 1
    assert differences(before, fleet.history() | {"export_copy": []}) == {}


@stored
def test_the_same_bytes_under_another_name_are_recorded_and_skipped(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2, 3))
    fleet.drop("S1_roof_b.csv", quarter_hours(1, 2, 3))  # in the same run
    first = fleet.take_in()
    fleet.drop("deep/er/S1_roof_c.csv", quarter_hours(1, 2, 3))  # in a later one
    second = fleet.take_in()
    assert (first.files, first.copies, second.files, second.copies) == (
        1, ["S1_roof_b.csv"], 0, ["deep/er/S1_roof_c.csv"],
    )  # fmt: skip
    assert fleet.ask("SELECT path FROM export_copy ORDER BY ALL") == [("S1_roof_b.csv",), ("deep/er/S1_roof_c.csv",)]
    assert fleet.ledger() == {"S1_roof_a.csv": (3, 3, 0, 0, 0)}
    assert fleet.files("inbox") == [] and len(fleet.files("archive")) == 1


@stored
def test_a_copy_that_keeps_coming_is_noted_once(fleet: Fleet, tmp_path_factory: pytest.TempPathFactory) -> None:
    outside = tmp_path_factory.mktemp("ftp")
    (outside / "S1_roof_a.csv").write_text(quarter_hours(1, 2, 3))
    for _ in range(3):
        fleet.take_in(outside)
    assert fleet.value("SELECT count(*) FROM export_copy") == 1
    assert [path.name for path in outside.iterdir()] == ["S1_roof_a.csv"]  # what lies elsewhere stays there
    assert len(fleet.files("archive")) == 1


@stored
def test_the_same_bytes_under_another_sites_name_are_another_export(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2, 3))
    fleet.drop("S2_roof_a.csv", quarter_hours(1, 2, 3))
    fleet.take_in()
    assert fleet.ledger() == {"S1_roof_a.csv": (3, 3, 0, 0, 0), "S2_roof_a.csv": (3, 3, 0, 0, 0)}
    assert pv_of(fleet, "S1") == pv_of(fleet, "S2") == [1, 2, 3]


@stored
def test_twins_of_a_file_that_cannot_be_read_are_kept_too(fleet: Fleet) -> None:
    """Both names hold the same bad bytes: neither may vanish as a mere copy of the other."""
    for name in ("S1_roof_a.csv", "S1_roof_b.csv"):
        fleet.drop(name, "no,such,header\n1,2,3\n")
    result = fleet.take_in()
    assert sorted(file for file, _ in result.quarantined) == ["S1_roof_a.csv", "S1_roof_b.csv"]
    assert {"S1_roof_a.csv", "S1_roof_b.csv"} <= set(fleet.files("quarantine"))


# Corrections, completions, duplicates -------------------------------------------------------------------------------


@stored
def test_a_late_correction_replaces_and_the_earlier_values_stay_in_the_archive(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2, 3))
    fleet.take_in()
    fleet.drop("S1_roof_b.csv", quarter_hours(1, 20, 3, 4))
    result = fleet.take_in()
    assert fleet.ledger()["S1_roof_b.csv"] == (4, 1, 2, 1, 0)
    assert (result.rows_read, result.rows_stored, result.rows_unchanged, result.rows_replaced) == (4, 1, 2, 1)
    assert pv_of(fleet) == [1, 20, 3, 4]
    assert fleet.ask("SELECT export_id FROM reading_raw ORDER BY ts_utc") == [(1,), (2,), (1,), (2,)]
    kept = fleet.value("SELECT archived_as FROM export_file WHERE export_id = 1")
    assert (fleet.space.archive / kept).read_text() == quarter_hours(1, 2, 3)


def test_a_correction_makes_the_day_anew_and_judges_it_anew(fleet: Fleet) -> None:
    """4 x 1000 W x 0.25 h = 1 kWh; with the second corrected to 3000 W, (3 x 1000 + 3000) W x 0.25 h = 1.5 kWh."""
    fleet.drop("S1_roof_a.csv", quarter_hours(1000, 1000, 1000, 1000))
    fleet.cycle(is_published=False)
    assert fleet.ask("SELECT pv_kwh FROM site_day WHERE site_id = 'S1'") == [(pytest.approx(1.0),)]
    fleet.drop("S1_roof_b.csv", quarter_hours(1000, 3000, 1000, 1000))
    fleet.take_in()
    assert fleet.ask("SELECT pv_kwh FROM site_day WHERE site_id = 'S1'") == [(pytest.approx(1.5),)]
    assert fleet.value(f"SELECT count(*) FROM judged WHERE site_id = 'S1' AND day = '{DAY}'") == 0


@stored
@pytest.mark.parametrize("rows_at_once", [ledger.ROWS_AT_ONCE, 1, 2, 3])
def test_duplicates_inside_a_file_are_taken_one_after_the_other(
    fleet: Fleet, rows_at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """1 is stored, the repeated 1 is unchanged, 5 corrects it, and the 1 after that corrects once more.

    However many rows are written at once.
    """
    monkeypatch.setattr(ledger, "ROWS_AT_ONCE", rows_at_once)
    t0, t1, t2, _ = MORNING
    rows = [(t0, 1, 4), (t0, 1, 4), (t0, 5, 4), (t0, 1, 4), (t0, None, 4), (t1, 2, 4), (t2, 3, 4)]
    fleet.drop("S1_roof_a.csv", roof(rows))
    fleet.take_in()
    assert fleet.ledger() == {"S1_roof_a.csv": (7, 3, 2, 2, 0)}
    assert pv_of(fleet) == [1, 2, 3]


@pytest.mark.slow
def test_files_of_one_batch_are_taken_as_if_they_had_come_in_turn(fleet: Fleet, tmp_path: Path) -> None:
    texts = {
        "S1_roof_a.csv": quarter_hours(1, 2, 3, 4),
        "S1_roof_b.csv": quarter_hours(1, 9, 3, 4),
        "S1_roof_c.csv": quarter_hours(1, 2, None, 5),
    }
    other = Fleet(tmp_path / "one-by-one")
    for name, text in texts.items():
        fleet.drop(name, text)
        other.drop(name, text)
        other.take_in()
    fleet.take_in()
    assert fleet.ledger() == other.ledger()
    assert fleet.ledger()["S1_roof_c.csv"] == (4, 0, 2, 2, 0)
    assert pv_of(fleet) == [1, 2, 3, 5]  # the empty cell left the 3 alone
    assert differences(fleet.history(), other.history()) == {}


@stored
def test_exports_of_different_channels_complete_each_other(fleet: Fleet) -> None:
    """The meter knows nothing of generation, the roof nothing of the grid: nulls never overwrite."""
    fleet.drop("S1_roof_a.csv", quarter_hours(1, 2, 3))
    fleet.drop("meter_1.csv", table("site,t,grid", [("S1", stamp, -7) for stamp in MORNING]))
    fleet.take_in()
    fleet.drop("S1_roof_b.csv", quarter_hours(1, 2, 3, load=None))
    fleet.take_in()
    assert fleet.ask("SELECT pv_w, load_w, grid_w FROM reading_raw ORDER BY ts_utc") == [
        (1, 400, -7), (2, 400, -7), (3, 400, -7), (None, None, -7),
    ]  # fmt: skip
    assert fleet.ledger()["S1_roof_b.csv"] == (3, 0, 3, 0, 0)


def test_an_interval_that_changes_is_kept_row_by_row(fleet: Fleet) -> None:
    """15 min until the logger was set to 5 min: 4 x 15 min x 1 kW + 12 x 5 min x 1 kW = 2 kWh."""
    fleet.drop("S1_roof_a.csv", roof([(stamp, 1000, None) for stamp in MORNING]))
    later = stamps(12, start=datetime(2026, 3, 10, 1, tzinfo=UTC), minutes=5)
    fleet.drop("S1_roof_b.csv", roof([(stamp, 1000, None) for stamp in later]))
    fleet.take_in()
    assert fleet.ask("SELECT interval_s, count(*) FROM reading_raw GROUP BY ALL ORDER BY ALL") == [(300, 12), (900, 4)]
    assert fleet.value("SELECT sum(pv_kwh) FROM site_day") == pytest.approx(2.0)


@stored
def test_a_frozen_clock_costs_no_more_than_its_rows(fleet: Fleet) -> None:
    """3,000 rows of one instant with ever other values end as one reading: the first stored, the others replaced."""
    rows = [(MORNING[0], n, 4) for n in range(3000)] + [(MORNING[1], 1, 4), (MORNING[2], 1, 4)]
    fleet.drop("S1_roof_a.csv", roof(rows))
    fleet.take_in()
    assert fleet.ledger() == {"S1_roof_a.csv": (3002, 3, 0, 2999, 0)}
    assert pv_of(fleet) == [2999, 1, 1]


@stored
def test_rows_one_by_one_take_the_interval_that_was_told_before(fleet: Fleet, tmp_path: Path) -> None:
    """An export of one row cannot tell its interval. The outcome is that of single runs, however files are batched."""
    texts = {"S1_roof_0.csv": roof([(MORNING[0], 1, 1)])}  # nothing is known yet: quarantined, with the remedy
    texts["S1_roof_1.csv"] = roof([(stamp, 1, 1) for stamp in stamps(5, minutes=5)])
    texts["S1_roof_2.csv"] = roof([("2026-03-10 03:00", 1, 1)])
    texts["S1_roof_3.csv"] = roof([(f"2026-03-10 {hour:02}:00", 1, 1) for hour in range(4, 9)])
    texts["S1_roof_4.csv"] = roof([("2026-03-10 12:00", 1, 1)])
    other = Fleet(tmp_path / "one-by-one")
    for name, text in texts.items():
        fleet.drop(name, text)
        other.drop(name, text)
        other.take_in()
    fleet.take_in()
    lengths = dict(fleet.ask("SELECT strftime(ts_utc, '%H:%M'), interval_s FROM reading_raw"))
    assert (lengths["03:00"], lengths["12:00"]) == (300, 3600)
    assert "set interval_min" in fleet.reason("S1_roof_0.csv") and "S1_roof_0.csv" not in fleet.ledger()
    assert differences(fleet.history(), other.history()) == {}


# Several devices ----------------------------------------------------------------------------------------------------

DEVICES = [("S1", "A"), ("S1", "B")]


def reading(fleet: Fleet, columns: str = "pv_w, load_w, voltage_l1_v") -> list[tuple]:
    with fleet.run() as run:
        rows = device_sums.to_sites(readings.read_days(run.store, DAY, DAY), device_sums.shares(run.store))
    return rows.select(columns.split(", ")).rows()


def test_a_site_of_devices_is_their_sum_once_all_have_reported(tmp_path: Path) -> None:
    fleet = Fleet(tmp_path, devices=DEVICES)
    fleet.drop("S1A_roof_a.csv", table("t,pv,load,v", [(t, 10, None, 230) for t in MORNING]))
    fleet.drop("S1B_roof_a.csv", table("t,pv,load,v", [(t, 5, None, 232) for t in MORNING[:2]]))
    fleet.take_in()
    assert reading(fleet) == [(15, None, 231)] * 2  # powers add up, voltages are a mean; B is missing afterwards
    told = "SELECT readings, pv_kwh, is_partial FROM site_day"
    arrived = (10 * 4 + 5 * 2) / 4 / 1000
    assert fleet.ask(told) == [(4, pytest.approx(arrived), True)]
    fleet.drop("S1B_roof_b.csv", table("t,pv,load,v", [(t, 5, None, 232) for t in MORNING[2:]]))
    fleet.take_in()
    assert fleet.ask(told) == [(4, pytest.approx(15 * 4 / 4 / 1000), False)]
    assert fleet.ledger()["S1A_roof_a.csv"] == (4, 4, 0, 0, 0)


@stored
def test_the_meter_that_one_device_carries_is_the_sites(tmp_path: Path) -> None:
    """A alone reports the load; a gap of A's load is a gap of the site's, never a part of it."""
    fleet = Fleet(tmp_path, devices=DEVICES)
    fleet.drop("S1A_roof_a.csv", table("t,pv,load,v", [(MORNING[0], 10, 300, 230), (MORNING[1], 10, None, 230)]))
    fleet.drop("S1B_roof_a.csv", table("t,pv,load,v", [(MORNING[0], 5, None, 230), (MORNING[1], 5, None, 230)]))
    fleet.take_in()
    assert reading(fleet, "pv_w, load_w") == [(15, 300), (15, None)]


@stored
def test_rows_from_before_and_after_the_devices_were_registered_never_double_an_instant(tmp_path: Path) -> None:
    fleet = Fleet(tmp_path)
    fleet.drop("S1_roof_a.csv", quarter_hours(7, 7, 7))
    fleet.take_in()
    Fleet(tmp_path, devices=DEVICES)
    for device in "AB":
        fleet.drop(f"S1{device}_roof_a.csv", quarter_hours(3, 3))
    fleet.take_in()
    assert reading(fleet, "pv_w") == [(6,), (6,), (7,)]
    fleet.space.devices_file.unlink()
    assert reading(fleet, "pv_w") == [(7,), (7,), (7,)]


# Corrections of clocks ----------------------------------------------------------------------------------------------


def test_where_a_correction_begins_two_stamps_on_one_instant_give_one_reading(fleet: Fleet) -> None:
    """Stamps of 10 March in UTC; -60 min from local midnight of the 10th (23:00 UTC of the 9th) on.

    The stamp 23:30 becomes 22:30, where the uncorrected one stands: the corrected one is kept, and both stay raw.
    """
    evening = stamps(16, start=datetime(2026, 3, 9, 21, tzinfo=UTC))
    fleet.drop("S1_roof_a.csv", roof([(stamp, n, 1) for n, stamp in enumerate(evening)]))
    with fleet.run() as run:
        cycle.take_in(run)
        clock_corrections.retime(run, "S1", shift_min=-60, first=DAY, last=None)
        lo, hi = datetime(2026, 3, 9, 21, tzinfo=UTC), datetime(2026, 3, 10, 1, tzinfo=UTC)
        rows = readings.read(run.store, lo, hi)
    assert rows["ts_utc"].is_unique().all()
    # 21:00 to 21:45 stay, 22:00 to 23:45 come from the stamps 23:00 to 00:45
    assert rows["pv_w"].to_list() == [0, 1, 2, 3, 8, 9, 10, 11, 12, 13, 14, 15]
    assert fleet.value("SELECT count(*) FROM reading_raw") == 16


# Rows are accounted for ---------------------------------------------------------------------------------------------


@stored
def test_a_bad_row_is_kept_with_its_place_and_reason(fleet: Fleet) -> None:
    t0, t1, t2, t3 = MORNING
    good = [f"2026-03-10 01:{minute:02},1,4,9" for minute in (0, 15, 30)]
    lines = ["t,pv,load,v", f"{t0},1,4,9", f"{t1},twelve,4,9", f"{t2},3", "not a time,1,4,9", f"{t3},3,4,9", *good]
    fleet.drop("S1_roof_a.csv", "\n".join([*lines, ""]))
    result = fleet.take_in()
    assert result.needs_person is False and fleet.ledger() == {"S1_roof_a.csv": (8, 5, 0, 0, 3)}
    found = fleet.ask("SELECT export_id, line, column_name, value, raw FROM rejected_row ORDER BY line")
    assert [(row[0], row[1]) for row in found] == [(1, 3), (1, 4), (1, 5)]
    assert found[0][2:4] == ("pv", "twelve") and found[2][2:4] == ("t", "not a time")
    assert [row[4] for row in found] == lines[2:5]
    assert fleet.value("SELECT count(*) FROM rejected_row WHERE reason = ''") == 0


@stored
def test_a_bad_optional_cell_costs_the_cell_alone(fleet: Fleet) -> None:
    fleet.drop("S1_roof_a.csv", table("t,pv,load,v", [(MORNING[0], 1, 4, "warm"), (MORNING[1], 2, 4, 231)]))
    result = fleet.take_in()
    assert (result.rows_stored, result.rows_rejected, result.cells_rejected) == (2, 0, 1)
    assert fleet.ask("SELECT pv_w, voltage_l1_v FROM reading_raw ORDER BY ts_utc") == [(1, None), (2, 231)]
    assert fleet.ask("SELECT line, column_name, value FROM rejected_cell") == [(2, "v", "warm")]


def test_the_ledger_refuses_a_sum_that_does_not_add_up(fleet: Fleet) -> None:
    fleet.take_in()
    columns = "1, 'p', 's', '', 'roof', now(), 5, 1, 1, 1, 1, 0, 'a', '', NULL, NULL"
    with fleet.run() as run, pytest.raises(duckdb.ConstraintException):
        run.store.con.execute(f"INSERT INTO export_file VALUES ({columns})")


@stored
def test_long_exports_account_for_rows_not_readings(fleet: Fleet) -> None:
    """Two quantities of one instant are two rows read and one reading; a metric that nobody names is ignored."""
    rows = [("soc", 50), ("battery", -100), ("mood", 7), ("soc", "full")]
    lines = [
        json.dumps({"site": "S1", "t": MORNING[n // 3], "what": what, "value": value})
        for n, (what, value) in enumerate(rows)
    ]
    fleet.drop("a.ndjson", "\n".join([*lines, ""]))
    fleet.take_in()
    assert fleet.ledger() == {"a.ndjson": (3, 2, 0, 0, 1)}
    assert fleet.value("SELECT rows_ignored FROM export_file") == 1
    assert fleet.ask("SELECT soc_pct, battery_w FROM reading_raw") == [(50, -100)]


QUICK = (Phase.explicit, Phase.reuse, Phase.generate)  # each example takes half a second: a failure is not shrunk
CELLS = st.sampled_from(["0", "1", "2.5", "", "x", "1e999", "--"])
ROW = st.tuples(st.sampled_from([*MORNING, "bad", "", "2026-13-01 00:00"]), CELLS, CELLS, CELLS)
FILES = st.lists(
    st.tuples(st.sampled_from(["S1", "S2"]), st.lists(ROW, min_size=1, max_size=12)), min_size=1, max_size=4
)


@pytest.mark.slow
@given(FILES, st.integers(1, 3))
@settings(max_examples=15, deadline=None, phases=QUICK, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_every_row_of_any_file_is_accounted_for(tmp_path_factory, files, batch) -> None:
    fleet = Fleet(tmp_path_factory.mktemp("any"), settings=f"[ingest]\nsettle_s = 0\nbatch_files = {batch}\n")
    lines = {}
    for number, (site, rows) in enumerate(files):
        name = f"{site}_roof_{number}.csv"
        # a column that no profile reads keeps the bytes of equal files apart
        fleet.drop(name, table("t,pv,load,v,n", [(*row, number) for row in rows]))
        lines[name] = len(rows)
    result = fleet.take_in()
    ledger = fleet.ledger()
    refused = {name for name, _ in result.quarantined}  # files of which most rows were bad
    assert refused | ledger.keys() == lines.keys() and not refused & ledger.keys()
    assert all(counts[0] == lines[name] and 2 * counts[4] <= counts[0] for name, counts in ledger.items())
    assert all(counts[0] == sum(counts[1:]) for counts in ledger.values())
    assert fleet.value("SELECT count(*) FROM rejected_row") == result.rows_rejected
    assert fleet.value("SELECT count(*) FROM reading_raw") == result.rows_stored
    assert fleet.value("SELECT count(*) = count(DISTINCT (site_id, device_id, ts_utc)) FROM reading_raw")
    assert refused == {name for name in fleet.files("quarantine") if not name.endswith(".reason.txt")}


DEALT = [(site, *row) for site in ("S1", "S2") for row in sunny()[24:60]]
DEALT_GRID = [(site, stamp, -pv / 10) for site, stamp, pv, _ in DEALT]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[tuple]]:
    """The history of all rows taken in at once, a file for each site."""
    fleet = Fleet(tmp_path_factory.mktemp("whole"), profiles=given_interval())
    for site in ("S1", "S2"):
        fleet.drop(f"{site}_roof_all.csv", roof([row[1:] for row in DEALT if row[0] == site]))
    fleet.drop("meter_all.csv", table("site,t,grid", DEALT_GRID))
    fleet.take_in()
    return fleet.history(is_numbered=False)


@pytest.mark.slow
@given(st.randoms(use_true_random=False), st.integers(1, 5), st.integers(1, 4))
@settings(max_examples=5, deadline=None, phases=QUICK, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_partition_in_any_order_gives_the_same_history(tmp_path_factory, whole, chance, files, batch) -> None:
    """Rows that do not contradict each other, dealt out over files with overlaps, in any order and any batches."""
    dealt = Fleet(
        tmp_path_factory.mktemp("dealt"),
        profiles=given_interval(),
        settings=f"[ingest]\nsettle_s = 0\nbatch_files = {batch}\n",
    )
    heaps: dict[str, list] = {}
    for site, *row in DEALT:
        for number in {chance.randrange(files), chance.randrange(files)}:
            heaps.setdefault(f"{site}_roof_{number}.csv", []).append(tuple(row))
    for row in DEALT_GRID:
        heaps.setdefault(f"meter_{chance.randrange(files)}.csv", []).append(row)
    names = sorted(heaps)
    chance.shuffle(names)
    for place, name in enumerate(names):
        chance.shuffle(heaps[name])
        is_meter = name.startswith("meter")
        dealt.drop(name, table("site,t,grid", heaps[name]) if is_meter else roof(heaps[name]))
        if place == len(names) // 2:
            dealt.take_in()
    dealt.take_in()
    assert all(counts[3] == 0 or counts[0] == sum(counts[1:]) for counts in dealt.ledger().values())
    assert differences(whole, dealt.history(is_numbered=False)) == {}


def given_interval() -> dict[str, str]:
    return {**PROFILES, "roof": PROFILES["roof"].replace('zone = "utc"', 'zone = "utc"\ninterval_min = 15')}
