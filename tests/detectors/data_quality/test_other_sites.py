"""Readings of one site that are those of another, and pairs of sites that only look alike.

The days are invented; how improbable an agreement is, is arithmetic (see the module's docstring and that of `copies`).
"""

from collections.abc import Mapping
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from detectors import frames
from detectors.data_quality import readings_implausible
from detectors.data_quality.copies import prints
from detectors.data_quality.flags import make_flags
from detectors.data_quality.other_sites import LEVELS, PAIRS, day_levels, decided, pairs, shared_values
from detectors.features import flow_peaks, repeats, site_hour
from detectors.finding import Finding
from tests.support import build

DAY = date(2025, 6, 30)
STEP_MIN = 5
HOURS = np.arange(0, 24, STEP_MIN / 60)
CLEAR = 8000.0 * np.clip(np.sin((HOURS - 6) / 14 * np.pi), 0, None) ** 1.3
BASES_W = {"A": 200.0, "B": 300.0, "C": 450.0}
VOLTAGES_V = {"A": 228.0, "B": 233.0, "C": 230.0}


def _sky(seed: int) -> np.ndarray:
    return CLEAR * np.random.default_rng(seed).uniform(0.1, 1.0, len(HOURS))


def _home(site_id: str, day: date) -> dict[str, np.ndarray]:
    """A house with its own lowest level and voltage, under a sky that it shares with the others."""
    rng = np.random.default_rng([ord(site_id), day.toordinal()])
    load = BASES_W[site_id] + 20 * rng.random(len(HOURS)) + np.where(rng.random(len(HOURS)) < 0.1, 2200.0, 0.0)
    pv = _sky(day.toordinal()) * {"A": 1.0, "B": 0.97, "C": 0.7}[site_id]
    volts = VOLTAGES_V[site_id] + rng.normal(0, 0.5, len(HOURS))
    return {"pv_w": pv, "load_w": load, "grid_w": load - pv, "voltage_l1_v": volts}


def _rows(
    site_id: str,
    channels: Mapping[str, np.ndarray],
    *,
    day: date = DAY,
    resolution_w: float = 1.0,
    device_id: str = "",
    timezone: str = "Etc/UTC",
) -> pl.DataFrame:
    """DEVICE_READINGS of one day."""
    rounded = {name: [float(v) for v in np.round(of / resolution_w) * resolution_w] for name, of in channels.items()}
    made = build.readings(rounded, site_id=site_id, day=day, timezone=timezone, interval_s=60 * STEP_MIN)
    return made.select(pl.lit(device_id).alias("device_id"), *frames.READINGS.names())


def _pairs(rows: pl.DataFrame, **of_sites: Mapping[str, object]) -> pl.DataFrame:
    ids = rows["site_id"].unique().sort()
    return pairs(prints(rows), build.sites(*({"site_id": one, **of_sites.get(one, {})} for one in ids)))


def _shared(rows: pl.DataFrame, **of_sites: Mapping[str, object]) -> dict[tuple[str, str, str], int]:
    """(site, device, channel) -> how many of its values are those of another site, as when nothing is decided."""
    found = _pairs(rows, **of_sites).with_columns(fate=pl.lit("undecided"))
    counted = shared_values(rows, rows, found).group_by("site_id", "device_id", "channel").len()
    return {(site, device, channel): count for site, device, channel, count in counted.iter_rows()}


def test_a_day_that_two_sites_report_is_found_at_both_and_a_third_site_is_not() -> None:
    rows = pl.concat([_rows("A", _home("B", DAY)), _rows("B", _home("B", DAY)), _rows("C", _home("C", DAY))])
    names = ("pv_w", "load_w", "grid_w", "voltage_l1_v")
    assert _pairs(rows).select("site_id", "other_id").rows() == [("A", "B"), ("B", "A")]
    assert _shared(rows) == {(site, "", name): 288 for site in "AB" for name in names}


def test_the_order_of_rows_and_names_does_not_matter() -> None:
    rows = pl.concat([_rows(one, _home("B", DAY)) for one in "BA"] + [_rows("C", _home("C", DAY))])
    mixed = rows.sample(fraction=1.0, shuffle=True, seed=4)
    found = _pairs(rows).with_columns(fate=pl.lit("copy"))
    assert _pairs(mixed).equals(_pairs(rows))
    assert shared_values(mixed, mixed, found).equals(shared_values(rows, rows, found))


def test_an_afternoon_of_another_site_is_found_to_the_row() -> None:
    mine = _home("A", DAY)
    for name, values in mine.items():
        values[150:] = _home("B", DAY)[name][150:]
    rows = pl.concat([_rows("A", mine), _rows("B", _home("B", DAY))])
    assert _shared(rows)["A", "", "load_w"] == 138


def test_the_same_file_read_in_another_zone_is_found_too() -> None:
    """An hour apart in UTC, and one local day."""
    rows = pl.concat([_rows("A", _home("B", DAY), timezone="Etc/GMT-1"), _rows("B", _home("B", DAY))])
    assert _shared(rows)["A", "", "grid_w"] == 288


def test_many_sites_that_report_the_same_are_not_compared_each_with_each() -> None:
    rows = pl.concat([_rows(f"S{n:02d}", _home("B", DAY)) for n in range(40)])
    assert _pairs(rows).height == 40


def test_two_register_entries_of_one_plant_are_no_fault() -> None:
    rows = pl.concat([_rows("A", _home("B", DAY)), _rows("B", _home("B", DAY))])
    assert _shared(rows, A={"external_id": "x1"}, B={"external_id": "x1"}) == {}
    elsewhere = {"external_id": "x1", "latitude": 49.0}
    assert _shared(rows, A={"external_id": "x1"}, B=elsewhere) != {}


def test_two_idle_homes_with_constant_loads_are_none() -> None:
    """The same standby, the same generation of a cloudless day, or none."""
    for pv in (CLEAR, np.zeros(288)):
        load = np.full(288, 60.0)
        home = {"pv_w": pv, "load_w": load, "grid_w": load - pv}
        assert _shared(pl.concat([_rows(one, home) for one in "AB"])) == {}


def test_two_idle_homes_with_a_timer_are_none() -> None:
    load = np.full(288, 62.0)
    for hour in (6, 10, 14, 18):
        load[hour * 12 : hour * 12 + 6] += 740.0
    home = {"pv_w": CLEAR, "load_w": load, "grid_w": load - CLEAR}
    assert _shared(pl.concat([_rows(one, home) for one in "AB"])) == {}


@pytest.mark.parametrize("resolution_w", [100.0, 200.0])
def test_roofs_under_one_sky_that_are_read_coarsely_are_none(resolution_w: float) -> None:
    """Two roofs of one size and plane, whose meters differ by 0.2 %: value for value the same in steps of 100 W."""
    pv = _sky(1)
    apart = [_rows("A", {"pv_w": pv}, resolution_w=resolution_w), _rows("B", {"pv_w": pv}, resolution_w=resolution_w)]
    assert not _pairs(pl.concat(apart)).is_empty()  # the prints agree, and the values themselves say no more
    assert _shared(pl.concat(apart)) == {}


def test_generation_alone_is_told_where_it_is_read_finely() -> None:
    """Zeros at night are left out: they are what all sites have."""
    fine = pl.concat([_rows(one, {"pv_w": _sky(1)}) for one in "AB"])
    assert 150 < _shared(fine)["A", "", "pv_w"] < 200
    beside = pl.concat([_rows("A", {"pv_w": _sky(1)}), _rows("B", {"pv_w": 0.998 * _sky(1)})])
    assert _shared(beside) == {}


def test_sites_that_may_not_feed_in_are_none() -> None:
    """Batteries take what is over, the meter stands at its buffer, and the roofs lie under one sky."""
    homes = {}
    for n, one in enumerate("AB"):
        load = _home(one, DAY)["load_w"]
        pv = np.minimum(_sky(1) * (1 - 0.002 * n), load)
        homes[one] = {"pv_w": pv, "load_w": load, "grid_w": np.full(288, 20.0)}
    rows = pl.concat([_rows(one, home) for one, home in homes.items()])
    assert _shared(rows) == {}
    without_load = pl.concat([_rows(one, {"pv_w": np.minimum(_sky(1), 3000.0).round(-2), "grid_w": np.full(288, 20.0)})
                              for one in "AB"])  # fmt: skip
    assert _shared(without_load) == {}


def test_two_devices_of_one_site_and_rows_that_came_twice_are_none() -> None:
    one = _rows("A", _home("A", DAY), device_id="u1")
    two = _rows("A", _home("A", DAY), device_id="u2")
    assert _shared(pl.concat([one, two])) == {}
    twice = pl.concat([one, one])
    assert _shared(pl.concat([twice, _rows("B", _home("B", DAY))])) == {}


def test_the_devices_of_two_sites_are_compared_one_by_one() -> None:
    rows = pl.concat([_rows("A", _home("B", DAY), device_id="u1"), _rows("A", _home("A", DAY), device_id="u2"),
                      _rows("B", _home("B", DAY))])  # fmt: skip
    assert {key[:2] for key in _shared(rows)} == {("A", "u1"), ("B", "")}


# Whose readings they are


def _levels(site_id: str, source: str, first: int, last: int) -> pl.DataFrame:
    """LEVELS of a site that reports what `source` does on the days from `first` to `last`, counted from DAY."""
    parts = []
    for nth in range(first, last + 1):
        day = DAY + timedelta(days=nth)
        rows = _rows(site_id, _home(source, day), day=day)
        parts.append(site_hour.make(rows.select(frames.READINGS.names())))
    return day_levels(pl.concat(parts))


def _fates(levels: pl.DataFrame, days: int = 1) -> dict[str, str]:
    """What the readings of each site of A and B on the last of `days` that they share are."""
    shared = pl.DataFrame({"site_id": "A", "other_id": "B", "day": [DAY + timedelta(days=n) for n in range(days)]})
    last = DAY + timedelta(days=days - 1)
    found = [("A", "", last, "B", ""), ("B", "", last, "A", "")]
    told = decided(pl.DataFrame(found, schema=PAIRS, orient="row"), shared, levels)
    return dict(told.select("site_id", "fate").iter_rows())


def test_the_levels_are_those_of_the_house() -> None:
    """The lowest tenth of hours lies within the 20 W of noise and the surges above the lowest level."""
    levels = _levels("A", "A", 0, 4)
    assert levels["base_w"].is_between(200, 420).all()
    assert levels["voltage_v"].is_between(227.5, 228.5).all()


def test_a_batterys_capacity_is_what_it_gives_for_its_state_of_charge() -> None:
    """1 kW for six hours takes 60 % of 10 kWh."""
    hours = np.clip(np.arange(0, 24, STEP_MIN / 60) - 12, 0, 6)
    given = np.where((HOURS >= 12) & (HOURS < 18), 1000.0, 0.0)
    rows = _rows("A", {"battery_w": given, "soc_pct": 80 - 10 * hours}, resolution_w=0.01)
    (capacity,) = day_levels(site_hour.make(rows.select(frames.READINGS.names())))["capacity_kwh"]
    assert capacity == pytest.approx(10.0, rel=0.02)


@pytest.mark.parametrize("days", [1, 5])
def test_the_site_whose_past_does_not_fit_is_the_copy(days: int) -> None:
    last = days - 1
    b = _levels("B", "B", -20, last)
    a = pl.concat([_levels("A", "A", -20, -1), _levels("A", "B", 0, last)])
    assert _fates(pl.concat([a, b]), days) == {"A": "copy", "B": "original"}
    flagged = a.with_columns(pl.when(pl.col("day") < DAY).then(pl.col(n)) for n in LEVELS.names()[2:])
    assert _fates(pl.concat([flagged, b]), days) == {"A": "copy", "B": "original"}  # once their values count no more


def test_a_site_that_is_new_or_alike_is_not_decided() -> None:
    b = _levels("B", "B", -20, 0)
    assert set(_fates(pl.concat([_levels("A", "B", -3, 0), b])).values()) == {"undecided"}
    assert set(_fates(pl.concat([_levels("A", "B", -20, 0), b])).values()) == {"undecided"}


def test_values_that_fit_neither_past_are_not_decided() -> None:
    """Both sites report a third one's readings."""
    both = [pl.concat([_levels(one, one, -20, -1), _levels(one, "C", 0, 0)]) for one in "AB"]
    assert set(_fates(pl.concat(both)).values()) == {"undecided"}


def test_days_after_the_judged_one_change_nothing() -> None:
    b = _levels("B", "B", -20, 5)
    a = pl.concat([_levels("A", "A", -20, -1), _levels("A", "B", 0, 5)])
    assert _fates(pl.concat([a, b]), 1) == _fates(pl.concat([a, b]).filter(pl.col("day") <= DAY), 1)


# What the desk is told


def _told(fate: str) -> Finding | None:
    rows = pl.concat([_rows("A", _home("B", DAY)), _rows("B", _home("B", DAY))])
    sites = build.sites({"site_id": "A", "timezone": "Etc/UTC"}, {"site_id": "B", "timezone": "Etc/UTC"})
    seen = pl.DataFrame(schema={"site_id": pl.String, "day": pl.Date})
    found = _pairs(rows).filter(pl.col("site_id") == "A").with_columns(fate=pl.lit(fate))
    copied = shared_values(rows, rows, found)
    flags = make_flags(rows, repeats.make(rows, sites), flow_peaks.SCHEMA.to_frame(), seen, sites, copied)
    told = readings_implausible.detect(flags, rows, sites, DAY)
    assert all(isinstance(one, Finding) and one.site_id == "A" for one in told)
    return next((one for one in told if isinstance(one, Finding)), None)


def test_the_desk_is_told_whose_readings_they_are_and_whether_they_count() -> None:
    copy, undecided = _told("copy"), _told("undecided")
    assert copy is not None and undecided is not None
    for one in (copy, undecided):
        assert (one.value, one.unit, one.severity) == (288.0, "readings", "soon")
        assert "the readings of 2025-06-30 are those of site B, value for value" in one.summary
    assert "count in no energy" in copy.summary
    assert "they count at both" in undecided.summary
    assert _told("original") is None
