"""The sentence about shade on a site's page, from rows of the feature that are written by hand."""

from datetime import date, datetime, timedelta

import polars as pl

from detectors.yields.shade import SHADE
from pipeline.runs.site_pages import shade_entries
from tests.support import build

LAST = date(2026, 3, 29)  # Europe's clocks change on this day


def _rows(*kwh: float, shaded_h: float = 2.0) -> pl.DataFrame:
    block = {
        "from_utc": datetime.fromisoformat("2026-03-29 14:00"),
        "until_utc": datetime.fromisoformat("2026-03-29 16:00"),
        "sun_from_deg": 228.4, "sun_until_deg": 254.6, "below_deg": 33.2,
    }  # fmt: skip
    return build.frame(SHADE, [
        {"site_id": "A", "day": LAST - timedelta(days=len(kwh) - 1 - n), "shaded_h": shaded_h, "shade_kwh": one,
         "possible_kwh": 18.0, **(block if shaded_h else {})}
        for n, one in enumerate(kwh)
    ])  # fmt: skip


def test_hours_of_the_sites_clock_the_suns_sector_and_the_months_cost_are_told_as_no_fault():
    (told,) = shade_entries(_rows(1.0, 2.0, 3.0), "Europe/Zurich")
    assert told.label == "Shade"
    assert told.value == (
        "16:00 to 18:00, the sun at 228 to 255° from north and up to 33° high: "
        "6 kWh in 3 days, 10 % of what the roof could have made; no fault"
    )


def test_without_shade_nothing_is_said():
    assert shade_entries(None, "Europe/Zurich") == []
    assert shade_entries(_rows(0.0, shaded_h=0.0), "Europe/Zurich") == []
