"""The frames that pass between pipeline and detectors, column by column.

Signs, units and the interval label are written here and nowhere else. Null means "not reported", zero means zero.
"""

from typing import Any

import polars as pl

POWER_CHANNELS = (
    "pv_w",  # mean over the interval, >= 0
    "load_w",  # >= 0
    "grid_w",  # + import, - feed-in
    "battery_w",  # + discharge, - charge
)
STRING_CHANNELS = ("pv1_w", "pv2_w", "pv3_w", "pv4_w")
PHASE_CHANNELS = ("grid_l1_w", "grid_l2_w", "grid_l3_w")  # + import, - feed-in
VOLTAGE_CHANNELS = ("voltage_l1_v", "voltage_l2_v", "voltage_l3_v")  # phase to neutral
CHANNELS = (
    *POWER_CHANNELS,
    "soc_pct",
    *STRING_CHANNELS,
    *PHASE_CHANNELS,
    *VOLTAGE_CHANNELS,
    "frequency_hz",
    "irradiance_w_m2",
    "module_temp_c",
    "ambient_temp_c",
    "inverter_temp_c",
    "battery_temp_c",
)
COUNTERS = (  # kWh, lifetime or daily, as the profile says
    "pv_kwh_total",
    "import_kwh_total",
    "feed_in_kwh_total",
    "charge_kwh_total",
    "discharge_kwh_total",
    "load_kwh_total",
)

UTC = pl.Datetime("us", "UTC")
LOCAL = pl.Datetime("us")

_FLOATS: dict[str, Any] = dict.fromkeys(CHANNELS, pl.Float64)

READINGS = pl.Schema(
    {
        "site_id": pl.String,
        "ts_utc": UTC,  # START of the interval that the reading averages; for an instant, the instant
        "ts_local": LOCAL,  # the same in the register's timezone, wall clock
        "interval_s": pl.Int32,
        "is_instant": pl.Boolean,  # sampled at ts_utc, not averaged over the interval
        **_FLOATS,
    }
)

DEVICE_READINGS = pl.Schema({"device_id": pl.String(), **READINGS})  # sites of one device: device_id = ""

BESIDE = tuple(f"{name.removesuffix('_total').removesuffix('_kwh')}_beside_kwh" for name in COUNTERS)
COUNTED_READINGS = pl.Schema(  # rows in which a power was reported and a counter beside it
    {
        "site_id": pl.String(),
        "device_id": pl.String(),
        "ts_local": LOCAL,
        "interval_s": pl.Int32(),
        "counted_s": pl.Int32(),  # length of what the counters counted
        **dict.fromkeys(POWER_CHANNELS, pl.Float64()),  # null where not good
        **dict.fromkeys(BESIDE, pl.Float64()),  # <name>_beside_kwh: counted in the interval; null = no such counter
    }
)

SITES = pl.Schema(
    {
        "site_id": pl.String,
        "name": pl.String,
        "latitude": pl.Float64,
        "longitude": pl.Float64,
        "timezone": pl.String,
        "export_timezone": pl.String,  # never null: the register's, else timezone
        "installed_kwp": pl.Float64,
        "tilt_deg": pl.Float64,
        "azimuth_deg": pl.Float64,  # clockwise from north
        "inverter_kw": pl.Float64,
        "phases": pl.Int32,
        "feed_in_limit_kw": pl.Float64,  # null = no limit, 0 = may not feed the grid
        "feed_in_buffer_w": pl.Float64,  # null = not known, like the levels of the battery below
        "import_limit_kw": pl.Float64,
        "battery_kwh": pl.Float64,  # null = no battery
        "battery_reserve_pct": pl.Float64,
        "battery_resume_pct": pl.Float64,
        "battery_backup_floor_pct": pl.Float64,
        "grid_charging": pl.Boolean,
        "nominal_voltage_v": pl.Float64,
        "nominal_frequency_hz": pl.Float64,
        "import_price": pl.Float64,
        "feed_in_price": pl.Float64,
        "currency": pl.String,
        "installer_id": pl.String,
        "commissioned_on": pl.Date,
        "profile": pl.String,
        "external_id": pl.String,  # never null
        "watched": pl.Boolean,
        **dict.fromkeys(("address", "contact", "phone", "access_note"), pl.String),  # for the installer's sheet
    }
)

PLANES = pl.Schema({"site_id": pl.String, "kwp": pl.Float64, "tilt_deg": pl.Float64, "azimuth_deg": pl.Float64})

DAYS = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,  # local calendar day of the site, 23 to 25 hours
        "readings": pl.Int32,
        "interval_s": pl.Int32,  # the day's most frequent interval
        "coverage_pct": pl.Float64,  # share of the local day that readings with good powers cover
        "pv_coverage_pct": pl.Float64,  # share of the day's light in which pv_w is known
        "is_partial": pl.Boolean,  # some of the site's devices were silent: the energies are of what arrived
        "pv_kwh": pl.Float64,
        "pv_uncertainty_pct": pl.Float64,  # one sigma of what bridged intervals leave open, % of pv_kwh
        "load_kwh": pl.Float64,
        "import_kwh": pl.Float64,
        "feed_in_kwh": pl.Float64,
        "charge_kwh": pl.Float64,
        "discharge_kwh": pl.Float64,
        "soc_min_pct": pl.Float64,
        "soc_max_pct": pl.Float64,
        "soc_first_pct": pl.Float64,  # the day's first state of charge
        "discharge_drop_pct": pl.Float64,  # by how much the state of charge fell in intervals amid a discharge, summed
        "discharge_drop_kwh": pl.Float64,  # the energy that the battery gave in the same intervals
        "specific_yield_kwh_per_kwp": pl.Float64,
        "expected_kwh": pl.Float64,  # written by the judge; null = not judged
        "judged_kwh": pl.Float64,  # generated in the intervals that expected_kwh is of
        "performance_pct": pl.Float64,  # judged_kwh over expected_kwh
        "reference_yield_h": pl.Float64,  # IEC 61724-1, where irradiance is measured: irradiation over 1 kW/m2
        "performance_ratio": pl.Float64,  # IEC 61724-1, over the intervals with both generation and irradiance
    }
)

PROFILE_ZONES = pl.Schema(  # of profiles that read all their stamps in a zone of their own, whatever the register says
    {
        "profile": pl.String,
        "zone": pl.String,  # IANA name, or a fixed offset such as +05:30
    }
)

ARRIVALS = pl.Schema(  # the first of each day that brought newer readings of a site than were there before
    {
        "site_id": pl.String(),
        "day": pl.Date(),  # local day on which it came
        "hour": pl.Float64(),  # local time of day at which it came
        "before_day": pl.Date(),  # local day of the newest reading before it
    }
)

SITE_DEVICES = pl.Schema({"site_id": pl.String, "device_id": pl.String})  # that the register names

SILENT_UNITS = pl.Schema(  # sites and devices without readings of the day
    {
        "site_id": pl.String,
        "day": pl.Date,
        "device_id": pl.String,  # "" = the site has no devices
        "last_day": pl.Date,  # the last one with readings; null = it never reported so far
        "last_h": pl.Float64,  # local hour of that day at which the last reading ends
        "silent_since": pl.Date,  # the first day of which something is missing, or on which it could have reported
    }
)

QUARANTINED_FILES = pl.Schema(  # exports that could not be read, of which the name or the folder says whose they are
    {
        "site_id": pl.String,
        "device_id": pl.String,  # "" = the site has no devices
        "came_on": pl.Date,  # UTC day on which it was set aside
        "file_name": pl.String,
        "reason": pl.String,
    }
)

IMPLAUSIBLE_STAMPS = pl.Schema(
    {
        "site_id": pl.String,
        "day": pl.Date,  # the day that the exports' other rows are of
        "rows_count": pl.Int64,  # rows rejected since their stamps cannot be right
        "first_ts_export": pl.String,  # the first such stamp, as the export wrote it
    }
)

READING_FLAGS = pl.Schema(  # spans of values that are not good, or of which something is to be known
    {
        "site_id": pl.String(),
        "device_id": pl.String(),
        "day": pl.Date(),  # local day in which the span lies
        "channel": pl.String(),
        "from_utc": UTC,  # start of the span's first interval
        "to_utc": UTC,  # end of its last one
        "flag": pl.String(),  # NOT_GOOD or TO_KNOW
        "reason": pl.String(),  # the sentence
        "rule": pl.String(),  # the check's name
        "readings": pl.Int32(),  # values in the span
        "value": pl.Float64(),  # the one furthest beyond its limit, or the one that stands still
        "value_utc": UTC,  # where it stands
        "limit": pl.Float64(),  # the bound that was passed; frozen: hours beyond which a run is told
        "total_h": pl.Float64(),  # frozen: for how long, earlier days included
        "usual_h": pl.Float64(),  # frozen: the channel's usual longest run
        "since": pl.Date(),  # frozen: the first day
    }
)

NOT_GOOD = ("implausible", "placeholder", "frozen", "duplicated")  # such values count nowhere
TO_KNOW = ("beyond rating", "overlapping", "curtailed", "clipped", "shared")  # such values stay

EARLIER = pl.Schema(  # findings of the day by detectors of lower rank
    {
        "site_id": pl.String(),
        "kind": pl.String(),
        "group": pl.String(),  # of its Kind; the kind itself where that names none
        "severity": pl.String(),
        "value": pl.Float64(),
        "unit": pl.String(),
        "unreliable": pl.List(pl.String()),  # Kind.makes_unreliable
    }
)
