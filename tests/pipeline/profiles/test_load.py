"""What profiles come to: the contract's example as it stands there, defaults, every channel."""

from detectors.frames import CHANNELS, COUNTERS
from tests.support.profile_files import CONTRACT_EXAMPLE, JSON_EXAMPLE, changed, load


def test_the_contracts_example(tmp_path):
    profile = load(tmp_path, CONTRACT_EXAMPLE)
    assert profile.model_dump(by_alias=True, exclude={"file"}) == {
        "name": "a",
        "format": "csv",
        "match": ("*_5min_*.csv",),
        "csv": {"delimiter": ";", "decimal": ",", "encoding": "utf-8", "skip_lines": 2, "missing": ("", "--", "N/A")},
        "json": {"records": "intervals", "arrays": False, "fields": ()},
        "site": {"from": "file name", "pattern": "^(?P<site>[A-Za-z0-9-]+)_5min", "column": None, "path": None},
        "timestamp": {
            "columns": ("Time",),
            "format": "%d.%m.%Y %H:%M",
            "zone": "export_timezone",
            "marks": "interval end",
            "interval_min": 5.0,
            "spring_hour": "filled",
        },
        "long": None,
        "channels": {
            "pv_w": {"columns": ("PV (kW)",), "scale": 1000.0, "offset": 0.0, "counter": None},
            "grid_w": {"columns": ("Meter (W)",), "scale": -1.0, "offset": 0.0, "counter": None},
            "load_w": {"columns": ("L1", "L2", "L3"), "scale": 1.0, "offset": 0.0, "counter": None},
            "pv_kwh_total": {"columns": ("Made in all (kWh)",), "scale": 1.0, "offset": 0.0, "counter": "lifetime"},
        },
    }
    assert profile.file == tmp_path / "profiles" / "a.toml"
    assert profile.cell_columns() == ("Time", "PV (kW)", "Meter (W)", "L1", "L2", "L3", "Made in all (kWh)")


def test_the_shortest_profile_has_defaults(tmp_path):
    text = """
    format = "csv"
    match = ["*"]
    site = {from = "column", column = "plant"}
    timestamp = {columns = ["Date", "Clock"], format = "%y%j %I%M%p"}
    channels.pv_w.column = "P"
    """
    profile = load(tmp_path, text)
    assert profile.csv.model_dump() == {
        "delimiter": ",", "decimal": ".", "encoding": "utf-8", "skip_lines": 0, "missing": ("",),
    }  # fmt: skip
    stamp = profile.timestamp
    assert (stamp.columns, stamp.zone, stamp.marks, stamp.interval_min) == (
        ("Date", "Clock"), "export_timezone", "interval start", None,
    )  # fmt: skip
    assert profile.cell_columns() == ("plant", "Date", "Clock", "P")


def test_json_epochs_are_utc_unless_said_otherwise(tmp_path):
    profile = load(tmp_path, JSON_EXAMPLE)
    assert (profile.json_.records, profile.timestamp.zone, profile.timestamp.is_epoch) == (
        "of_day.intervals",
        "utc",
        True,
    )
    text = changed('format = "epoch_ms"', 'format = "epoch_s"\nzone = "in value"', JSON_EXAMPLE)
    assert load(tmp_path, text).timestamp.zone == "in value"
    assert load(tmp_path, changed('[json]\nrecords = "of_day.intervals"\n', "", JSON_EXAMPLE)).json_.records is None


def test_ndjson_records_may_be_lists(tmp_path):
    text = changed('format = "json"', 'format = "ndjson"', JSON_EXAMPLE)
    text = changed('records = "of_day.intervals"', 'arrays = true\nfields = ["t", "power.pv"]', text)
    assert load(tmp_path, text).json_.fields == ("t", "power.pv")


def test_a_long_export_needs_two_columns_of_a_row(tmp_path):
    text = changed("[channels.pv_w]", '[long]\nchannel_column = "metric"\nvalue_column = "value"\n[channels.pv_w]')
    assert load(tmp_path, text).cell_columns() == ("Time", "metric", "value")


def test_every_channel_of_the_contract_is_known(tmp_path):
    channels = [f'[channels.{name}]\ncolumn = "{name}"\n' for name in CHANNELS]
    counters = [f'[channels.{name}]\ncolumn = "{name}"\ncounter = "daily"\n' for name in COUNTERS]
    text = CONTRACT_EXAMPLE[: CONTRACT_EXAMPLE.index("[channels.pv_w]")] + "".join(channels + counters)
    assert list(load(tmp_path, text).channels) == [*CHANNELS, *COUNTERS]
    # contract, section 5
    assert len(CHANNELS) == 21
    assert len(COUNTERS) == 6
