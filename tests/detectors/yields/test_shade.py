"""Shade on roofs of one bright day, whose usual half hours are written by hand."""

import numpy as np
import pandas as pd
import polars as pl
import pvlib
import pytest

from detectors.yields import shade
from detectors.yields.roof_model import ROOF_MODEL
from tests.support import build
from tests.support.bright_day import AZIMUTHS, DAY, LATITUDE, LONGITUDE, STREET, night_of, powers

AFTERNOON = slice(28, 32)  # half hours of UTC: 14:00 to 16:00
DAYLIGHT = slice(9, 35)


def _models(bright, dull=0.0, noise=0.0004):
    """ROOF_MODEL rows of healthy roofs, the last of which usually makes so much by half hour, log."""
    lit = np.full(48, np.nan)
    lit[DAYLIGHT] = 0.0
    rows = []
    for name in AZIMUTHS:
        parts = [lit + dull, lit + bright] if name == "street" else [lit, lit]
        offset = [None if np.isnan(one) else float(one) for one in np.concatenate(parts)]
        known = [None if one is None else noise for one in offset]
        lists = {"offset": offset, "noise": known, "pair_key": [], "pair_sigma": []}
        rows.append({"site_id": name, "day": DAY, "level": 0.0, **lists})
    return build.frame(ROOF_MODEL, rows)


def _afternoon(log):
    told = np.zeros(48)
    told[AFTERNOON] = log
    return told


def _told(bright, dull=0.0, factor=None, **more):
    """The row of a day on which the roof made what it usually does."""
    usual = np.exp(np.repeat(bright, 2)) if factor is None else factor
    rows = shade.of_night(night_of(usual, models=_models(bright, dull, **more)))
    found = rows.filter(pl.col("site_id") == "street")
    return found.row(0, named=True) if found.height else None


def test_hours_sector_and_energy_of_an_obstacle_in_the_west_are_told():
    told = _told(_afternoon(-1.0))
    assert told["shaded_h"] == 2.0
    assert (told["from_utc"].hour, told["until_utc"].hour) == (14, 16)
    middles = pd.DatetimeIndex(["2025-06-10 14:07:30Z", "2025-06-10 15:52:30Z"])  # of the first and last quarter hour
    sun = pvlib.solarposition.get_solarposition(middles, LATITUDE, LONGITUDE)
    assert told["sun_from_deg"] == pytest.approx(sun["azimuth"].iloc[0], abs=0.5)
    assert told["sun_until_deg"] == pytest.approx(sun["azimuth"].iloc[1], abs=0.5)
    assert told["below_deg"] == pytest.approx(sun["elevation"].iloc[0], abs=0.5)
    lost = powers()[STREET].reshape(48, 2).sum(axis=1)[AFTERNOON].sum() / 4000 * (1 - np.exp(-1.0))
    assert told["shade_kwh"] == pytest.approx(lost, rel=0.15)


def test_an_open_roof_has_none_and_says_so():
    told = _told(np.zeros(48))
    assert (told["shaded_h"], told["shade_kwh"], told["from_utc"]) == (0.0, 0.0, None)


def test_what_falls_short_under_dull_skies_too_is_no_shade():
    """A smaller roof in the afternoon, as of another plane: its dull hours fall short as well."""
    assert _told(_afternoon(-0.5), dull=_afternoon(-0.5))["shaded_h"] == 0.0
    assert _told(_afternoon(-0.5), dull=_afternoon(-0.1))["shaded_h"] == 2.0


def test_planes_that_are_exceeded_elsewhere_are_in_doubt_and_tell_no_shade():
    turned = _afternoon(-0.6)
    turned[12:18] = 0.4  # a roof that looks further east than the register says
    assert _told(turned) is None


def test_one_half_hour_or_an_uncertain_one_is_no_shade():
    chimney = np.zeros(48)
    chimney[30] = -1.0
    assert _told(chimney)["shaded_h"] == 0.0
    assert _told(_afternoon(-0.3), noise=0.04)["shaded_h"] == 0.0


def test_a_site_of_unknown_planes_or_without_a_past_is_not_asked():
    assert shade.of_night(night_of()).is_empty()
    rows = shade.of_night(night_of(models=_models(_afternoon(-1.0)), tilt_deg=None, azimuth_deg=None))
    assert "street" not in rows["site_id"].to_list()
