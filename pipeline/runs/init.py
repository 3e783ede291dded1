"""An empty workspace: all folders, and commented examples of the files that a person writes."""

import csv
import io
from pathlib import Path

from pipeline.errors import NoonmarkError
from pipeline.register.load import SITE_CELLS
from pipeline.workspace.places import Workspace

SETTINGS_TEXT = """\
# Settings of this workspace. Every key may be left out: what stands here are the defaults.

[ingest]
settle_s = 60               # a file that changed within so many seconds waits for the next run
max_export_mib = 256        # the largest that one export may be when decompressed, MiB; 64 at most of JSON
batch_files = 500           # files that are stored in one transaction

[detect]
judge_after_h = 3.0         # hours after a site's midnight before its day is judged
false_alarms_per_site_year = 0.05  # that the yield detectors together may raise: 1 a year in 20 sites

[schedule]
ingest_every_min = 5        # minutes between two looks into the inbox
digest_at = "06:30"         # when the day before is judged and the digest written
timezone = "UTC"            # the IANA zone of digest_at

[digest]
title = ""                  # a heading of your own
top = 20                    # exceptions that are shown in full; the others are listed
url = ""                    # where digests/ can be opened, for the link in the mail
rates = {}                  # what a unit of each currency is worth, to rank across: { EUR = 1.0, CHF = 1.05 }

[mail]
host = ""                   # the mail server; empty = no mail
port = 587
starttls = true
user = ""                   # empty = no login
password_env = "NOONMARK_MAIL_PASSWORD"  # the environment variable that holds the password
sender = ""                 # one address
recipients = []             # addresses, as in ["desk@example.org"]
to_installers = false       # true = installers.csv's e-mails too get one each, of their own sites alone
retry_for_min = 240         # minutes for which the schedule tries again where the server is not there

[reader]
keep_h = 48                 # hours that replaced files stay, for sessions that still have them open

[keep]                      # days, counted back from the newest readings; archive/ and hourly means stay for ever
readings_days = 400         # months of readings older than this move to readings/; relation `reading` still has them
evidence_days = 400         # of exceptions closed longer ago the figures stay and the pictures go
digests_days = 400          # digests of earlier days are removed

[compute]
workers = 1                 # processes that share the summing up of more than 1,000 sites; each takes some 500 MB
cluster = ""                # in their place a dask.distributed scheduler, as in "tcp://10.0.0.5:8786"
"""

PROFILE_TEXT = """\
# One kind of export: how its columns become channels. The file's name is the profile's name.
# This example reads files such as example-1_5min_2026-05-31.csv:
#
#   Time;PV (kW);Meter (W);Battery (W);SoC (%)
#   31.05.2026 12:05;4,20;-1500;-2000;64

format = "csv"                       # csv | json | ndjson ; each also .gz, .zst or inside a .zip
match = ["*_5min_*.csv"]             # globs on the file's name; capitals matter

[csv]
delimiter = ";"
decimal = ","
encoding = "utf-8"                   # utf-8 (with or without BOM) | utf-16 | latin-1 | cp1252
skip_lines = 0                       # lines before the header
missing = ["", "--", "N/A"]          # cells that mean: not reported

# For format = "json" or "ndjson", in place of [csv]:
# [json]
# records = "intervals"              # dotted path to the list of records; ndjson has none
# arrays = true                      # records are lists: then `fields` names their places
# fields = ["t", "pv", "soc"]

[site]
from = "file name"                   # "file name" | "column" | "json path" | "folder"
pattern = "^(?P<site>[A-Za-z0-9-]+)_5min"   # for file name and folder; what it finds is the register's external_id
# column = "plant"                   # for column
# path = "roof.id"                   # for json path: in a record or outside the records

[timestamp]
column = "Time"                      # or columns = ["Date", "Clock"], joined by one space
format = "%d.%m.%Y %H:%M"            # strptime; or "iso8601", "epoch_s", "epoch_ms"
zone = "export_timezone"             # "export_timezone" (the register's) | "utc" | "in value" | an IANA name | "+05:30"
marks = "interval end"               # "interval start" | "interval end" | "instant"
# interval_min = 5                   # left out: taken from the data
# spring_hour = "filled"             # where the hour that is left out in spring stands in the file: "filled" = local
#                                    # time, "standard time" = all year; left out: decided by the sun, file by file

# Channels in W, %, V, Hz, degC, W/m2: value * scale + offset. Sources are positive:
# pv_w >= 0; battery_w > 0 discharging; grid_w > 0 importing; load_w >= 0.
[channels.pv_w]
column = "PV (kW)"
scale = 1000

[channels.grid_w]
column = "Meter (W)"

[channels.battery_w]
column = "Battery (W)"

[channels.soc_pct]
column = "SoC (%)"

# [channels.load_w]
# columns = ["L1", "L2", "L3"]       # summed
# offset = 0                         # added after scale

# [channels.pv_kwh_total]            # a counter, differenced into pv_w where pv_w is missing; it knows what gaps lost
# column = "Made in all (kWh)"
# counter = "lifetime"               # lifetime | daily

# A long export has one row per channel; `column` under a channel is then the metric's name:
# [long]
# channel_column = "metric"
# value_column = "value"
"""

# invented; `watched` is no, so that the example raises nothing until it is replaced
EXAMPLE_SITE = {
    "site_id": "example-1",
    "name": "Example roof (replace this row)",
    "latitude": "48.21",
    "longitude": "16.37",
    "timezone": "Europe/Vienna",
    "installed_kwp": "9.9",
    "tilt_deg": "30",
    "azimuth_deg": "180",
    "inverter_kw": "8",
    "phases": "3",
    "battery_kwh": "10",
    "commissioned_on": "2026-01-15",
    "watched": "no",
}


def make_workspace(workspace: Workspace) -> list[Path]:
    """The files that were written; those that were there stay as they are.

    Raises NoonmarkError, with nothing changed, where a register is there already or the folder can't be made.
    """
    if workspace.sites_file.exists() or workspace.sites_file.is_symlink():
        raise NoonmarkError("a register is there already", str(workspace.sites_file), "choose another folder")
    try:
        return _write(workspace)
    except OSError as error:
        where = str(error.filename or workspace.root)
        remedy = "choose a folder that can be written"
        raise NoonmarkError(f"the workspace cannot be made ({error.strerror})", where, remedy) from error


def _write(workspace: Workspace) -> list[Path]:
    for folder in (
        workspace.profiles,
        workspace.inbox,
        workspace.archive,
        workspace.quarantine,
        workspace.reader,
        workspace.digests,
    ):
        folder.mkdir(parents=True, exist_ok=True)
    texts = {workspace.settings_file: SETTINGS_TEXT, workspace.sites_file: _sites_text()}
    if not any(workspace.profiles.iterdir()):
        texts[workspace.profiles / "example.toml"] = PROFILE_TEXT
    written = []
    for path, text in texts.items():
        if not path.exists():
            with path.open("x", encoding="utf-8", newline="") as file:
                file.write(text)
            written.append(path)
    return written


def _sites_text() -> str:
    """sites.csv with every column and one row."""
    out = io.StringIO()
    writer = csv.DictWriter(out, list(SITE_CELLS), restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerow(EXAMPLE_SITE)
    return out.getvalue()
