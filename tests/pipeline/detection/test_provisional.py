"""While a clock is known to be wrong, the detectors after it judge on the corrected line, and their findings show."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import detectors
from pipeline.detection import day_readings
from pipeline.runs.cycle import cycle
from pipeline.runs.session import opened, publish
from pipeline.store import reader
from tests.support import desk

CLOCK = '''
"""Every site's clock is an hour late; of R-2 nobody knows how much exactly."""
from detectors.finding import Finding, Kind

DETECTOR, RANK, REASONS = "toy-clock", 21, {}
KINDS = {"toy-clock": Kind(title="An hour late", hides=("toy-light",), hides_why="A toy.",
                           makes_unreliable=("time", "stamps"), cause="A toy.", next_step="Put it back.")}

def detect(sites, day):
    for site_id in sites["site_id"]:
        yield Finding(site_id=site_id, day=day, kind="toy-clock", severity="soon", value=60.0, unit="min",
                      threshold=0.0, summary="An hour late.",
                      evidence={"offset_min": 60.0, "uncertainty_min": 2.0 if site_id == "R-1" else 30.0})
'''
LIGHT = '''
"""When generation began."""
import polars as pl
from detectors.finding import Finding, Kind, NotJudged, doubts

DETECTOR, RANK, REASONS = "toy-light", 98, {}
KINDS = {"toy-light": Kind(title="Light", cause="A toy.", next_step="Put it back.")}

def detect(readings, sites, earlier, day):
    doubted = doubts(earlier, "time")
    assert set(doubts(earlier, "stamps")) == set(sites["site_id"]), "what was made as stamped stays in doubt"
    for site_id in sites["site_id"]:
        if site_id in doubted:
            yield NotJudged(site_id, day, DETECTOR, doubted[site_id])
            continue
        lit = readings.filter((pl.col("site_id") == site_id) & (pl.col("pv_w") > 0))["ts_local"].min()
        yield Finding(site_id=site_id, day=day, kind="toy-light", severity="soon", value=lit.hour + lit.minute / 60,
                      unit="h", threshold=0.0, summary="It began.")
'''


@pytest.fixture
def toys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    rooms = tmp_path / "rooms"
    (rooms / "toys").mkdir(parents=True)
    for name, text in (("__init__", '"""Toys."""\n'), ("toy_clock", CLOCK), ("toy_light", LIGHT)):
        (rooms / "toys" / f"{name}.py").write_text(text, encoding="utf-8")
    monkeypatch.setattr(detectors, "__path__", [*detectors.__path__, str(rooms)])
    yield
    for name in [name for name in sys.modules if ".toy" in name]:
        del sys.modules[name]


@pytest.mark.slow
@pytest.mark.usefixtures("toys")
@pytest.mark.parametrize("at_once", [day_readings.SITES_AT_ONCE, 1])
def test_a_known_offset_moves_the_days_readings_and_what_is_found_is_not_hidden(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, at_once: int
) -> None:
    """Generation of these sites begins at 05:45; an hour late in the stamps is 04:45."""
    monkeypatch.setattr(day_readings, "SITES_AT_ONCE", at_once)
    day = desk.DAYS[0]
    space = desk.make(tmp_path / "desk", days=[day])
    with opened(space, is_quiet=True) as run:
        cycle(run, day=day)
        publish(run)

    def ask(sql: str) -> list[tuple[object, ...]]:
        return reader.ask(space.reader, sql).rows()

    told = ask(
        "SELECT site_id, value, evidence->>'clock_correction_min', summary FROM finding WHERE kind = 'toy-light'"
    )
    assert [row[:3] for row in told] == [("R-1", 4.75, "-60.0")]
    assert "Provisional" in str(told[0][3])
    assert ask("SELECT site_id, code FROM not_judged WHERE detector = 'toy-light'") == [("R-2", "time-unreliable")]
    assert ask("SELECT min(ts_local) FROM reading WHERE pv_w > 0")[0][0].hour == 5  # as stamped
    text = (space.digests / str(day) / "digest.txt").read_text(encoding="utf-8")
    assert "Mill Lane [R-1]: Light" in text, "the clock does not hide what is found on the corrected line"
