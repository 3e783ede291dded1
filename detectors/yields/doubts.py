"""Whose readings the earlier detectors found wrong, so that nothing is said of their yield."""

import polars as pl

CLOCK_WRONG = "clock is known to be wrong"
READINGS_WRONG = "its readings are known to be wrong"
DOUBTS = {
    **dict.fromkeys(("time-zone-wrong", "daylight-saving-wrong", "clock-drift", "clock-step"), CLOCK_WRONG),
    **dict.fromkeys(("site-silent", "readings-frozen", "readings-implausible"), READINGS_WRONG),
}


def of_readings(earlier: pl.DataFrame) -> dict[str, str]:
    """Why a site's own readings of the day are not to be trusted, by site; `earlier` are the day's findings so far."""
    return {site_id: DOUBTS[kind] for site_id, kind in earlier.select("site_id", "kind").iter_rows() if kind in DOUBTS}
