"""Readings of one site from noon on, whose books are written by hand."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import polars as pl

from detectors.frames import READINGS
from tests.support import build

NOON = datetime(2025, 6, 10, 12, tzinfo=UTC)


def noon_rows(minutes: int, *rows: dict[str, float], at: Sequence[int] | None = None) -> pl.DataFrame:
    """READINGS from 12:00 UTC on, every so many minutes; `at`: the places of the rows that are kept."""
    return build.frame(READINGS, [
        {
            "site_id": "roof-1",
            "ts_utc": NOON + timedelta(minutes=minutes * n),
            "ts_local": (NOON + timedelta(hours=2, minutes=minutes * n)).replace(tzinfo=None),
            "interval_s": minutes * 60,
            "is_instant": False,
            **row,
        }
        for n, row in enumerate(rows) if at is None or n in at
    ])  # fmt: skip
