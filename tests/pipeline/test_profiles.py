"""Profiles: the contract's example as it stands there, every fault with its place, and the choice for a file."""

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from detectors.frames import CHANNELS, COUNTERS
from pipeline.profiles import (
    SUPPORTED_DIRECTIVES,
    Channel,
    ExportProfile,
    SiteSource,
    Timestamp,
    choose_profile,
    load_profiles,
)
from pipeline.registry import Device, Register, Site

# contract, section 5, word for word: it shows the table of another format beside its own
CONTRACT_EXAMPLE = r"""
format = "csv"                       # csv | json | ndjson ; each also .gz, .zst or inside a .zip
match = ["*_5min_*.csv"]             # globs on the file's name

[csv]
delimiter = ";"
decimal = ","
encoding = "utf-8"                   # utf-8 (with or without BOM) | utf-16 | latin-1 | cp1252
skip_lines = 2                       # lines before the header
missing = ["", "--", "N/A"]

[json]
records = "data.rows"                # dotted path to the list of records; ndjson has none
# arrays = true                      # records are lists: then `fields` names their places
# fields = ["t", "pv", "soc"]

[site]
from = "file name"                   # "file name" | "column" | "json path" | "folder"
pattern = "^(?P<site>[A-Za-z0-9-]+)_5min"   # for file name and folder
# column = "plant"                   # for column
# path = "station.id"                # for json path: in a record or outside the records

[timestamp]
column = "Time"                      # or columns = ["Date", "Clock"], joined by one space
format = "%d.%m.%Y %H:%M"            # strptime; or "iso8601", "epoch_s", "epoch_ms"
zone = "export_timezone"             # "export_timezone" (the register's) | "utc" | "in value" | an IANA name | "+05:30"
marks = "interval end"               # "interval start" | "interval end" | "instant"
interval_min = 5                     # omit: taken from the data

[channels.pv_w]
column = "PV (kW)"
scale = 1000                         # value * scale + offset
[channels.grid_w]
column = "Meter (W)"
scale = -1
[channels.load_w]
columns = ["L1", "L2", "L3"]         # summed
[channels.pv_kwh_total]              # a lifetime or daily counter, differenced into pv_w where pv_w is missing
column = "Total yield (kWh)"
counter = "lifetime"                 # lifetime | daily
"""

JSON_EXAMPLE = """
format = "json"
match = ["*.json"]
[json]
records = "data.rows"
[site]
from = "json path"
path = "station.id"
[timestamp]
column = "t"
format = "epoch_ms"
[channels.pv_w]
column = "power.pv"
"""


def write(root: Path, text: str, name: str = "a") -> Path:
    folder = root / "profiles"
    folder.mkdir(exist_ok=True)
    (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder


def load(root: Path, text: str) -> ExportProfile:
    profiles, faults = load_profiles(write(root, text))
    assert faults == []
    return profiles["a"]


def told(root: Path, text: str) -> list[tuple[int | None, str | None, str | None]]:
    profiles, faults = load_profiles(write(root, text))
    assert profiles == {}
    assert {fault.file for fault in faults} == {"profiles/a.toml"}
    assert all(fault.problem and fault.mend for fault in faults)
    return [(fault.line, fault.column, fault.value) for fault in faults]


def changed(old: str, new: str, text: str = CONTRACT_EXAMPLE) -> str:
    assert old in text
    return text.replace(old, new)


def test_the_contracts_example(tmp_path):
    profile = load(tmp_path, CONTRACT_EXAMPLE)
    assert profile.model_dump(by_alias=True, exclude={"file"}) == {
        "name": "a",
        "format": "csv",
        "match": ("*_5min_*.csv",),
        "csv": {"delimiter": ";", "decimal": ",", "encoding": "utf-8", "skip_lines": 2, "missing": ("", "--", "N/A")},
        "json": {"records": "data.rows", "arrays": False, "fields": ()},
        "site": {"from": "file name", "pattern": "^(?P<site>[A-Za-z0-9-]+)_5min", "column": None, "path": None},
        "timestamp": {
            "columns": ("Time",),
            "format": "%d.%m.%Y %H:%M",
            "zone": "export_timezone",
            "marks": "interval end",
            "interval_min": 5.0,
        },
        "long": None,
        "channels": {
            "pv_w": {"columns": ("PV (kW)",), "scale": 1000.0, "offset": 0.0, "counter": None},
            "grid_w": {"columns": ("Meter (W)",), "scale": -1.0, "offset": 0.0, "counter": None},
            "load_w": {"columns": ("L1", "L2", "L3"), "scale": 1.0, "offset": 0.0, "counter": None},
            "pv_kwh_total": {"columns": ("Total yield (kWh)",), "scale": 1.0, "offset": 0.0, "counter": "lifetime"},
        },
    }
    assert profile.file == tmp_path / "profiles" / "a.toml"
    assert profile.cell_columns() == ("Time", "PV (kW)", "Meter (W)", "L1", "L2", "L3", "Total yield (kWh)")


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
    assert (profile.json_.records, profile.timestamp.zone, profile.timestamp.is_epoch) == ("data.rows", "utc", True)
    text = changed('format = "epoch_ms"', 'format = "epoch_s"\nzone = "in value"', JSON_EXAMPLE)
    assert load(tmp_path, text).timestamp.zone == "in value"
    assert load(tmp_path, changed('[json]\nrecords = "data.rows"\n', "", JSON_EXAMPLE)).json_.records is None


def test_ndjson_records_may_be_lists(tmp_path):
    text = changed('format = "json"', 'format = "ndjson"', JSON_EXAMPLE)
    text = changed('records = "data.rows"', 'arrays = true\nfields = ["t", "power.pv"]', text)
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


@pytest.mark.parametrize(
    ("old", "new", "at", "place", "value", "mend"),
    [
        ('format = "csv" ', 'format = "cvs" ', 'format = "cvs" ', "format", "cvs", 'write "csv"'),
        ('format = "csv" ', "", None, "format", None, "add it"),
        ("match = [", "mathc = [", "mathc = [", "mathc", "mathc", "write match"),
        ('match = ["*_5min_*.csv"]', 'match = "*.csv"', 'match = "*.csv"', "match", "*.csv", "list"),
        ('["*_5min_*.csv"]', '["a.csv", 7]', '["a.csv", 7]', "match", "7", "quotes"),
        ('["*_5min_*.csv"]', '[""]', '[""]', "match", "", "glob"),
        ('["*_5min_*.csv"]', '["in/*.csv"]', '["in/*.csv"]', "match", "in/*.csv", "name alone"),
        ("[csv]", "[cvs]", "[cvs]", "[cvs]", "cvs", "write csv"),
        ('delimiter = ";"', 'delimiter = ";;"', 'delimiter = ";;"', "[csv] delimiter", ";;", "at most 1"),
        ('delimiter = ";"', 'delimiter = ""', 'delimiter = ""', "[csv] delimiter", "", "at least one"),
        ('delimiter = ";"', 'delimiter = "x"', 'delimiter = "x"', "[csv] delimiter", "x", "sign"),
        ('delimiter = ";"', 'delimiter = ","', 'delimiter = ","', "[csv] delimiter", ",", "delimiter"),
        ('delimiter = ";"', "", "decimal =", "[csv] decimal", ",", "delimiter"),
        ('decimal = ","', 'decimal = "."\ndecimals = 2', "decimals = 2", "[csv] decimals", "decimals", "write decimal"),
        ('encoding = "utf-8"', 'encoding = "utf8"', 'encoding = "utf8"', "[csv] encoding", "utf8", 'write "utf-8"'),
        ("skip_lines = 2", "skip_lines = -1", "skip_lines = -1", "[csv] skip_lines", "-1", "0 or more"),
        ("skip_lines = 2", "skip_lines = true", "skip_lines = true", "[csv] skip_lines", "true", "whole number"),
        ('"N/A"]', "0]", "0]", "[csv] missing", "0", "quotes"),
        (
            'from = "file name"',
            'from = "filename"',
            'from = "filename"',
            "[site] from",
            "filename",
            'write "file name"',
        ),
        ('from = "file name"', 'from_ = "file name"', 'from_ = "file name"', "[site] from_", "from_", "write from"),
        (
            'from = "file name"',
            'from = "json path"\npath = "x"',
            'from = "json path"',
            "[site] from",
            "json path",
            "column",
        ),
        ("pattern = ", "column = ", "[site]", "[site] pattern", None, "add pattern"),
        ("(?P<site>", "(?P<side>", "(?P<side>", "[site] pattern", "^(?P<side>[A-Za-z0-9-]+)_5min", "(?P<site>"),
        ("(?P<site>", "((?P<site>", "((?P<site>", "[site] pattern", "^((?P<site>[A-Za-z0-9-]+)_5min", "mend"),
        ('column = "Time"', "", "[timestamp]", "[timestamp] column", None, "add"),
        ('column = "Time"', 'columns = "Time"', 'columns = "Time"', "[timestamp] columns", "Time", "list"),
        ('column = "Time"', "columns = []", "columns = []", "[timestamp] columns", "[]", "at least one"),
        ('column = "Time"', "column = 1", "column = 1", "[timestamp] column", "1", "quotes"),
        ("%d.%m.%Y %H:%M", "%d.%m.%Y", "%d.%m.%Y", "[timestamp] format", "%d.%m.%Y", "hour"),
        ("%d.%m.%Y %H:%M", "%d.%m. %H:%M", "%d.%m. %H:%M", "[timestamp] format", "%d.%m. %H:%M", "year"),
        ("%d.%m.%Y %H:%M", "%d.%Y %H:%M", "%d.%Y %H:%M", "[timestamp] format", "%d.%Y %H:%M", "month"),
        ("%d.%m.%Y %H:%M", "%d.%m.%Y %I:%M", "%d.%m.%Y %I:%M", "[timestamp] format", "%d.%m.%Y %I:%M", "%p"),
        ("%d.%m.%Y %H:%M", "%d.%m.%Y %H:%M %p", "%d.%m.%Y %H:%M %p", "[timestamp] format", "%d.%m.%Y %H:%M %p", "%I"),
        (
            "%d.%m.%Y %H:%M",
            "%d.%m.%Y %H:%M %Q",
            "%d.%m.%Y %H:%M %Q",
            "[timestamp] format",
            "%d.%m.%Y %H:%M %Q",
            "known are",
        ),
        ("%d.%m.%Y %H:%M", "%d.%m.%Y %H:%M%", "%d.%m.%Y %H:%M%", "[timestamp] format", "%d.%m.%Y %H:%M%", "known are"),
        ("%d.%m.%Y %H:%M", "%d.%m.%Y %d %H", "%d.%m.%Y %d %H", "[timestamp] format", "%d.%m.%Y %d %H", "once"),
        (
            "%d.%m.%Y %H:%M",
            "%d.%m.%Y %y %H:%M",
            "%d.%m.%Y %y %H:%M",
            "[timestamp] format",
            "%d.%m.%Y %y %H:%M",
            "%Y %y",
        ),
        (
            "%d.%m.%Y %H:%M",
            "%e.%d.%m.%Y %H:%M",
            "%e.%d.%m.%Y %H:%M",
            "[timestamp] format",
            "%e.%d.%m.%Y %H:%M",
            "%d %e",
        ),
        (
            "%d.%m.%Y %H:%M",
            "%d %b %m %Y %H:%M",
            "%d %b %m %Y %H:%M",
            "[timestamp] format",
            "%d %b %m %Y %H:%M",
            "%m %b %B",
        ),
        ("%d.%m.%Y %H:%M", "%j %d.%m.%Y %H", "%j %d.%m.%Y %H", "[timestamp] format", "%j %d.%m.%Y %H", "%j"),
        (
            "%d.%m.%Y %H:%M",
            "%d.%m.%Y %H:%M:%M",
            "%d.%m.%Y %H:%M:%M",
            "[timestamp] format",
            "%d.%m.%Y %H:%M:%M",
            "%M, once",
        ),
        (
            "%d.%m.%Y %H:%M",
            "%d.%m.%Y %I:%M %H %p",
            "%d.%m.%Y %I:%M %H %p",
            "[timestamp] format",
            "%d.%m.%Y %I:%M %H %p",
            "%H %I",
        ),
        (
            "%d.%m.%Y %H:%M",
            "dd.MM.yyyy HH:mm",
            "dd.MM.yyyy HH:mm",
            "[timestamp] format",
            "dd.MM.yyyy HH:mm",
            "strptime",
        ),
        ("%d.%m.%Y %H:%M", "iso-8601", "iso-8601", "[timestamp] format", "iso-8601", "iso8601"),
        ("%d.%m.%Y %H:%M", "%d.%m.%Y %H:%M%z", "zone =", "[timestamp] zone", "export_timezone", "in value"),
        ('zone = "export_timezone"', 'zone = "in value"', 'zone = "in value"', "[timestamp] zone", "in value", "%z"),
        ('zone = "export_timezone"', 'zone = "local"', 'zone = "local"', "[timestamp] zone", "local", "IANA"),
        (
            'zone = "export_timezone"',
            'zone = "Europe/Berln"',
            'zone = "Europe/Berln"',
            "[timestamp] zone",
            "Europe/Berln",
            "Europe/Berlin",
        ),
        ('zone = "export_timezone"', 'zone = "+5:30"', 'zone = "+5:30"', "[timestamp] zone", "+5:30", "+05:30"),
        ('zone = "export_timezone"', 'zone = "+15:00"', 'zone = "+15:00"', "[timestamp] zone", "+15:00", "+05:30"),
        ("%d.%m.%Y %H:%M", "epoch_s", "zone =", "[timestamp] zone", "export_timezone", 'zone = "utc"'),
        ('marks = "interval end"', 'marks = "end"', 'marks = "end"', "[timestamp] marks", "end", "interval end"),
        ("interval_min = 5 ", "interval_min = 0 ", "interval_min = 0 ", "[timestamp] interval_min", "0", "above 0"),
        (
            "interval_min = 5 ",
            'interval_min = "5" ',
            'interval_min = "5" ',
            "[timestamp] interval_min",
            "5",
            "without quotes",
        ),
        ("scale = 1000", "scal = 1000", "scal = 1000", "[channels.pv_w] scal", "scal", "write scale"),
        ("scale = 1000", 'scale = "1000"', 'scale = "1000"', "[channels.pv_w] scale", "1000", "without quotes"),
        ("scale = 1000", "scale = true", "scale = true", "[channels.pv_w] scale", "true", "number"),
        ("scale = 1000", "scale = nan", "scale = nan", "[channels.pv_w] scale", "nan", "number"),
        ("scale = 1000", "scale = 0", "scale = 0", "[channels.pv_w] scale", "0", "another"),
        ("scale = 1000", 'counter = "daily"', 'counter = "daily"', "[channels.pv_w] counter", "daily", "remove"),
        ('counter = "lifetime" ', "", "[channels.pv_kwh_total]", "[channels.pv_kwh_total] counter", None, "lifetime"),
        (
            'counter = "lifetime" ',
            'counter = "total" ',
            'counter = "total" ',
            "[channels.pv_kwh_total] counter",
            "total",
            "daily",
        ),
        (
            'column = "PV (kW)"',
            'column = "a"\ncolumns = ["b"]',
            'columns = ["b"]',
            "[channels.pv_w] columns",
            None,
            "one of them",
        ),
        (
            "[channels.grid_w]",
            "[channels.grid_kw]",
            "[channels.grid_kw]",
            "[channels.grid_kw]",
            "grid_kw",
            "write grid_w",
        ),
        (
            "[channels.grid_w]",
            "[channels.windmill]",
            "[channels.windmill]",
            "[channels.windmill]",
            "windmill",
            "known are",
        ),
        (
            "[channels.pv_w]",
            '[long]\nvalue_column = "v"\n[channels.pv_w]',
            "[long]",
            "[long] channel_column",
            None,
            "add",
        ),
    ],
)
def test_a_fault_is_told_with_its_place_and_mend(tmp_path, old, new, at, place, value, mend):
    """`at` is a part of the line that must be told, None where the key stands nowhere."""
    text = changed(old, new)
    line = None if at is None else next(n for n, written in enumerate(text.split("\n"), start=1) if at in written)
    assert (line, place, value) in told(tmp_path, text)
    faults = load_profiles(tmp_path / "profiles")[1]
    assert mend in next(fault.mend for fault in faults if fault.column == place)


ODD = [
    "1",
    "-1.5",
    "true",
    '""',
    '"x"',
    "[]",
    "[1]",
    '["a", "b"]',
    "[[]]",
    "{}",
    "{a = 1}",
    "nan",
    "2026-05-31",
    "{column = 1}",
]


@pytest.mark.parametrize("odd", ODD)
@pytest.mark.parametrize("example", [CONTRACT_EXAMPLE, JSON_EXAMPLE])
def test_whatever_stands_at_a_key_the_faults_are_told(tmp_path, odd, example):
    """Every key of the examples in turn; a value of the wrong kind is a fault at that key's line, never a traceback."""
    lines = example.split("\n")
    for n, line in enumerate(lines):
        if (key := re.match(r"(\w+) = ", line)) is None:
            continue
        text = "\n".join([*lines[:n], f"{key[1]} = {odd}", *lines[n + 1 :]])
        profiles, faults = load_profiles(write(tmp_path, text))
        assert bool(profiles) != bool(faults)
        if odd in ("{}", "{a = 1}", "[[]]", "2026-05-31"):  # no key takes any of these
            assert n + 1 in [fault.line for fault in faults]


def test_all_faults_at_once(tmp_path):
    text = changed("[channels.grid_w]", "[channels.grid]")
    text = changed("%d.%m.%Y %H:%M", "%d.%m.%Y", changed("utf-8", "ascii", text))
    text = changed('delimiter = ";"', "delimiter = 5", changed("(?P<site>", "(", text))
    write(tmp_path, "format = ", "b")
    write(tmp_path, changed("[channels.pv_w]", "[channels.pv_kw]", JSON_EXAMPLE), "c")
    write(tmp_path, JSON_EXAMPLE, "d")
    profiles, faults = load_profiles(write(tmp_path, text))
    assert [(fault.file, fault.line, fault.column, fault.value) for fault in faults] == [
        ("profiles/a.toml", 6, "[csv] delimiter", "5"),
        ("profiles/a.toml", 8, "[csv] encoding", "ascii"),
        ("profiles/a.toml", 19, "[site] pattern", "^([A-Za-z0-9-]+)_5min"),
        ("profiles/a.toml", 25, "[timestamp] format", "%d.%m.%Y"),
        ("profiles/a.toml", 33, "[channels.grid]", "grid"),
        ("profiles/b.toml", 1, None, None),
        ("profiles/c.toml", 12, "[channels.pv_kw]", "pv_kw"),
    ]
    assert list(profiles) == ["d"]


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ('format = "json"', 'format = "csv"', "[site] from"),
        ('format = "json"', 'format = "ndjson"', "[json] records"),
        ('records = "data.rows"', "arrays = true", "[json] fields"),
        ('records = "data.rows"', 'fields = ["t"]', "[json] fields"),
        ('records = "data.rows"', 'arrays = true\nfields = ["t", "t", "power.pv"]', "[json] fields"),
        ('records = "data.rows"', 'arrays = true\nfields = ["t", "power"]', "[channels.pv_w] column"),
        ('path = "station.id"', "", "[site] path"),
        ('path = "station.id"', 'pattern = "(?P<site>.)"', "[site] pattern"),
        ('format = "epoch_ms"', 'format = "epoch_ms"\nzone = "Europe/Vienna"', "[timestamp] zone"),
        ('column = "t"', 'columns = ["d", "t"]', "[timestamp] columns"),
        ("[channels.pv_w]\n", "[channels]\n#", "[channels]"),
        ('[channels.pv_w]\ncolumn = "power.pv"', "[channels]\npv_w = 5", "[channels] pv_w"),
        ("[channels.pv_w]\n", "[[channels]]\n", "channels"),
        ("[site]\n", "[[site]]\n", "site"),
        ("[channels.pv_w]", '[long]\nchannel_column = "v"\nvalue_column = "v"\n[channels.pv_w]', "[long] value_column"),
    ],
)
def test_faults_between_the_keys_of_a_json_profile(tmp_path, old, new, place):
    assert place in [where for _, where, _ in told(tmp_path, changed(old, new, JSON_EXAMPLE))]


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("format = csv", 1),
        ('format = "csv"\n\n[csv\n', 3),
        ('format = "csv"\nformat = "json"', 2),
        ('a = """\nnever closed\n', 2),
    ],
)
def test_what_is_no_toml_is_told_with_its_line(tmp_path, text, line):
    assert told(tmp_path, text) == [(line, None, None)]


def test_bytes_that_are_not_utf8(tmp_path):
    folder = write(tmp_path, "")
    (folder / "a.toml").write_bytes('format = "csv"\nmatch = ["Süd*.csv"]\n'.encode("latin-1"))
    assert [(fault.line, fault.problem) for fault in load_profiles(folder)[1]] == [(2, "not UTF-8")]
    (folder / "a.toml").write_bytes(b"\xef\xbb\xbf" + JSON_EXAMPLE.encode())
    assert load_profiles(folder)[1] == []


def test_only_toml_files_are_profiles(tmp_path):
    assert load_profiles(tmp_path / "nowhere") == ({}, [])
    folder = write(tmp_path, JSON_EXAMPLE)
    (folder / "notes.txt").write_text("x", encoding="utf-8")
    (folder / ".a.toml").write_text("x", encoding="utf-8")
    (folder / "b.toml").mkdir()
    assert list(load_profiles(folder)[0]) == ["a"]


@pytest.mark.parametrize("directive", [d for d in SUPPORTED_DIRECTIVES if d != "%e"])
def test_the_directives_are_pythons(directive):
    """Python's strptime knows each of them too, but for %e, which is POSIX's."""
    written = datetime(2026, 5, 31, 13, 5, 9, tzinfo=UTC).strftime(directive)
    datetime.strptime(written, directive)  # noqa: DTZ007 - no instant is meant


# The choice


def make_profile(name: str, match: list[str], source: str = "file name", pattern: str = r"^(?P<site>[A-Z]+)_"):
    site = {"from": source} | ({"column": "id"} if source == "column" else {"pattern": pattern})
    return ExportProfile(
        name=name,
        format="csv",
        match=tuple(match),
        site=SiteSource.model_validate(site),
        timestamp=Timestamp(columns=("t",), format="iso8601"),
        channels={"pv_w": Channel(columns=("p",))},
    )


def make_register(*sites: tuple[str, str | None], devices: tuple[Device, ...] = ()) -> Register:
    return Register(
        sites={
            name: Site(
                site_id=name, name=name, latitude=0, longitude=0, timezone="UTC", installed_kwp=1, profile=profile
            )
            for name, profile in sites
        },
        devices=list(devices),
    )


def chosen(profiles: list[ExportProfile], name: str, register: Register, folder: str = "") -> str:
    choice = choose_profile({profile.name: profile for profile in profiles}, name, folder, register)
    return choice if isinstance(choice, str) else choice.name


def test_a_glob_decides_with_and_without_the_compressions_ending():
    fleet = make_register(("A", None))
    plain = [make_profile("p", ["*_day.csv"])]
    assert chosen(plain, "A_day.csv", fleet) == "p"
    assert chosen(plain, "A_day.csv.gz", fleet) == "p"
    assert chosen(plain, "A_day.csv.zst", fleet) == "p"
    assert chosen([make_profile("p", ["*.csv.gz"])], "A_day.csv.gz", fleet) == "p"
    for other in ("A_day.CSV", "A_Day.csv", "A_day.csv.bak", "x/A_day.csv.json"):
        assert "no profile matches" in chosen(plain, other, fleet)


def test_a_site_that_names_its_profile_decides():
    one, two = make_profile("p", ["*.csv"]), make_profile("q", [])
    assert chosen([one, two], "A_day.csv", make_register(("A", "q"))) == "q"
    assert chosen([one, two], "A_day.txt", make_register(("A", "q"))) == "q"
    assert chosen([one, two], "B_day.csv", make_register(("A", "q"), ("B", None))) == "p"
    device = Device(site_id="A", device_id="1", external_id="INV")
    assert chosen([one, two], "INV_day.csv", make_register(("A", "q"), devices=(device,))) == "q"


def test_two_globs_and_one_site_that_is_known():
    by_name, by_folder = make_profile("p", ["*.csv"]), make_profile("q", ["*.csv"], "folder", "(?P<site>[^/]+)$")
    fleet = make_register(("A", None))
    assert chosen([by_name, by_folder], "A_day.csv", fleet, "X") == "p"
    assert chosen([by_name, by_folder], "B_day.csv", fleet, "in/A") == "q"
    assert chosen([by_name, by_folder], "A_day.csv", fleet, "in/A") == "profiles p and q both match"
    assert chosen([by_name, by_folder], "B_day.csv", fleet) == "profiles p and q both match"
    third = make_profile("r", ["*"], "column")
    assert chosen([by_name, by_folder, third], "B_day.csv", fleet) == "profiles p, q and r all match"
    assert chosen([by_name, by_folder, third], "A_day.csv", fleet) == "p"


def test_a_profile_that_no_site_can_be_meant_by_stands_back():
    one, two = make_profile("p", ["*"], "column"), make_profile("q", ["*"], "column")
    assert chosen([one, two], "all.csv", make_register(("A", "q"), ("B", "q"))) == "q"
    assert chosen([one, two], "all.csv", make_register(("A", "q"), ("B", None))) == "profiles p and q both match"


def test_what_a_place_calls_the_site():
    by_name = make_profile("p", ["*"], pattern=r"_(?P<site>[A-Za-z0-9-]+)\.csv$")
    assert by_name.site_in_place("day_A-1.csv", "") == "A-1"
    assert by_name.site_in_place("day_A-1.csv.gz", "") == "A-1"
    assert by_name.site_in_place("day_A-1.csv.bak", "") is None
    by_folder = make_profile("q", ["*"], "folder", r"(?:^|/)(?P<site>[^/]+)/\d{4}$")
    assert by_folder.site_in_place("x.csv", "in/Roof 7/2026") == "Roof 7"
    assert by_folder.site_in_place("x.csv", "") is None
    assert make_profile("r", ["*"], "column").site_in_place("A_day.csv", "A") is None
    optional = make_profile("s", ["*"], pattern=r"^x(?P<site>\d+)?")
    assert optional.site_in_place("x.csv", "") is None
