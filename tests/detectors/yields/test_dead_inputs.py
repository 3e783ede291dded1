"""An input that is dead beside others that work, at sites of which no sky and no limit tells the level."""

from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import polars as pl
import pytest

from detectors.frames import DAYS
from detectors.yields import dead_inputs
from detectors.yields.hourly import HOURLY
from tests.benches.living_yields import live_nights
from tests.support import build, yield_fleet

NAN = float("nan")


def _days(*spans):
    """Energies of two inputs: so many days each of (days, first, second), kWh."""
    return np.array([[first, second] for days, first, second in spans for _ in range(days)], dtype=float)


def test_an_input_that_gives_nothing_for_three_days_is_dead_and_its_share_was_due():
    dead = dead_inputs.find(_days((10, 4.0, 6.0), (3, 4.0, 0.0)), 5.0)
    assert (dead.number, dead.first, dead.shown_days) == (2, 10, 3)
    assert dead.share == pytest.approx(0.6)
    assert np.nansum(dead.due_kwh) == pytest.approx(3 * 6.0)


@pytest.mark.parametrize(
    "spans",
    [
        [(10, 4.0, 6.0), (2, 4.0, 0.0)],  # switched off for work
        [(10, 4.0, 6.0), (2, 4.0, 0.0), (1, 4.0, 1.5)],  # it works again
        [(10, 4.0, 6.0), (3, 0.0, 0.0)],  # the whole roof
        [(10, 4.0, 6.0), (3, 0.1, 0.0)],  # under snow, all but some
        [(13, 4.0, 0.0)],  # a free port
        [(3, 4.0, 6.0), (3, 4.0, 0.0)],  # it was hardly seen
        [(1, 4.0, 6.0), (20, 4.0, 0.0)],  # seen once, as for a test
        [(10, 4.0, 6.0), (3, 4.0, NAN)],  # it is not read any more
        [(10, 4.0, 6.0), (3, 4.0, 0.3)],  # shade or another hour left a twentieth
        [(10, 4.0, 0.2), (3, 4.0, 0.0)],  # a plane so small that no meter shows it
    ],
)
def test_what_only_looks_like_a_dead_input(spans):
    assert dead_inputs.find(_days(*spans), 5.0) is None


def test_an_input_that_died_in_its_first_week_is_told_after_a_week_more():
    dead = dead_inputs.find(_days((2, 4.0, 6.0), (dead_inputs.DOUBTFUL_DAYS, 4.0, 0.0)), 5.0)
    assert (dead.number, dead.first, dead.share) == (2, 2, pytest.approx(0.6))
    assert dead_inputs.find(_days((2, 4.0, 6.0), (dead_inputs.DOUBTFUL_DAYS - 1, 4.0, 0.0)), 5.0) is None


def test_dull_days_and_days_without_readings_neither_begin_nor_end_it():
    energies = _days((10, 4.0, 6.0), (2, 4.0, 0.0), (2, 0.1, 0.0), (1, 4.0, NAN), (1, 4.0, 0.0), (1, 0.1, 0.0))
    dead = dead_inputs.find(energies, 5.0)
    assert (dead.first, dead.shown_days) == (10, 3)
    assert np.isnan(dead.due_kwh[12:15]).all()


def test_what_was_seen_long_ago_is_not_told_of_today():
    assert dead_inputs.find(_days((10, 4.0, 6.0), (3, 4.0, 0.0), (8, 0.1, 0.0)), 5.0) is None


@pytest.mark.parametrize(("proved", "severity"), [((), "watch"), (("roof-1",), "soon")])
def test_a_winter_night_puts_no_string_in_doubt_that_was_proved_lost(proved, severity):
    """On a cold night snow may lie on one plane alone; not where the roof's own test has shown that it is none."""
    energies = _days((10, 4.0, 6.0), (8, 4.0, 0.0))
    days = [date(2026, 1, 1) + timedelta(days=n) for n in range(len(energies))]
    rows = [
        {"site_id": "roof-1", "day": day, "pv1_kwh": a, "pv2_kwh": b}
        for day, (a, b) in zip(days, energies, strict=True)
    ]
    fleet = SimpleNamespace(sites=build.sites(), roofs=SimpleNamespace(has_limit=np.array([False])))
    night = SimpleNamespace(fleet=fleet, is_cold=np.array([True]), spell_days=np.array([0]), doubts={})
    hourly, none = build.frame(HOURLY, rows), DAYS.to_frame()
    (found,) = dead_inputs.findings(hourly, [], night, none, days[-1], proved=proved)
    assert (found.severity, "Snow" in found.summary) == (severity, severity == "watch")


@pytest.fixture(scope="module")
def told():
    """Findings of the last night: one input goes on the 12th day; the lone roofs have no sky but their own."""
    needs = {"inputs": True, "strings": 2, "planes": 1, "planes_known": 0.0}
    by_name = {}
    for name, more in {"FREE": {}, "HELD": {"limit": "no-export", "battery": False}, "WELL": {}}.items():
        fleet = yield_fleet.make(9, {name: {**needs, **more}}, {}, first=date(2026, 6, 1), days=22)
        since = fleet.day(11)
        half = pl.col("pv_w") / 2
        for day, rows in fleet.readings.items():
            is_dead = name != "WELL" and day >= since
            fleet.readings[day] = rows.with_columns(
                pv1_w=pl.lit(0.0) if is_dead else half, pv2_w=half, pv_w=half if is_dead else pl.col("pv_w")
            )
        made = pl.concat(rows for day, rows in fleet.readings.items() if day >= since)
        made_kwh = made.select(pl.col("pv_w") * pl.col("interval_s") / 3.6e6).sum().item()
        by_name[name] = live_nights(fleet, lambda _, sites=fleet.sites: sites).lived.exceptions, since, made_kwh
    return by_name


def test_a_lone_roof_of_unknown_planes_is_told_of_its_dead_input_within_days(told):
    rows, since, made_kwh = told["FREE"]
    strings = rows.filter(pl.col("kind") == "string-loss").sort("night")
    assert (strings["opened_on"].min() - since).days <= 4
    last = strings.row(-1, named=True)
    assert (last["first_day"], last["severity"]) == (since, "soon")
    assert last["value"] == pytest.approx(50, abs=3)
    assert last["loss_kwh"] == pytest.approx(made_kwh, rel=0.03)  # the dead half would have made what the other did


def test_behind_a_limit_it_takes_a_week_is_to_watch_and_claims_no_loss(told):
    rows, since, _ = told["HELD"]
    strings = rows.filter(pl.col("kind") == "string-loss").sort("night")
    assert 6 <= (strings["opened_on"].min() - since).days <= 9
    assert set(strings["severity"]) == {"watch"}
    assert strings["loss_kwh"][0] == 0


def test_inputs_that_work_are_not_told(told):
    assert told["WELL"][0].filter(pl.col("kind") == "string-loss").is_empty()
