"""What the weather around moves first and last light by is taken off, and nothing else."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.clock import clock
from detectors.clock.light import light_onsets
from detectors.clock.lit_days import lit_days
from detectors.clock.onsets import onsets_of
from detectors.clock.weather_around import around, neighbours, without_weather
from detectors.finding import Finding
from detectors.stats.robust import quantile
from tests.support.clock_roofs import drift, register, right
from tests.support.clock_series import all_series, open_data, restamped
from tests.support.clock_verdicts import FIRST, ROOF, light_of

DAYS = np.arange(60.0)


def test_shared_dull_days_go_and_a_drift_of_ones_own_stays() -> None:
    rng = np.random.default_rng(5)
    dull, own = rng.exponential(12.0, 60), rng.normal(0.0, 1.0, 60)
    beside = np.stack([dull + rng.normal(0.0, 1.0, 60) for _ in range(3)]) + 1.5 * DAYS  # their clocks drift too
    left = without_weather(own + dull + 1.5 * DAYS, beside)
    assert np.polyfit(DAYS, left, 1)[0] == pytest.approx(1.5, abs=0.06)
    assert np.std(left - 1.5 * DAYS) < 0.5 * np.std(own + dull)


def test_neighbours_with_another_weather_or_too_few_days_change_nothing() -> None:
    rng = np.random.default_rng(6)
    own, beside = rng.exponential(12.0, 60), rng.exponential(12.0, (3, 60))
    assert np.std(without_weather(own, beside) - own) < 0.25 * np.std(own)
    unknown = np.where(DAYS < 9, beside, np.nan)
    assert (without_weather(own, unknown) == own).all()
    assert (without_weather(own[:9], beside[:, :9]) == own[:9]).all()


def test_the_nearest_other_sites_are_neighbours_wherever_they_stand() -> None:
    """At 60 degrees north a degree of longitude is half a degree of latitude: 55.6 km."""
    places = {"a": (60.0, 20.0), "b": (60.0, 20.8), "c": (60.3, 20.0), "d": (60.5, 20.0), "e": (60.0, 21.0)}
    roofs = [replace(ROOF, site_id=name, latitude=at[0], longitude=at[1]) for name, at in places.items()]
    light = pl.concat([light_of(right, 3).with_columns(site_id=pl.lit(roof.site_id)) for roof in roofs])
    onsets = onsets_of(light, register(roofs), FIRST + timedelta(days=2), 3)
    assert [onsets.sites[n] for n in neighbours(onsets, 0)] == ["c", "b"]  # 33 and 44 km; the others 56


def test_clocks_that_all_drift_are_all_told_and_the_right_one_beside_them_is_not() -> None:
    """A region's loggers may share one clock: what they have in common is no weather where it goes on for weeks."""
    roofs = [replace(ROOF, site_id=f"roof{n}", longitude=8.1 + n / 20, seed=3 if n else 1) for n in range(4)]
    light = pl.concat([light_of(right if n == 2 else drift(FIRST, 90.0), 24, 15, r) for n, r in enumerate(roofs)])
    found = clock.detect(light, register(roofs), FIRST + timedelta(days=23))
    told = {v.site_id: v.value for v in found if isinstance(v, Finding) and v.kind == "clock-drift"}
    assert set(told) == {"roof0", "roof1", "roof3"}
    assert list(told.values()) == pytest.approx([90.0] * 3, rel=0.3)
    assert not [v for v in found if isinstance(v, Finding) and v.site_id == "roof2"]


@pytest.mark.skipif(open_data() is None, reason="no open data: set NOONMARK_OPEN_DATA")
def test_two_roofs_of_one_canton_know_their_days_better_together() -> None:
    """AEW Energie AG, Energy Data Hackdays 2020 (PDDL/CC0): 15 min, 2019; sites A and B lie in one canton."""
    two = [series for series in all_series() if series.roof.site_id.startswith("aargau")]
    alone, beside = [], []
    light = [light_onsets(restamped(series, 15), register([series.roof])) for series in two]
    for chosen, sigmas in ((light[:1], alone), (light, beside)):
        onsets = onsets_of(pl.concat(chosen), register([series.roof for series in two]), date(2019, 12, 20), 350)
        days = lit_days(onsets, 0)
        middle = (days.first + days.last) / 2
        sigmas.append(np.std(np.clip(middle - quantile(around(middle, 15), 0.5), -30, 30)))
    assert beside[0] < 0.85 * alone[0]
