"""A feature and a detector dropped into the packages run, are stored, shown and closed, with nothing else touched."""

import importlib
import sys
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from types import ModuleType
from typing import Any

import polars as pl
import pytest

import detectors
from detectors import features, frames
from detectors.features import Feature
from pipeline.detection import resolver
from pipeline.runs.cycle import cycle, detect
from pipeline.runs.session import opened, publish
from pipeline.store import Store, history, reader
from pipeline.workspace.places import Workspace
from tests.support import desk

PEAK = '''
"""The day's highest load."""
import polars as pl

NAME, VERSION, WINDOW_DAYS = "toy_peak", 1, 1
SCHEMA = pl.Schema({"site_id": pl.String, "day": pl.Date, "peak_w": pl.Float64})
made = []  # what it was made of, for the test alone

def make(readings, toy_rows):
    made.extend(toy_rows.select("site_id", "day").rows())
    by = ["site_id", pl.col("ts_local").dt.date().alias("day")]
    return readings.group_by(by).agg(peak_w=pl.col("load_w").max())
'''
ROWS = '''
"""How many readings of the load there are: a feature that another one names."""
import polars as pl

NAME, VERSION, WINDOW_DAYS = "toy_rows", 1, 0
SCHEMA = pl.Schema({"site_id": pl.String, "day": pl.Date, "loads": pl.Int64})

def make(readings):
    by = ["site_id", pl.col("ts_local").dt.date().alias("day")]
    return readings.group_by(by).agg(loads=pl.col("load_w").count().cast(pl.Int64))
'''
NIGHTS = '''
"""Nights since a site was first judged, counted on its own rows of earlier days."""
import polars as pl

NAME, VERSION, WINDOW_DAYS = "toy_nights", 1, 30
SCHEMA = pl.Schema({"site_id": pl.String, "day": pl.Date, "nights": pl.Int64})

def make(sites, toy_limits, past, day):
    assert past.filter(pl.col("day") >= day).is_empty()
    before = past.group_by("site_id").agg(nights=pl.col("nights").max())
    told = sites.select("site_id").join(before, on="site_id", how="left")
    return told.select("site_id", nights=pl.col("nights").fill_null(0) + 1, day=pl.lit(day))
'''
LIMITS = '''
"""What two share on a night: a working object, not stored."""

NAME, VERSION, WINDOW_DAYS, SCHEMA = "toy_limits", 1, 0, None
nights = []  # on which it was made, for the test alone

def make(earlier, day):
    nights.append((day, sorted(set(earlier["kind"]))))
    return {"low_w": 100.0, "high_w": 5000.0}
'''
RULE = '''
"""Loads that are too high or too low."""
import polars as pl
from detectors.finding import Finding, Kind

DETECTOR, RANK, REASONS = "toy-rule", 99, {}
KINDS = {
    name: Kind(title=title, close_after=2, cause="A toy.", next_step="Service desk: put it back.")
    for name, title in (("toy-high", "Load too high"), ("toy-low", "Load too low"))
}

def detect(toy_peak, toy_limits, toy_nights, past_toy_peak, day):
    assert past_toy_peak.filter(pl.col("day") >= day).is_empty()
    assert toy_peak["day"].n_unique() <= 2, "more than the window"
    for site_id, peak_w in toy_peak.filter(pl.col("day") == day).select("site_id", "peak_w").iter_rows():
        kind = "toy-high" if peak_w > toy_limits["high_w"] else "toy-low" if peak_w < toy_limits["low_w"] else None
        if kind:
            nights = toy_nights.filter(pl.col("site_id") == site_id, pl.col("day") == day)["nights"][0]
            yield Finding(site_id=site_id, day=day, kind=kind, severity="soon", value=peak_w, unit="W",
                          threshold=0.0, summary=f"A load of {peak_w:g} W.", evidence={"nights_count": nights})
'''


@pytest.fixture
def toys(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, few_detectors_here: None) -> Iterator[None]:  # noqa: ARG001
    """Two folders beside the packages' own: what a module dropped into them is, to all who look for modules."""
    rooms, dropped = tmp_path / "rooms", tmp_path / "features"
    (rooms / "toys").mkdir(parents=True)
    dropped.mkdir()
    (rooms / "toys" / "__init__.py").write_text('"""Toys."""\n', encoding="utf-8")
    (rooms / "toys" / "toy_rule.py").write_text(RULE, encoding="utf-8")
    for name, text in (("peak", PEAK), ("rows", ROWS), ("nights", NIGHTS), ("limits", LIMITS)):
        (dropped / f"toy_{name}.py").write_text(text, encoding="utf-8")
    monkeypatch.setattr(detectors, "__path__", [*detectors.__path__, str(rooms)])
    monkeypatch.setattr(features, "__path__", [*features.__path__, str(dropped)])
    yield
    for name in [name for name in sys.modules if ".toy" in name]:
        del sys.modules[name]


def _module(name: str) -> ModuleType:
    return importlib.import_module(f"detectors.features.{name}")


def _live(space: Workspace, day: date) -> None:
    with opened(space, is_quiet=True) as run:
        cycle(run, day=day)
        publish(run)


def _ask(space: Workspace, sql: str) -> list[tuple[Any, ...]]:
    return reader.ask(space.reader, sql).rows()


def _deliver(space: Workspace, day: date, loads: dict[str, int]) -> None:
    for site_id, load_w in loads.items():
        desk.write(space.inbox, site_id, day, desk.lines(day, feeds_in=True, load_w=load_w))


@pytest.mark.slow
@pytest.mark.usefixtures("toys")
def test_what_is_dropped_in_runs_is_stored_shown_and_closed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    space = desk.make(tmp_path / "desk", with_exports=False)
    first, second, third = desk.DAYS
    _deliver(space, first, {"R-1": 9000, "R-2": 50})
    _live(space, first)
    toy = "SELECT site_id, kind, value, evidence->>'nights_count' FROM finding WHERE kind LIKE 'toy%' ORDER BY site_id"
    assert _ask(space, toy) == [("R-1", "toy-high", 9020.0, "1"), ("R-2", "toy-low", 70.0, "1")]
    text = (space.digests / str(first) / "digest.txt").read_text(encoding="utf-8")
    assert "Load too high" in text and "Load too low" in text
    for day in (second, third):
        _deliver(space, day, {"R-1": 500, "R-2": 520})
        _live(space, day)
    closed = "SELECT kind, status, closed_on FROM exception WHERE kind LIKE 'toy%' ORDER BY kind"
    assert _ask(space, closed) == [("toy-high", "closed", third), ("toy-low", "closed", third)]

    every = sorted((site_id, day) for site_id in ("R-1", "R-2") for day in desk.DAYS)
    assert sorted(_module("toy_peak").made) == every, "made once for each site-day"
    nights = _module("toy_limits").nights
    assert [day for day, _ in nights] == list(desk.DAYS), "made once a night for both that name it"
    assert all("unexpected-export" in kinds for _, kinds in nights), "made after the detectors of lower rank"
    with opened(space, is_quiet=True) as run:
        assert run.store.frame("SELECT site_id, day FROM feature_toy_peak ORDER BY ALL").rows() == every
        detect(run, list(desk.DAYS[1:]))
        counted = run.store.frame("SELECT day, nights FROM feature_toy_nights WHERE site_id = 'R-1' ORDER BY day")
        assert counted.rows() == [(first, 1), (second, 2), (third, 3)], "a day judged again counts once"
        assert history.dirty_days(run.store).is_empty()

    monkeypatch.setattr(_module("toy_peak"), "VERSION", 2)
    with opened(space, is_quiet=True) as run:
        assert run.store.value("SELECT count(*) FROM feature_toy_peak") == 0
        assert history.dirty_days(run.store)["day"].unique().sort().to_list() == [second, third], "its window"
        assert detect(run).days == [second, third]
        assert run.store.value("SELECT count(*) FROM feature_toy_peak") == 4
    with opened(space, is_quiet=True) as run:
        assert history.dirty_days(run.store).is_empty()


@pytest.mark.slow
@pytest.mark.usefixtures("toys")
def test_a_changed_schema_remakes_and_a_nightly_feature_is_judged_anew(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    space = desk.make(tmp_path / "desk")
    _live(space, desk.DAYS[-1])
    rows = _module("toy_rows")
    monkeypatch.setattr(rows, "SCHEMA", pl.Schema({"day": pl.Date, "site_id": pl.String, "loads": pl.Int64}))
    with opened(space, is_quiet=True) as run:
        assert history.dirty_days(run.store)["day"].unique().to_list() == [desk.DAYS[-1]], "no day but the last is seen"
        detect(run)
        assert run.store.frame("SELECT * FROM feature_toy_rows ORDER BY site_id").rows() == [
            (desk.DAYS[-1], "R-1", 96), (desk.DAYS[-1], "R-2", 96)
        ]  # fmt: skip
    monkeypatch.setattr(_module("toy_nights"), "VERSION", 2)
    with opened(space, is_quiet=True) as run:
        assert history.dirty_days(run.store).is_empty()
        assert detect(run).days == list(desk.DAYS)
        assert run.store.value("SELECT max(nights) FROM feature_toy_nights") == 3


def _feature(name: str, *wants: str) -> Feature:
    schema = pl.Schema({"site_id": pl.String, "day": pl.Date})
    return Feature(name, version=1, schema=schema, window_days=0, make=schema.to_frame, wants=wants)


def _refused(*ones: Feature) -> str:
    with pytest.raises(RuntimeError) as caught:
        resolver.ordered({one.name: one for one in ones})
    return str(caught.value)


def test_circles_and_unknown_names_are_refused() -> None:
    assert "circle" in _refused(_feature("a", "b"), _feature("b", "c"), _feature("c", "a"))
    assert "names nobody" in _refused(_feature("a", "nobody"))
    assert "rename it" in _refused(_feature("days", "readings"))
    # Of a feature of readings: nothing that is known only when the day is judged.
    assert "names earlier" in _refused(_feature("a", "earlier"))
    assert "names past" in _refused(_feature("a", "past"))
    assert "nightly" in _refused(_feature("a", "b"), _feature("b", "day"))


def test_an_order_is_found_and_earlier_rows_make_no_circle() -> None:
    night = _feature("night", "work", "past", "day")
    work = _feature("work", "base", "past_night", "day")
    base = _feature("base", "readings")
    assert [one.name for one in resolver.ordered({one.name: one for one in (night, work, base)})] == [
        "base", "work", "night"
    ]  # fmt: skip


@pytest.mark.usefixtures("toys")
@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("NAME", "toy_rows", "two features are called toy_rows"),
        ("NAME", "past_peak", "choose a name"),
        ("SCHEMA", None, "only a nightly feature"),
        ("SCHEMA", pl.Schema({"site_id": pl.String}), "columns site_id and day"),
    ],
)
def test_a_declaration_that_cannot_work_is_refused(
    monkeypatch: pytest.MonkeyPatch, name: str, value: object, words: str
) -> None:
    monkeypatch.setattr(_module("toy_peak"), name, value)
    with pytest.raises(RuntimeError, match=words):
        features.load()


@pytest.mark.usefixtures("toys")
def test_a_detector_that_names_what_nobody_makes_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_module("toy_peak"), "NAME", "toy_other")
    with Store(tmp_path / "history.duckdb") as store, pytest.raises(RuntimeError, match="toy-rule names toy_peak"):
        resolver.prepare(store)


def test_every_feature_gives_no_rows_for_no_readings() -> None:
    given = {
        "readings": frames.READINGS.to_frame(), "device_readings": frames.DEVICE_READINGS.to_frame(),
        "sites": frames.SITES.to_frame(), "planes": frames.PLANES.to_frame(),
    }  # fmt: skip
    made = resolver.make_of_readings(given)
    assert len(made) >= 5  # several: the check must not pass on an empty list
    for feature, rows in made.items():
        assert rows.is_empty() and rows.schema == feature.schema, feature.name
