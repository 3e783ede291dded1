"""Every fault of a profile with its line, place, value and remedy; all of them at once."""

import re
from datetime import UTC, datetime

import pytest

from pipeline.profiles.load import load_profiles
from pipeline.profiles.model import SUPPORTED_DIRECTIVES
from tests.support.profile_files import CONTRACT_EXAMPLE, JSON_EXAMPLE, changed, told, write


@pytest.mark.parametrize(
    ("old", "new", "at", "place", "value", "remedy"),
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
        ("(?P<site>", "((?P<site>", "((?P<site>", "[site] pattern", "^((?P<site>[A-Za-z0-9-]+)_5min", "fix"),
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
        (
            'spring_hour = "filled"',
            'spring_hour = "fill"',
            'spring_hour = "fill"',
            "[timestamp] spring_hour",
            "fill",
            "filled",
        ),
        ('zone = "export_timezone"', 'zone = "+05:30"', "spring_hour =", "[timestamp] spring_hour", "filled", "remove"),
        ('zone = "export_timezone"', 'zone = "utc"', "spring_hour =", "[timestamp] spring_hour", "filled", "remove"),
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
def test_a_fault_is_told_with_its_place_and_remedy(tmp_path, old, new, at, place, value, remedy):
    """`at` is a part of the line that must be told, None where the key stands nowhere."""
    text = changed(old, new)
    line = None if at is None else next(n for n, written in enumerate(text.split("\n"), start=1) if at in written)
    assert (line, place, value) in told(tmp_path, text)
    faults = load_profiles(tmp_path / "profiles")[1]
    assert remedy in next(fault.remedy for fault in faults if fault.column == place)


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
        ("profiles/a.toml", 34, "[channels.grid]", "grid"),
        ("profiles/b.toml", 1, None, None),
        ("profiles/c.toml", 12, "[channels.pv_kw]", "pv_kw"),
    ]
    assert list(profiles) == ["d"]


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ('format = "json"', 'format = "csv"', "[site] from"),
        ('format = "json"', 'format = "ndjson"', "[json] records"),
        ('records = "of_day.intervals"', "arrays = true", "[json] fields"),
        ('records = "of_day.intervals"', 'fields = ["t"]', "[json] fields"),
        ('records = "of_day.intervals"', 'arrays = true\nfields = ["t", "t", "power.pv"]', "[json] fields"),
        ('records = "of_day.intervals"', 'arrays = true\nfields = ["t", "power"]', "[channels.pv_w] column"),
        ('path = "roof.id"', "", "[site] path"),
        ('path = "roof.id"', 'pattern = "(?P<site>.)"', "[site] pattern"),
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
