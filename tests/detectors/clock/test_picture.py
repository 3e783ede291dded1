"""What the picture of a wrong clock shows: the shifted day lies where the sun was."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest

from detectors.clock.picture import picture
from detectors.finding import Series

SITE = {"latitude": 47.0, "longitude": 8.0}


def day(late_min: float) -> pl.DataFrame:
    """A bell of power around solar noon (11:28 UTC at 8 degrees east in mid June; equation of time from memory)."""
    start = datetime(2026, 6, 12, 22, tzinfo=UTC)
    minutes = np.arange(96) * 15 + 7.5
    noon = 13 * 60 + 28 + late_min
    power = 4000 * np.maximum(np.cos((minutes - noon) / 480 * np.pi / 2), 0) * (np.abs(minutes - noon) < 480)
    return pl.DataFrame(
        {
            "ts_utc": pl.Series([start + n * timedelta(minutes=15) for n in range(96)], dtype=pl.Datetime("us", "UTC")),
            "interval_s": pl.Series([900] * 96, dtype=pl.Int32),
            "is_instant": [False] * 96,
            "pv_w": power,
        }
    )


def centre(shown: tuple[Series, ...], name: str) -> float:
    """Minutes after midnight UTC around which a series lies."""
    found = next(one for one in shown if one.name == name)
    at = [datetime.fromisoformat(stamp) for stamp in found.at]
    minutes = [a.hour * 60 + a.minute + a.second / 60 for a in at]
    return float(np.average(minutes, weights=[value or 0.0 for value in found.values]))


@pytest.mark.parametrize("late_min", [60.0, -90.0])
def test_the_shifted_day_lies_under_the_sun(late_min: float) -> None:
    shown = picture(day(late_min), SITE, late_min)
    assert centre(shown, "as stamped") - centre(shown, "clear sky") == pytest.approx(late_min, abs=4)
    assert centre(shown, "as it would be") == pytest.approx(centre(shown, "clear sky"), abs=4)


def test_a_gap_stays_a_gap() -> None:
    gappy = day(0).filter(~pl.int_range(pl.len()).is_between(40, 60))
    shown = picture(gappy, SITE, 0.0)
    assert [(one.name, one.role) for one in shown] == [
        ("as stamped", "measured"), ("as it would be", "corrected"), ("clear sky", "expected")
    ]  # fmt: skip
    assert shown[0].values.count(None) >= 18


def test_a_dark_day_has_no_picture() -> None:
    assert picture(day(0).with_columns(pv_w=pl.lit(0.0)), SITE, 60.0) == ()
    assert picture(day(0).head(0), SITE, 60.0) == ()
