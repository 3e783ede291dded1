"""Real series, written as exports through two profiles, taken in, and summed by pandas beside.

The series are those that the pvanalytics package carries (an inverter of 2017 in UTC at
15 min; an array of 2016 at 15 min stamped with its offset); three sites of canton Aargau 2019 (public domain) where the
open data lies. pandas is the outside reference for what a day's energy is.
"""

import json
from datetime import date
from importlib.resources import files
from pathlib import Path

import pandas as pd
import polars as pl
import pytest

from pipeline.runs.cycle import take_in
from pipeline.runs.session import opened, publish
from pipeline.store import reader
from pipeline.workspace.places import Workspace
from tests.support.places import OPEN_DATA

pytestmark = pytest.mark.usefixtures("no_detectors")

PVANALYTICS = pytest.importorskip("pvanalytics")
DATA = Path(str(files("pvanalytics"))) / "data"

HEADER = "site_id,name,latitude,longitude,timezone,export_timezone,installed_kwp\n"

SEMICOLON = """
format = "csv"
match = ["*_power.csv"]
[csv]
delimiter = ";"
decimal = ","
missing = ["", "--"]
[site]
from = "file name"
pattern = "^(?P<site>[A-Z0-9-]+)_power"
[timestamp]
column = "When"
format = "%d.%m.%Y %H:%M"
zone = "export_timezone"
marks = "interval start"
[channels.pv_w]
column = "PV (kW)"
scale = 1000
"""

RECORDS = """
format = "json"
match = ["*.json"]
[json]
records = "series"
[site]
from = "json path"
path = "roof.id"
[timestamp]
column = "at"
format = "iso8601"
zone = "in value"
marks = "interval start"
[channels.pv_w]
column = "power.pv"
"""


def workspace(folder: Path, sites: str, profiles: dict[str, str]) -> Workspace:
    space = Workspace(folder)
    space.profiles.mkdir(parents=True)
    space.inbox.mkdir()
    space.sites_file.write_text(HEADER + sites, encoding="utf-8")
    space.settings_file.write_text("[ingest]\nsettle_s = 0\n", encoding="utf-8")
    for name, text in profiles.items():
        (space.profiles / f"{name}.toml").write_text(text, encoding="utf-8")
    return space


def site_days(space: Workspace) -> pl.DataFrame:
    with opened(space, is_quiet=True) as run:
        result = take_in(run)
        publish(run)
    assert not result.quarantined
    assert result.rows_rejected == 0
    return reader.ask(space.reader, "SELECT * FROM site_day ORDER BY site_id, day")


def series(name: str, column: str) -> "pd.Series[float]":
    """Watts by instant, duplicates and gaps as they are."""
    frame = pd.read_csv(DATA / name, index_col=0, parse_dates=True)
    return frame[column].dropna()


@pytest.mark.slow
def test_energies_of_real_series_equal_those_of_pandas(tmp_path: Path) -> None:
    inverter = series("ac_power_inv_7539.csv", "value_normalized") * 30_000  # normalised to its peak
    array = series("serf_east_15min_ac_power.csv", "ac_power").iloc[: 20 * 96]
    array.index = pd.to_datetime(array.index, utc=True)
    inverter.index = pd.to_datetime(inverter.index, utc=True)
    space = workspace(
        tmp_path / "desk",
        "INV-7539,Inverter,40.0,-105.0,America/Denver,UTC,32\nEAST-15,East array,39.742,-105.173,America/Denver,,7\n",
        {"semicolon": SEMICOLON, "records": RECORDS},
    )
    stamps = inverter.index.tz_convert("UTC").strftime("%d.%m.%Y %H:%M")
    cells = [f"{watts / 1000:.9f}".replace(".", ",") for watts in inverter]
    lines = ["When;PV (kW)", *(f"{when};{cell}" for when, cell in zip(stamps, cells, strict=True))]
    (space.inbox / "INV-7539_power.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    records = [
        {"at": at.isoformat(), "power": {"pv": watts}}
        for at, watts in zip(array.index.tz_convert("America/Denver"), array, strict=True)
    ]
    (space.inbox / "east.json").write_text(json.dumps({"roof": {"id": "EAST-15"}, "series": records}), encoding="utf-8")

    days = site_days(space)

    # At night both draw a few watts, shown as negative generation: less than 1 % of the capacity counts as none.
    # One interval lost between two that arrived counts as their mean, as the relation's comment says.
    for site, watts, hours in (("INV-7539", inverter, 0.25), ("EAST-15", array, 0.25)):
        even = watts.clip(lower=0).groupby(level=0).first().asfreq("15min")
        is_lone = even.isna() & even.shift(1).notna() & even.shift(-1).notna()
        even[is_lone] = ((even.shift(1) + even.shift(-1)) / 2)[is_lone]
        local = even.dropna().tz_convert("America/Denver")
        expected = local.groupby(local.index.date).sum() * hours / 1000
        found = dict(days.filter(site_id=site).select("day", "pv_kwh").iter_rows())
        assert set(found) == set(expected.index)
        assert len(found) >= 10
        for day, energy in expected.items():
            assert found[day] == pytest.approx(energy, abs=1e-6)


def test_a_real_site_crosses_both_changes_of_clocks(tmp_path: Path) -> None:
    source = OPEN_DATA / "aew_ch_2019" / "flows_15min.parquet"
    if not source.exists():
        pytest.skip("the open data is not here; name its folder in NOONMARK_OPEN_DATA")
    flows = pl.read_parquet(source).filter(site="A").sort("row")
    day = pl.col("ts_local").dt.date()
    flows = flows.filter(  # a week on either side of each change
        day.is_between(date(2019, 3, 24), date(2019, 4, 7)) | day.is_between(date(2019, 10, 20), date(2019, 11, 3))
    )
    space = workspace(
        tmp_path / "desk",
        "A,Roof A,47.4,8.0,Europe/Zurich,,60\n",
        {
            "flows": SEMICOLON.replace('marks = "interval start"', 'marks = "interval end"')
            + '[channels.grid_w]\ncolumn = "Net"\nscale = 1000\n'
        },
    )
    lines = ["When;PV (kW);Net"]
    for stamp, pv, exported, imported in flows.select("ts_local", "pv_kw", "export_kw", "import_kw").iter_rows():
        lines.append(f"{stamp:%d.%m.%Y %H:%M};{pv!r};{imported - exported!r}".replace(".", ",").replace(",", ".", 2))
    (space.inbox / "A_power.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")

    days = site_days(space)

    # Twice 15 days of quarter hours, an hour less and an hour more: none lost in the repeated hour, none doubled.
    assert days["readings"].sum() == 2 * 15 * 96 == flows.height
    assert days["pv_kwh"].sum() == pytest.approx(flows["pv_kw"].sum() * 0.25, rel=1e-9)
    assert days["feed_in_kwh"].sum() == pytest.approx(
        (flows["export_kw"] - flows["import_kw"]).clip(0).sum() * 0.25, rel=1e-9
    )
    length = dict(days.select("day", "readings").iter_rows())
    assert length[date(2019, 3, 31)] == 92
    assert length[date(2019, 10, 27)] == 100
    assert days.filter(pl.col("day").is_in([date(2019, 3, 31), date(2019, 10, 27)]))["coverage_pct"].to_list() == [
        100,
        100,
    ]
