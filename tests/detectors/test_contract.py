"""What holds for every detector, found by walking their folder."""

import inspect
import json
from collections.abc import Callable
from datetime import date, timedelta
from functools import cache
from string import Formatter
from types import SimpleNamespace
from typing import Any, get_args

import numpy as np
import polars as pl
import pytest

import detectors
from detectors import features, frames
from detectors.finding import Finding, Kind, NotJudged, Role, filled
from detectors.solar.position import elevation_deg
from tests.support import build, simulate
from tests.support.features import call

KINDS = set(
    """
time-zone-wrong daylight-saving-wrong clock-drift clock-step unexpected-export meter-reversed phase-imbalance
import-limit-exceeded battery-at-floor battery-not-discharging battery-below-reserve battery-grid-charging
battery-reading-frozen underperformance no-generation string-loss capacity-mismatch voltage-out-of-band site-silent
readings-frozen readings-implausible balance-broken unexplained delivery-missing battery-ageing voltage-curtailment
planes-mismatch
""".split()  # noqa: SIM905
)  # the contract, section 8; a whole export's silence, ageing, what voltage takes within its band, a wrong register
UNITS = (
    "w", "kw", "kwh", "kwp", "h", "min", "s", "s_per_day", "pct", "v", "hz", "deg", "c", "km", "w_m2",
    "text", "name", "day", "utc", "count", "ratio",
)  # fmt: skip
SERIES_UNITS = {"W", "kWh", "%", "V", "Hz", "°C", "W/m²", "min", "min after midnight", "h", "count", "ratio"}
GIVEN = {
    "readings", "device_readings", "raw_readings", "raw_device_readings", "reading_flags", "days", "sites", "planes",
    "devices", "earlier", "day", "implausible_stamps", "arrivals", "profile_zones", "quarantined_files",
    *features.load(),
}  # fmt: skip
FIRST = date(2025, 4, 12)
LAST = date(2025, 6, 10)
ALL = detectors.load()
JUDGE_WHAT_IS_READ = {"site-silent", "readings-frozen", "readings-implausible"}  # whatever it is


def _wanted(module) -> list[str]:
    parameters = inspect.signature(module.detect).parameters.values()
    assert all(p.default is not p.empty for p in parameters if p.kind is p.KEYWORD_ONLY), "a knob without a default"
    return [p.name for p in parameters if p.kind is not p.KEYWORD_ONLY]


def _asked(given: dict) -> Callable[[Any], list]:
    """What a detector says of these frames; features are made of all days' readings, once for all detectors."""
    made: dict[str, Any] = {}
    return lambda module: call(module.detect, given, made)


def _sun_power(latitude: float, longitude: float, late_min: float, day_count: int) -> pl.DataFrame:
    """A level roof under a clear sky for `day_count` days to LAST, stamped `late_min` late."""
    first = LAST - timedelta(days=day_count - 1)
    start = (first - date(1970, 1, 1)).days - 2 / 24
    height = elevation_deg(latitude, longitude, start + (np.arange(day_count * 96) * 15 - late_min) / 1440)
    return (6000 * np.clip(np.sin(np.radians(height)), 0, None)).tolist()


def _phases(power: list[float]) -> dict[str, list[float]]:
    """All generation on one phase of three, and a voltage that runs high with it."""
    return {
        "grid_l1_w": [100 - p for p in power], "grid_l2_w": [150.0] * len(power), "grid_l3_w": [150.0] * len(power),
        "voltage_l1_v": [235 + p / 250 for p in power],
    }  # fmt: skip


@pytest.fixture(scope="module")
def given() -> dict:
    """A region of roofs with something for many a detector to find: yields, a battery, feed-in, a clock."""
    fleet = simulate.cluster(4301, latitude=48, first_day=FIRST, day_count=60, factor=0.5, faulty_share=0.4)
    ids = fleet.sites["site_id"].to_list()
    stuck = pl.col("site_id") == ids[0]
    days = fleet.days.with_columns(
        soc_min_pct=pl.when(stuck).then(35.0),
        soc_max_pct=pl.when(stuck).then(35.5),
        charge_kwh=pl.when(stuck).then(0.0),
        import_kwh=pl.when(stuck).then(6.0),
        pv_kwh=pl.when((pl.col("site_id") == ids[4]) & (pl.col("day") == LAST)).then(0.0).otherwise("pv_kwh"),
    )
    surplus = build.frame(
        features.load()["battery_day"].schema,
        [{"site_id": ids[0], "day": day, "surplus_at_floor_kwh": 5.0} for day in days["day"].unique()],
    )
    sites = fleet.sites.with_columns(
        battery_kwh=pl.when(stuck).then(10.0),
        feed_in_limit_kw=pl.when(pl.col("site_id") == ids[1]).then(0.0),
        phases=pl.when(pl.col("site_id") == ids[2]).then(3).otherwise(1).cast(pl.Int32),
        import_limit_kw=pl.when(pl.col("site_id") == ids[2]).then(0.2),
    )
    late = {ids[1]: 0.0, ids[2]: 120.0}
    series = [
        build.readings({"pv_w": power, "grid_w": [400 - p for p in power], **_phases(power)}, site_id=name,
                       day=LAST - timedelta(days=19), interval_s=900)
        for name, minutes in late.items()
        for power in [_sun_power(48.0, 8.0, minutes, 20)]
    ]  # fmt: skip
    readings = pl.concat(series)
    devices = readings.select(pl.lit("").alias("device_id"), *frames.READINGS.names())
    return {
        "readings": readings.filter(pl.col("ts_local").dt.date() == LAST),
        "device_readings": devices.filter(pl.col("ts_local").dt.date() == LAST),
        "span_readings": readings,
        "span_device_readings": devices,
        "days": days.select(frames.DAYS.names()),
        "battery_day": surplus,
        "sites": sites,
        "planes": fleet.planes,
        "implausible_stamps": frames.IMPLAUSIBLE_STAMPS.to_frame(),
        "profile_zones": frames.PROFILE_ZONES.to_frame(),
        "arrivals": frames.ARRIVALS.to_frame(),
        "earlier": build.earlier(),
        "day": LAST,
    }


@pytest.fixture(scope="module")
def said(given: dict) -> Callable[[Any], list]:
    """What a detector says of the region, asked once; what it is given stays as it was."""
    before = {name: value.clone() for name, value in given.items() if isinstance(value, pl.DataFrame)}
    asked = _asked(given)

    @cache
    def say(module: Any) -> list:
        verdicts = asked(module)
        for name, value in before.items():
            assert given[name].equals(value, null_equal=True), f"{name} was changed"
        return verdicts

    return say


@pytest.fixture(scope="module")
def said_of_shuffled(given: dict) -> Callable[[Any], list]:
    """What a detector says of the region with all rows in another order."""
    shuffled = {
        name: value.sample(fraction=1.0, shuffle=True, seed=3) if isinstance(value, pl.DataFrame) else value
        for name, value in given.items()
    }
    return _asked(shuffled)


@pytest.fixture(scope="module")
def said_of_parts(given: dict) -> Callable[[Any], list]:
    """What a detector says of the region when it is given a quarter of the sites, and then the others."""
    ids = given["sites"]["site_id"].sort()
    parts = [
        _asked({
            name: value.filter(pl.col("site_id").is_in(some.to_list()))
            if isinstance(value, pl.DataFrame) and "site_id" in value.columns
            else value
            for name, value in given.items()
        })
        for some in (ids[: len(ids) // 4], ids[len(ids) // 4 :])
    ]  # fmt: skip
    return lambda module: [verdict for asked in parts for verdict in asked(module)]


@pytest.fixture(scope="module")
def empty() -> dict:
    return {
        "readings": frames.READINGS.to_frame(),
        "device_readings": frames.DEVICE_READINGS.to_frame(),
        "span_readings": frames.READINGS.to_frame(),
        "span_device_readings": frames.DEVICE_READINGS.to_frame(),
        "days": frames.DAYS.to_frame(),
        "sites": frames.SITES.to_frame(),
        "planes": frames.PLANES.to_frame(),
        "implausible_stamps": frames.IMPLAUSIBLE_STAMPS.to_frame(),
        "profile_zones": frames.PROFILE_ZONES.to_frame(),
        "arrivals": frames.ARRIVALS.to_frame(),
        "earlier": build.earlier(),
        "day": LAST,
    }


@pytest.fixture(scope="module")
def said_of_nothing(empty: dict) -> Callable[[Any], list]:
    return _asked(empty)


@pytest.fixture(scope="module")
def said_of_silent_sites(empty: dict, given: dict) -> Callable[[Any], list]:
    return _asked({**empty, "sites": given["sites"]})


def _by_name(module) -> str:
    return module.__name__.rpartition(".")[2]


@pytest.mark.parametrize("module", ALL, ids=_by_name)
def test_it_says_who_it_is_and_what_to_do(module):
    assert _by_name(module).replace("_", "-") == module.DETECTOR
    assert set(_wanted(module)) <= GIVEN
    assert 10 <= module.RANK <= 99
    assert module.KINDS
    for name, kind in module.KINDS.items():
        assert name in KINDS
        assert isinstance(kind, Kind)
        assert kind.title
        assert kind.cause.endswith(".")
        assert kind.next_step.endswith(".")
        if kind.revisit:
            assert kind.steps and kind.bring and kind.proof and kind.cautions, f"{name} sends an installer empty-handed"
        assert bool(kind.setting) == bool(kind.now) == bool(kind.should_be), f"{name}: how it is set"


def test_what_a_kind_says_of_a_finding_is_filled_from_its_evidence_and_the_register():
    values = {"site_id": "A", "correction_min": -60.0, "first_day": "2026-03-06", "zone_name": None}
    kinds = detectors.kinds()
    command = kinds["time-zone-wrong"].command
    assert filled(command, values) == "noonmark retime A --shift-min -60 --from 2026-03-06"
    assert filled(command, values | {"correction_min": None}) == ""
    assert filled(kinds["time-zone-wrong"].should_be, values) == ""
    for name, kind in kinds.items():
        for template in (kind.setting, kind.now, kind.should_be, kind.command):
            for _, value, _, _ in Formatter().parse(template):
                is_unit = value is None or value.endswith((*UNITS, "_day")) or value in frames.SITES
                assert is_unit, f"{name}: {value} is no key of evidence"


@pytest.mark.parametrize("module", ALL, ids=_by_name)
def test_empty_frames_give_nothing(module, said_of_nothing):
    assert said_of_nothing(module) == []


@pytest.mark.parametrize("module", ALL, ids=_by_name)
def test_no_readings_of_known_sites_are_no_findings_and_no_crash(module, said_of_silent_sites):
    verdicts = said_of_silent_sites(module)
    assert [v for v in verdicts if not isinstance(v, NotJudged)] == []


@pytest.mark.parametrize("module", ALL, ids=_by_name)
def test_the_order_of_rows_does_not_matter_and_the_input_is_left_as_it_was(module, said, said_of_shuffled):
    key = lambda verdict: (verdict.site_id, getattr(verdict, "kind", ""))  # noqa: E731
    one, other = sorted(said(module), key=key), sorted(said_of_shuffled(module), key=key)
    assert [key(v) for v in one] == [key(v) for v in other]
    for a, b in zip(one, other, strict=True):
        if isinstance(a, Finding):
            # Sums in another order differ in the last bits.
            assert a.value == pytest.approx(b.value, rel=1e-9)
            assert a.loss_kwh == pytest.approx(b.loss_kwh, rel=1e-9)
            assert _shape(a) == _shape(b)
        else:
            assert a == b


READ = {"readings", "device_readings", "raw_readings", "raw_device_readings"}
BY_GROUPS = [module for module in ALL if READ & set(_wanted(module)) and not hasattr(module, "OF_FLEET")]


@pytest.mark.parametrize("module", BY_GROUPS, ids=_by_name)
def test_what_names_readings_says_of_a_site_the_same_whoever_is_judged_with_it(module, said, said_of_parts):
    """A large fleet's readings come some sites at a time."""
    key = lambda verdict: (verdict.site_id, getattr(verdict, "kind", ""))  # noqa: E731
    assert sorted(said_of_parts(module), key=key) == sorted(said(module), key=key)


@pytest.mark.parametrize("module", [one for one in ALL if hasattr(one, "OF_FLEET")], ids=_by_name)
def test_what_compares_sites_needs_no_other_columns_than_it_says(module, given, said):
    narrow = {name: given[name].select(module.OF_FLEET) for name in READ & set(_wanted(module))}
    assert call(module.detect, given | narrow) == said(module)


def _shape(finding: Finding) -> tuple:
    drawn = [(one.name, one.unit, one.role, one.at) for one in finding.series]
    return finding.summary, finding.since, sorted(finding.evidence), drawn


@pytest.mark.parametrize("module", ALL, ids=_by_name)
def test_its_verdicts_are_of_the_day_of_known_sites_with_units_in_the_evidence(module, given, said):
    verdicts = said(module)
    ids = set(given["sites"]["site_id"])
    sentences = detectors.reasons()[module.DETECTOR]
    assert verdicts, "nothing in the fleet for this detector: give the fixture something"
    for verdict in verdicts:
        assert verdict.site_id in ids
        assert verdict.day == given["day"]
        if isinstance(verdict, NotJudged):
            assert verdict.detector == module.DETECTOR
            sentence = sentences[verdict.reason.code].format(**verdict.reason.values)
            assert verdict.reason.endswith(sentence)  # a device's name may stand before it
            json.dumps(verdict.reason.values, allow_nan=False)
            continue
        assert verdict.kind in module.KINDS
        assert np.isfinite([verdict.value, verdict.threshold, verdict.loss_kwh, verdict.cost]).all()
        assert verdict.loss_kwh >= 0
        assert verdict.since is None or verdict.since <= verdict.day
        assert verdict.summary
        wrong = [key for key in verdict.evidence if not key.endswith(tuple(f"_{unit}" for unit in UNITS))]
        assert not wrong, f"no unit in {wrong}"
        for one in verdict.series:
            assert one.name and one.unit in SERIES_UNITS
            assert one.role in get_args(Role)
            assert len(one.at) == len(one.values) > 0
            assert all("T" in at and at.endswith("Z") for at in one.at) or all(date.fromisoformat(at) for at in one.at)
            assert all(value is None or np.isfinite(value) for value in one.values)


def test_the_fleet_here_shows_the_first_detectors_something(said):
    found = {v.kind for module in ALL for v in said(module) if isinstance(v, Finding)}
    assert {"unexpected-export", "battery-at-floor"} <= found


def test_detectors_run_in_their_order_of_trust_and_no_two_claim_a_kind():
    ranks = [module.RANK for module in ALL]
    assert ranks == sorted(ranks)
    kinds = [kind for module in ALL for kind in module.KINDS]
    assert len(kinds) == len(set(kinds))


def test_every_kind_says_why_it_hides_what_it_hides():
    for name, kind in detectors.kinds().items():
        assert bool(kind.hides) == bool(kind.hides_why), name
        assert name not in kind.hides
        assert set(kind.hides) <= KINDS
        assert kind.group


def test_groups_families_and_everything_stand_for_their_kinds():
    kinds = detectors.kinds()
    assert {kind for kind, about in kinds.items() if about.group == "clock"} == {
        "time-zone-wrong", "daylight-saving-wrong", "clock-drift", "clock-step"
    }  # fmt: skip
    assert {kind for kind, about in kinds.items() if about.group == "yield"} == {
        "underperformance", "no-generation", "string-loss", "capacity-mismatch"
    }  # fmt: skip
    assert set(kinds["site-silent"].hides) == KINDS - {"site-silent"}
    assert {"battery-at-floor", "string-loss", "unexplained"} <= set(kinds["clock-step"].hides)
    assert not {"unexpected-export", "clock-drift", "voltage-out-of-band"} & set(kinds["clock-step"].hides)


def _toy(kind: str, hides: tuple[str, ...]):
    about = Kind(title="t", cause="c.", next_step="n.", hides=hides, hides_why="w")
    return SimpleNamespace(__name__=f"toys.{kind}", DETECTOR=kind, RANK=50, KINDS={kind: about})


@pytest.mark.parametrize(
    ("toys", "told"),
    [
        ([_toy("a", ("nonsense",))], "nonsense, which is no kind"),
        ([_toy("a", ("b",)), _toy("b", ("a",))], "a and b hide each other"),
    ],
)
def test_what_can_be_no_cause_stops_the_program(monkeypatch, toys, told):
    monkeypatch.setattr(detectors, "load", lambda: toys)
    with pytest.raises(RuntimeError, match=told):
        detectors.kinds()


READ_ALL = {  # every channel that a rule looks at
    "pv_w": 0.0, "load_w": 410.0, "grid_w": 410.0, "battery_w": 0.0, "soc_pct": 50.0, "voltage_l1_v": 231.0,
    "grid_l1_w": 140.0, "grid_l2_w": 130.0, "grid_l3_w": 140.0,
}  # fmt: skip
EQUIPPED = {"battery_kwh": 10.0, "feed_in_limit_kw": 0.0, "import_limit_kw": 8.0, "phases": 3}


def _alone(channels: dict[str, list[float]], site: dict, **figures) -> dict:
    """A day of one site at a quarter of an hour, from midnight on."""
    rows = build.readings(channels, day=LAST, interval_s=900)
    devices = rows.select(pl.lit("").alias("device_id"), *frames.READINGS.names())
    return {
        "readings": rows, "device_readings": devices, "span_readings": rows, "span_device_readings": devices,
        "days": build.days({"day": LAST, "readings": rows.height, **figures}).select(frames.DAYS.names()),
        "sites": build.sites(site), "planes": frames.PLANES.to_frame(),
        "implausible_stamps": frames.IMPLAUSIBLE_STAMPS.to_frame(), "arrivals": frames.ARRIVALS.to_frame(),
        "profile_zones": frames.PROFILE_ZONES.to_frame(), "earlier": build.earlier(), "day": LAST,
    }  # fmt: skip


@pytest.fixture(scope="module")
def said_of_weather_alone() -> Callable[[Any], list]:
    nothing = dict.fromkeys(("pv_kwh", "load_kwh", "import_kwh", "feed_in_kwh", "charge_kwh", "discharge_kwh"))
    return _asked(_alone({"ambient_temp_c": [12.0 + n / 10 for n in range(96)]}, {}, **nothing))


@pytest.mark.parametrize("module", ALL, ids=_by_name)
def test_silence_means_healthy_so_a_site_that_shows_nothing_is_told_as_not_judged(module, said_of_weather_alone):
    """Nothing but the weather is read, and the register gives nothing beyond place and size."""
    verdicts = said_of_weather_alone(module)
    if module.DETECTOR in JUDGE_WHAT_IS_READ:
        assert verdicts == []
        return
    (verdict,) = verdicts
    assert isinstance(verdict, NotJudged)


@pytest.fixture(scope="module")
def said_of_an_hour() -> Callable[[Any], list]:
    hour = {name: [value + n % 2 * 3 for n in range(4)] for name, value in READ_ALL.items()}
    return _asked(_alone(hour, EQUIPPED, coverage_pct=100 / 24, soc_min_pct=50.0, soc_max_pct=53.0))


@pytest.mark.parametrize("module", ALL, ids=_by_name)
def test_a_day_with_nothing_but_an_edge_is_not_judged(module, said_of_an_hour):
    """An hour of a day, all of it healthy: from an export that was cut at another clock's midnight."""
    verdicts = said_of_an_hour(module)
    if module.DETECTOR == "site-silent":  # a day's end that is missing may be cut by another clock
        assert verdicts == []
        return
    (verdict,) = verdicts
    assert isinstance(verdict, NotJudged)
