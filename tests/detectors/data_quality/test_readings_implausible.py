"""Values that cannot be, each beside its nearest neighbour that can. Bands of the mains: EN 50160 (quoted at second
hand); ratings: the register's."""

import os
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

from detectors import frames
from detectors.data_quality import readings_implausible
from detectors.data_quality.flags import make_flags
from detectors.features.flow_peaks import SCHEMA, make
from detectors.features.repeats import SCHEMA as REPEATS
from detectors.finding import Finding, NotJudged
from tests.support import build

DAY = build.DAY


def _devices(channels, *, device_id: str = "", step_s: int = 300, **how) -> pl.DataFrame:
    rows = build.readings(channels, interval_s=step_s, **how)
    return rows.select(pl.lit(device_id).alias("device_id"), *frames.READINGS.names())


def detect(rows, kept, sites, day):
    """The verdicts on what the flags say of the day's readings."""
    seen = kept.select("site_id", "day")
    return readings_implausible.detect(make_flags(rows, REPEATS.to_frame(), kept, seen, sites), rows, sites, day)


def _kept(load_w: float = 3000.0, grid_w: float = 5000.0, count: int = 20) -> pl.DataFrame:
    rows = [
        {"site_id": "roof-1", "day": DAY - timedelta(days=n), "load_peak_w": load_w, "grid_peak_w": grid_w}
        for n in range(1, count + 1)
    ]
    return build.frame(SCHEMA, rows)


def _judge(channel: str, value: float, times: int = 3, *, site=None, kept=None, others=None):
    """The verdicts on a day on which `channel` shows `value` a few times, else what is usual."""
    usual = {"pv_w": 2000.0, "load_w": 400.0, "grid_w": -1000.0, "battery_w": -500.0, "soc_pct": 60.0,
             "frequency_hz": 50.0, "irradiance_w_m2": 500.0}  # fmt: skip
    rest = usual.get(channel, 231.0 if channel.startswith("voltage") else 30.0)
    channels = {channel: [value] * times + [rest] * (288 - times), **(others or {})}
    kept = SCHEMA.to_frame() if kept is None else kept
    return detect(_devices(channels), kept, build.sites(site or {}), DAY)


@pytest.mark.parametrize(
    ("channel", "value", "key"),
    [
        ("pv_w", 13_100.0, "pv_beyond_peak"),  # 10 kWp x 1.3
        ("pv_w", 2_000_000.0, "pv_far_beyond"),
        ("pv_w", 11_100.0, "pv_beyond_inverter"),  # 10 kW x 1.1
        ("pv_w", -101.0, "pv_negative"),
        ("pv2_w", 13_100.0, "pv2_beyond_peak"),
        ("load_w", -201.0, "load_negative"),  # 2 % of 10 kW
        ("load_w", 400_000.0, "load_beyond_service"),
        ("grid_w", -400_000.0, "grid_beyond_service"),
        ("soc_pct", 101.0, "soc_above_full"),
        ("soc_pct", 255.0, "soc_above_full"),
        ("soc_pct", -1.0, "soc_below_empty"),
        ("voltage_l1_v", 400.0, "voltage_l1_too_high"),  # the voltage between two phases
        ("voltage_l2_v", 100.0, "voltage_l2_too_low"),
        ("frequency_hz", 5000.0, "frequency_too_high"),
        ("frequency_hz", 25.0, "frequency_too_low"),
        ("ambient_temp_c", -127.0, "ambient_temp_too_cold"),
        ("inverter_temp_c", 850.0, "inverter_temp_too_hot"),
        ("irradiance_w_m2", 1601.0, "irradiance_w_too_high"),
        ("irradiance_w_m2", -21.0, "irradiance_w_too_low"),
    ],
)
def test_what_cannot_be(channel, value, key):
    (found,) = _judge(channel, value)
    assert isinstance(found, Finding)
    assert (found.kind, found.value, found.unit, found.severity) == ("readings-implausible", 3.0, "readings", "soon")
    assert found.evidence[f"{key}_count"] == 3
    assert channel in found.summary
    assert (found.series[0].at[0], found.series[0].values[0]) == ("2025-06-09T22:00:00Z", 3)
    assert found.evidence["worst_utc"] == "2025-06-09T22:00:00Z"  # local midnight at UTC+2


def test_readings_beside_one_another_beyond_a_rating_say_that_it_is_the_register():
    (found,) = _judge("pv_w", 13_100.0)
    assert "one beside the other, lie beyond the register: pv_w reaches 13100" in found.summary
    assert "They count: its rating is too small" in found.summary
    (found,) = _judge("pv_w", 2_000_000.0)
    assert "cannot be" in found.summary


@pytest.mark.parametrize(
    ("channel", "value"),
    [
        ("pv_w", 10_900.0),  # an inverter that gives 9 % more than its rating
        ("pv_w", -99.0),  # its own consumption at night
        ("load_w", -150.0),  # worked out from two meters
        ("load_w", 22_000.0),  # a car that charges
        ("grid_w", -9_900.0),
        ("soc_pct", 100.4),
        ("soc_pct", 0.0),
        ("voltage_l1_v", 262.0),  # 14 % above: a matter of the network, not of the reading
        ("voltage_l1_v", 0.0),  # the grid is off
        ("voltage_l2_v", 6.0),  # a phase that is not connected floats
        ("frequency_hz", 47.2),
        ("frequency_hz", 0.0),
        ("ambient_temp_c", -45.0),
        ("module_temp_c", 95.0),
        ("irradiance_w_m2", 1400.0),
        ("irradiance_w_m2", -8.0),
    ],
)
def test_what_can_be(channel, value):
    assert _judge(channel, value) == []


@pytest.mark.parametrize("gone", [0.0, 8.0, None])
def test_a_mean_of_some_voltage_and_none_is_no_wrong_reading(gone):
    """The supply goes at seven and comes back at nine, three times a day; the intervals between are means of both."""
    cut = [92.0, *[gone] * 22, 47.0]
    volts = [231.0] * 84 + cut + [231.0] * 12 + cut + [231.0] * 12 + cut + [231.0] * 108
    rows = _devices({"voltage_l1_v": volts})
    assert detect(rows, SCHEMA.to_frame(), build.sites({}), DAY) == []
    written = rows.filter(pl.Series([value != gone for value in volts]))  # a logger that has no supply itself
    assert detect(written, SCHEMA.to_frame(), build.sites({}), DAY) == []


def test_half_a_voltage_that_lasts_is_none_beside_an_interruption_either():
    volts = [231.0] * 84 + [0.0] * 12 + [92.0] * 24 + [231.0] * 168
    (found,) = detect(_devices({"voltage_l1_v": volts}), SCHEMA.to_frame(), build.sites({}), DAY)
    assert found.evidence["voltage_l1_too_low_count"] == 23  # all but the one beside the interruption


def test_a_cloud_edge_beyond_the_peak_is_no_fault():
    assert _judge("pv_w", 12_900.0, site={"inverter_kw": None}) == []
    assert len(_judge("pv_w", 13_100.0, site={"inverter_kw": None})) == 1


def test_one_odd_mean_may_hold_a_switching_but_a_placeholder_may_not():
    assert _judge("frequency_hz", 25.0, times=1) == []
    (found,) = _judge("soc_pct", 255.0, times=1)
    assert (found.value, found.severity) == (1.0, "watch")  # 1 of 288 is less than 1 %
    (found,) = _judge("pv_w", -1e6, times=1)
    assert found.evidence["pv_far_beyond_count"] == 1
    (found,) = _judge("battery_w", 6e6, times=1, site={"battery_kwh": 10.0})
    assert found.evidence["battery_far_beyond_worst_w"] == 6e6


def test_a_battery_on_the_modules_side_takes_what_the_inverter_need_not():
    site = {"inverter_kw": 6.0, "battery_kwh": 10.0}
    charging = {"battery_w": [-4000.0] * 288}
    assert _judge("pv_w", 9_500.0, site=site, others=charging) == []
    assert len(_judge("pv_w", 11_000.0, site=site, others=charging)) == 1
    assert _judge("pv_w", 9_500.0, site=site) == []  # its power is not read
    assert len(_judge("pv_w", 9_500.0, site={"inverter_kw": 6.0})) == 1


def test_a_battery_beyond_its_capacity():
    site = {"battery_kwh": 10.0, "inverter_kw": 5.0}
    assert _judge("battery_w", -29_000.0, site=site) == []
    assert len(_judge("battery_w", -31_000.0, site=site)) == 1


def test_the_services_size_goes_by_the_sites_own_past():
    """33 kW: 100 A x 230 V and 10 kW of inverter; threefold without a past."""
    assert _judge("load_w", 60_000.0) == []
    assert len(_judge("load_w", 60_000.0, kept=_kept())) == 1
    assert _judge("load_w", 60_000.0, kept=_kept(load_w=15_000.0)) == []
    assert _judge("load_w", 60_000.0, kept=_kept(count=3)) == []


def test_another_mains_is_another_nominal():
    assert _judge("voltage_l1_v", 121.0, site={"nominal_voltage_v": 120.0}, times=288) == []
    assert len(_judge("voltage_l1_v", 121.0, site={"nominal_voltage_v": 277.0}, times=288)) == 1


def test_intervals_that_lie_over_one_another():
    twice = build.readings({"pv_w": [100.0] * 96}, interval_s=900)
    finer = build.readings({"pv_w": [100.0] * 288}, interval_s=300).filter(pl.int_range(pl.len()) % 3 != 0)
    rows = pl.concat([twice, finer]).select(pl.lit("").alias("device_id"), *frames.READINGS.names())
    (found,) = detect(rows, SCHEMA.to_frame(), build.sites(), DAY)
    assert found.evidence["overlap_intervals_count"] == 96
    jitter = _devices({"pv_w": [100.0] * 288}).with_columns(
        pl.col("ts_utc") + pl.duration(seconds=20) * (pl.int_range(pl.len()) % 2)
    )
    assert detect(jitter, SCHEMA.to_frame(), build.sites(), DAY) == []
    instants = rows.with_columns(is_instant=pl.lit(True))
    assert detect(instants, SCHEMA.to_frame(), build.sites(), DAY) == []


def test_several_faults_are_one_finding():
    (found,) = _judge("pv_w", 2e6, others={"soc_pct": [60.0] * 287 + [255.0]})
    assert found.value == 4.0
    assert found.evidence["channel_name"] == "pv_w, soc_pct"


def test_each_devices_readings_count():
    rows = pl.concat(
        [_devices({"soc_pct": [60.0] * 288}, device_id="A"), _devices({"soc_pct": [255.0] * 288}, device_id="B")]
    )
    (found,) = detect(rows, SCHEMA.to_frame(), build.sites(), DAY)
    assert (found.value, found.evidence["readings_count"]) == (288.0, 576)


def test_no_readings_is_not_judged():
    (verdict,) = detect(frames.DEVICE_READINGS.to_frame(), SCHEMA.to_frame(), build.sites(), DAY)
    assert isinstance(verdict, NotJudged)


def test_what_is_kept_is_a_peak_that_one_stray_value_does_not_lift():
    rows = build.readings({"load_w": [500.0] * 280 + [3000.0] * 7 + [655_350.0], "grid_w": [-800.0] * 288})
    (kept,) = make(rows, build.sites()).iter_rows(named=True)
    assert (kept["load_peak_w"], kept["grid_peak_w"]) == (3000.0, 800.0)
    assert make(rows.clear(), build.sites()).schema == SCHEMA


def test_placeholders_in_a_real_series():
    """res_7kw: three values of -1000000 W (its provenance page), clipping at 7.03 kW; nothing else is wrong."""
    folder = _open_data()
    if folder is None:
        pytest.skip("no open data here: set NOONMARK_OPEN_DATA")
    table = pl.read_parquet(folder / "pv_inverter_5min" / "ac_power_5min.parquet").filter(pl.col("site") == "res_7kw")
    found, wrong = set(), set()
    ts = table["ts"].cast(pl.Datetime("us"))
    days = table.with_columns(ts=ts, day=ts.dt.date()).partition_by("day", as_dict=True)
    for (day,), own in days.items():
        values = own["ac_power_kw"] * 1000
        if (values.fill_null(0) < -1000).any():
            wrong.add(day)
        elif day.day % 5:
            continue  # every fifth healthy day is enough
        rows = build.frame(
            frames.DEVICE_READINGS,
            [
                {"device_id": "", "site_id": "roof-1", "ts_utc": at, "ts_local": at, "interval_s": 300,
                 "is_instant": False, "pv_w": value}
                for at, value in zip(own["ts"], values, strict=True)
            ],
        )  # fmt: skip
        site = {"installed_kwp": 8.0, "inverter_kw": 7.0}
        if any(isinstance(v, Finding) for v in detect(rows, SCHEMA.to_frame(), build.sites(site), day)):
            found.add(day)
    assert wrong
    assert found == wrong


def _open_data() -> Path | None:
    named = os.environ.get("NOONMARK_OPEN_DATA")
    folder = Path(named) if named else Path(__file__).parents[4] / "shared" / "open_data"
    return folder if folder.is_dir() else None


def test_hours_beyond_the_modules_are_left_to_the_capacity_once_days_before_show_them_too():
    """9 kW for hours of a roof registered as 5 kWp: on its first such day it may yet be the readings."""
    rows = _devices({"pv_w": [9000.0] * 60 + [0.0] * 228})
    sites = build.sites({"installed_kwp": 5.0, "inverter_kw": 10.0})
    flags = make_flags(rows, REPEATS.to_frame(), SCHEMA.to_frame(), SCHEMA.to_frame().select("site_id", "day"), sites)
    usual = [4000.0] * 10

    def told(*last_w: float) -> bool:
        peaks = [
            {"site_id": "roof-1", "day": DAY - timedelta(days=ago), "pv_peak_w": peak_w}
            for ago, peak_w in enumerate([*last_w, *usual])
        ]
        verdicts = readings_implausible.detect(flags, rows, sites, DAY, flow_peaks=build.frame(SCHEMA, peaks))
        return any(isinstance(one, Finding) for one in verdicts)

    assert told(9000.0)
    assert not told(9000.0, 8800.0)
