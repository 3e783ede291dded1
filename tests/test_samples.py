"""The sample fleet: the repository holds what its script makes, and that keeps to the contract's words and signs."""

import csv
import gzip
import io
import json
import math
import re
import statistics
import zipfile
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import cast
from zoneinfo import ZoneInfo

import polars as pl
import pytest
import zstandard

from pipeline.exports.normalise import normalise
from pipeline.exports.opening import ExportPart, read_export
from pipeline.ingest.profile_choice import choose_profile
from pipeline.profiles.load import load_profiles
from pipeline.register.load import load_register
from pipeline.workspace.places import Workspace
from tests.simulation.sample_fleet.equipment import NOISE_W
from tests.simulation.sample_fleet.fleet import Lived, live_fleet
from tests.simulation.sample_fleet.formats import ROLLOVER_KWH, YIELD_BEFORE_KWH
from tests.simulation.sample_fleet.make import make_exports
from tests.simulation.sample_fleet.rows import Daily
from tests.simulation.sample_fleet.sites import Spec
from tests.support.places import ROOT

SAMPLES = ROOT / "sample_exports"
EXPORTS = SAMPLES / "exports"
PROFILES = SAMPLES / "profiles"
MAX_BYTES = 7_500_000
DAYS = (date(2026, 3, 29), date(2026, 4, 5))  # the changes of clocks at Zurich and at Adelaide, tzdata 2026
KINDS = {  # contract, section 8
    *("time-zone-wrong", "daylight-saving-wrong", "clock-drift", "clock-step", "unexpected-export", "meter-reversed"),
    *("phase-imbalance", "import-limit-exceeded", "battery-at-floor", "battery-not-discharging"),
    *("battery-below-reserve", "battery-grid-charging", "battery-reading-frozen", "underperformance"),
    *("no-generation", "string-loss", "capacity-mismatch", "voltage-out-of-band", "site-silent", "readings-frozen"),
    *("readings-implausible", "balance-broken", "unexplained"),
}


def content(path: Path) -> object:
    """A file's content without the packing, which another version of a compressor may do differently."""
    data = path.read_bytes()
    match path.suffix:
        case ".gz":
            return gzip.decompress(data)
        case ".zst":
            return zstandard.ZstdDecompressor().decompress(data)
        case ".zip":
            with zipfile.ZipFile(io.BytesIO(data)) as packed:
                return {name: packed.read(name) for name in packed.namelist()}
    return data


def table(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader((SAMPLES / name).read_text("utf-8").splitlines()))


@pytest.fixture(scope="module")
def fleet() -> list[Lived]:
    return live_fleet()


@pytest.fixture(scope="module")
def made_with_rows(fleet: list[Lived], tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[Spec, Daily]]:
    """The exports of two days, and by site the rows that they were written from."""
    out = tmp_path_factory.mktemp("fleet")
    return out / "exports", make_exports(out, fleet, days=DAYS)


@pytest.fixture(scope="module")
def made(made_with_rows: tuple[Path, dict[Spec, Daily]]) -> Path:
    return made_with_rows[0]


def test_the_repository_holds_what_the_script_makes(made: Path) -> None:
    files = sorted(path.relative_to(made) for path in made.rglob("*") if path.is_file())
    per_site_and_day = 7 + 3 + 2  # evening-csv, nested-json, metric-long
    assert len(files) == len(DAYS) * (per_site_and_day + 3)
    assert [str(name) for name in files if content(made / name) != content(EXPORTS / name)] == []


def test_two_runs_give_the_same_bytes(fleet: list[Lived], made: Path, tmp_path: Path) -> None:
    """Packing too; that the same fleet is lived through each time is what the test above shows."""
    make_exports(tmp_path, fleet, days=DAYS[1:])
    names = [path.relative_to(tmp_path / "exports") for path in tmp_path.rglob("*") if path.is_file()]
    assert len(names) == 7 + 3 + 2 + 3
    assert all((tmp_path / "exports" / name).read_bytes() == (made / name).read_bytes() for name in names)


def test_the_folder_stays_small_and_every_file_tells_its_day() -> None:
    files = [path for path in SAMPLES.rglob("*") if path.is_file() and "__pycache__" not in path.parts]
    assert sum(path.stat().st_size for path in files) < MAX_BYTES
    exports = [path.name for path in files if path.is_relative_to(EXPORTS)]
    assert [name for name in exports if not re.search(r"2026-0[34]-\d\d|20260[34]\d\d", name)] == []


def test_the_table_of_faults_keeps_to_the_contract() -> None:
    site_ids = {site["site_id"] for site in table("sites.csv")}
    faults = table("faults.csv")
    assert {fault["kind"] for fault in faults} <= KINDS | {"none"}
    assert {fault["site_id"] for fault in faults} <= site_ids
    assert len({fault["kind"] for fault in faults}) > 12
    for fault in faults:
        assert date(2026, 3, 5) <= date.fromisoformat(fault["first_day"]) <= date.fromisoformat(fault["last_day"])
        assert date.fromisoformat(fault["last_day"]) <= date(2026, 4, 18)
        assert (fault["size"] == "") == (fault["kind"] == "none")


def test_the_register_spans_zones_and_hemispheres() -> None:
    sites = table("sites.csv")
    assert len({site["timezone"] for site in sites}) == 5
    assert {float(site["latitude"]) > 0 for site in sites} == {True, False}
    kwp_of_planes: dict[str, float] = {}
    for plane in table("arrays.csv"):
        kwp_of_planes[plane["site_id"]] = kwp_of_planes.get(plane["site_id"], 0.0) + float(plane["kwp"])
    assert kwp_of_planes == {s["site_id"]: float(s["installed_kwp"]) for s in sites if s["site_id"] in kwp_of_planes}


def test_clocks_change_where_the_zone_database_says() -> None:
    def hours(zone: str, day: int, month: int) -> float:
        zoned = ZoneInfo(zone)
        start, end = (datetime(2026, month, d, tzinfo=zoned).astimezone(UTC) for d in (day, day + 1))
        return (end - start).total_seconds() / 3600

    assert (hours("Europe/Zurich", 29, 3), hours("Australia/Adelaide", 5, 4), hours("America/Denver", 8, 3)) == (
        23,
        25,
        23,
    )
    zurich = (EXPORTS / "evening-csv" / "BIR-02_15min_2026-03-29.csv").read_text("latin-1").splitlines()[3:]
    assert len(zurich) == 23 * 4
    left_out = (EXPORTS / "evening-csv" / "BIR-03_15min_2026-03-29.csv").read_text("latin-1").splitlines()[3:]
    assert len(left_out) == 24 * 4  # this logger stays on standard time
    lines = gzip.decompress((EXPORTS / "line-records" / "lines-2026-04-05.ndjson.gz").read_bytes()).splitlines()
    adelaide = [record["t"] for record in map(json.loads, lines) if record["unit"] == "wb03"]
    assert len(adelaide) == 25 * 12
    assert adelaide.count("2026-04-05T02:30:00") == 2


Power = list[tuple[datetime, float]]  # the middle of each interval in UTC, as register and profile claim it


def claimed(text: str, form: str, zone: str, minutes: float) -> datetime:
    return (datetime.strptime(text, form).replace(tzinfo=ZoneInfo(zone)) + timedelta(minutes=minutes)).astimezone(UTC)


def evening(day: date) -> Power:
    rows = (EXPORTS / f"evening-csv/BIR-03_15min_{day}.csv").read_text("latin-1").splitlines()[3:]
    cells = [row.replace(",", ".").split(";") for row in rows]
    return [(claimed(f"{c[0]} {c[1]}", "%d.%m.%Y %H:%M", "Europe/Zurich", -7.5), float(c[2])) for c in cells]


def nested(day: date) -> Power:
    raw = zstandard.ZstdDecompressor().decompress((EXPORTS / f"nested-json/st-4101_{day}.json.zst").read_bytes())
    rows = json.loads(raw)["of_day"]["intervals"]
    return [(claimed(r["at"], "%Y-%m-%d %H:%M:%S", "Asia/Kolkata", 7.5), r["power"]["pv"]) for r in rows]


def metrics(day: date) -> Power:
    lines = gzip.decompress((EXPORTS / f"metric-long/NIR-04/{day:%Y%m%d}.csv.gz").read_bytes()).decode().splitlines()
    cells = [line.split(",") for line in lines]
    return [(datetime.fromtimestamp(int(c[0]), UTC), float(c[2])) for c in cells if c[1] == "ac_out"]


def records(day: date) -> Power:
    lines = gzip.decompress((EXPORTS / f"line-records/lines-{day}.ndjson.gz").read_bytes()).splitlines()
    rows = [row for row in map(json.loads, lines) if row["unit"] == "wb01"]
    return [(claimed(row["t"], "%Y-%m-%dT%H:%M:%S", "UTC", -2.5), row["pv"]) for row in rows]


def fleet_day(day: date) -> Power:
    lines = gzip.decompress((EXPORTS / f"fleet-day/fleet_{day}.csv.gz").read_bytes()).decode().splitlines()
    cells = [line.split(",") for line in lines if line.startswith("7301,")]
    return [((datetime.fromisoformat(c[1]) + timedelta(minutes=2.5)).astimezone(UTC), float(c[2])) for c in cells]


@pytest.mark.parametrize(
    ("site_id", "read"),
    [("BIR-03", evening), ("NIR-01", nested), ("NIR-04", metrics), ("WAT-01", records), ("COL-01", fleet_day)],
)
def test_planted_clock_errors_are_there(site_id: str, read: Callable[[date], Power]) -> None:
    """The middle of first and last light, less the sun's noon, is the table's offset to within 10 minutes.

    The sun's noon: 12:00 UTC less 4 minutes per degree east. The equation of time is left out: it is zero on 15 April
    and stays below 2 minutes from 9 April on. The other 8: half a quarter hour of sampling at either end, or the
    6 minutes that a drift of 75 s/day moves between the median of the ten days and the last.
    """
    (site,) = (row for row in table("sites.csv") if row["site_id"] == site_id)
    (fault,) = (row for row in table("faults.csv") if row["site_id"] == site_id and row["offset_min"])
    offsets_min = []
    for back in range(10):
        power = read(date(2026, 4, 18) - timedelta(days=back))
        lit = [at for at, value in power if value > 0.004 * max(value for _, value in power)]
        middle = lit[0] + (lit[-1] - lit[0]) / 2
        off_min = middle.hour * 60 + middle.minute - (720 - 4 * float(site["longitude"]))
        offsets_min.append((off_min + 720) % 1440 - 720)
    assert abs(statistics.median(offsets_min) - float(fault["offset_min"])) < 10, offsets_min


def test_sources_and_use_balance_with_the_signs_of_the_contract() -> None:
    """pv + battery + grid = load (contract, section 2), but for the noise of five meters, here six times, and rounding.

    Device A of a site of two holds what the other one's input gives against its part of the house.
    """
    lines = gzip.decompress((EXPORTS / "line-records" / "lines-2026-03-20.ndjson.gz").read_bytes()).splitlines()
    records = [json.loads(line) for line in lines]
    assert {record["unit"] for record in records} == {"wb01", "wb02-a", "wb02-b", "wb03"}
    for record in records:
        supplied = record["pv"] + record.get("bat", 0) + record["grid"]
        assert abs(supplied - record["use"]) <= 5.0 + 6 * NOISE_W * math.sqrt(5)


def test_damaged_files_are_damaged_as_the_table_says() -> None:
    with pytest.raises(EOFError):
        gzip.decompress((EXPORTS / "metric-long" / "NIR-05" / "20260312.csv.gz").read_bytes())
    rows = (EXPORTS / "evening-csv" / "BIR-01_15min_2026-03-18.csv").read_text("latin-1").splitlines()[3:]
    short = [row for row in rows if row.count(";") < 7]
    assert (len(short), sum("ERR" in row for row in rows), sum(row.startswith("31.02") for row in rows)) == (1, 1, 1)


def normalised(folder: Path) -> tuple[pl.DataFrame, pl.DataFrame, dict[str, str]]:
    """Readings, rejected rows, and file -> why it can't be read, of all exports below a folder."""
    (register, register_faults), (profiles, profile_faults) = load_register(Workspace(SAMPLES)), load_profiles(PROFILES)
    assert (register_faults, profile_faults) == ([], [])
    parts: dict[str, list[ExportPart]] = {}
    refused = {}
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        below = path.parent.relative_to(folder).as_posix()
        for part in read_export(path, below, max_bytes=1 << 24):
            profile = choose_profile(profiles, part.name, below, register)
            if isinstance(profile, str):
                refused[part.name] = profile
            else:
                parts.setdefault(profile.name, []).append(part)
    done = [normalise(of, profiles[name], register.targets(name)) for name, of in parts.items()]
    for each in done:
        stored = each.rows.group_by("file_no").agg(pl.col("rows").sum())
        rejected = each.rejected.group_by("file_no").agg(pl.len().alias("bad"))
        account = each.files.join(stored, on="file_no", how="left").join(rejected, on="file_no", how="left")
        assert account.filter(pl.col("rows_read") != pl.sum_horizontal("rows", "bad")).is_empty()
        assert account["quarantine"].null_count() == account.height
    return pl.concat([each.rows for each in done]), pl.concat([each.rejected for each in done]), refused


def test_all_exports_can_be_taken_in_but_the_damaged_ones() -> None:
    rows, rejected, refused = normalised(EXPORTS)
    assert list(refused) == ["minutes_2026-03-21.csv"]
    # the spoilt rows, four stamps that exist in no clock of the zone, the line on which a compressed file breaks off
    assert rejected.height == 3 + 4 + 1
    assert set(rows["site_id"]) == {site["site_id"] for site in table("sites.csv")}


def test_readings_are_the_rows_that_the_exports_were_written_from(
    made_with_rows: tuple[Path, dict[Spec, Daily]],
) -> None:
    """Units, signs, zones and marks of all six profiles, to the rounding of each, at sites whose clock is right."""
    folder, rows_of = made_with_rows
    rows = normalised(folder)[0].with_columns(pl.col("ts_utc").dt.epoch("s").alias("start_s"))
    off = {fault["site_id"] for fault in table("faults.csv") if fault["offset_min"]}
    skipped = {"WAT-02"}  # two devices, tested above
    for site, daily in rows_of.items():
        if site.site_id in off | skipped:
            continue
        wrote = [row for day in DAYS for row in daily.get(day, [])]
        names = ("start_s", "pv_w", "load_w", "grid_w", "battery_w", "soc_pct", "pv_kwh")
        truth = pl.DataFrame({name: [getattr(row, name) for row in wrote] for name in names})
        both = rows.filter(site_id=site.site_id).join(truth.cast({"start_s": pl.Int64}), on="start_s", suffix="_true")
        assert both.height == truth.height == rows.filter(site_id=site.site_id).height, site.site_id
        for name in names[1:-1]:
            off_by = (both[name] - both[f"{name}_true"]).abs().max()
            assert off_by is None or cast(float, off_by) <= 1.0, (site.site_id, name)
        if site.kind == "counter-zip":
            start_kwh = YIELD_BEFORE_KWH.get(site.site_id, 0.0)
            off_by = (both["pv_kwh_total"] - (both["pv_kwh"] + start_kwh) % ROLLOVER_KWH).abs().max()
            assert cast(float, off_by) <= 0.0006


def test_the_fleet_is_lived_through_by_the_plant_of_the_benches(fleet: list[Lived]) -> None:
    """Books that close, batteries between their levels, limits that hold until the fault that lifts one."""
    for one in fleet:
        truth = one.truth
        assert abs(truth.pv_w + truth.battery_w + truth.grid_w - truth.load_w).max() < 1e-6
        if one.site.battery is not None:
            assert one.site.battery.reserve_pct - 4 < truth.level_pct.min() <= truth.level_pct.max() <= 100
        if one.site.feed_in_limit_kw is not None:
            healthy = truth.healthy or truth
            assert (-healthy.grid_w > one.site.feed_in_limit_kw * 1000 + 50).mean() < 0.02
