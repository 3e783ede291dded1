"""Profiles to test with, and what reading them gives."""

from pathlib import Path

from pipeline.profiles.load import load_profiles
from pipeline.profiles.model import ExportProfile

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
records = "intervals"                # dotted path to the list of records; ndjson has none
# arrays = true                      # records are lists: then `fields` names their places
# fields = ["t", "pv", "soc"]

[site]
from = "file name"                   # "file name" | "column" | "json path" | "folder"
pattern = "^(?P<site>[A-Za-z0-9-]+)_5min"   # for file name and folder
# column = "plant"                   # for column
# path = "roof.id"                # for json path: in a record or outside the records

[timestamp]
column = "Time"                      # or columns = ["Date", "Clock"], joined by one space
format = "%d.%m.%Y %H:%M"            # strptime; or "iso8601", "epoch_s", "epoch_ms"
zone = "export_timezone"             # "export_timezone" (the register's) | "utc" | "in value" | an IANA name | "+05:30"
marks = "interval end"               # "interval start" | "interval end" | "instant"
interval_min = 5                     # omit: taken from the data
spring_hour = "filled"               # omit: decided by the sun; or "filled" (local time), "standard time" (all year)

[channels.pv_w]
column = "PV (kW)"
scale = 1000                         # value * scale + offset
[channels.grid_w]
column = "Meter (W)"
scale = -1
[channels.load_w]
columns = ["L1", "L2", "L3"]         # summed
[channels.pv_kwh_total]              # a lifetime or daily counter, differenced into pv_w where pv_w is missing
column = "Made in all (kWh)"
counter = "lifetime"                 # lifetime | daily
"""

JSON_EXAMPLE = """
format = "json"
match = ["*.json"]
[json]
records = "of_day.intervals"
[site]
from = "json path"
path = "roof.id"
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
    assert all(fault.problem and fault.remedy for fault in faults)
    return [(fault.line, fault.column, fault.value) for fault in faults]


def changed(old: str, new: str, text: str = CONTRACT_EXAMPLE) -> str:
    assert old in text
    return text.replace(old, new)
