"""The clock's verdicts on one simulated roof whose true error is known."""

from datetime import date

import polars as pl

from detectors.clock import clock
from detectors.clock.light import light_onsets
from detectors.finding import Finding, Verdict
from tests.support.clock_roofs import (
    Error,
    Roof,
    readings,
    register,
)

FIRST = date(2025, 2, 20)
ROOF = Roof("roof", seed=3)
CHANGE = date(2025, 3, 30)  # IANA: Europe/Zurich goes from +1 to +2 at 01:00 UTC


def light_of(error: Error, days: int, interval: int = 15, roof: Roof = ROOF, first: date = FIRST) -> pl.DataFrame:
    """LIGHT of a roof with this error of its stamps."""
    return light_onsets(readings(roof, first, days, interval, error), register([roof]))


def judge(light: pl.DataFrame, day: date, *roofs: Roof) -> list[Verdict]:
    """The verdicts on the day, of ROOF unless other roofs are given."""
    return clock.detect(light, register(list(roofs or (ROOF,))), day)


def only(verdicts: list[Verdict]) -> Finding:
    """The finding, where there is one verdict."""
    assert len(verdicts) == 1 and isinstance(verdicts[0], Finding), verdicts
    return verdicts[0]
