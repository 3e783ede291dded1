"""Gives detectors and features what their parameters name: features are found, made once, and handed over.

No feature and no detector is known by name here. What a parameter names is one of the frames given, a feature's
window, or (`past`, `past_<NAME>`) a feature's rows of earlier days.
"""

from collections.abc import Callable, Container, Iterable, Mapping
from datetime import date, timedelta
from graphlib import CycleError, TopologicalSorter
from itertools import chain
from typing import Any

import polars as pl

import detectors
from detectors import columns_of_fleet, wanted_frames
from detectors import features as modules
from detectors.features import PAST, PAST_OF, Feature
from pipeline.detection.day_readings import FORMS, DayReadings
from pipeline.store import Store
from pipeline.store import features as tables

AS_REPORTED = ("raw_readings", "raw_device_readings")  # for what judges the readings themselves
OF_READINGS = (
    "readings",
    "device_readings",
    *AS_REPORTED,
    "sites",
    "planes",
)  # what a feature of readings may be given
OF_SUMMING_UP = (*OF_READINGS, "counted_readings")  # ... and what only they are given
OF_NIGHT = (  # ... a detector or a nightly feature
    *OF_READINGS, "reading_flags", "day", "days", "earlier", "devices", "implausible_stamps", "arrivals",
    "quarantined_files", "false_alarms_per_site_year", "profile_zones",
)  # fmt: skip


def ordered(found: Mapping[str, Feature] | None = None) -> list[Feature]:
    """All features, each after those that it names; raises RuntimeError for a circle or an unknown name."""
    found = modules.load() if found is None else found
    needs = {name: [other for other in one.wants if other in found] for name, one in found.items()}
    for one in found.values():
        if one.name in OF_NIGHT:
            raise RuntimeError(f"a feature is called {one.name}, as a frame that all are given: rename it")
        _refuse_unknown(f"feature {one.name}", one.wants, found, (*OF_NIGHT, PAST) if one.is_nightly else OF_SUMMING_UP)
        for other in needs[one.name]:
            if found[other].is_nightly and not one.is_nightly:
                raise RuntimeError(f"feature {one.name} is made of readings and cannot name the nightly {other}")
    try:
        return [found[name] for name in TopologicalSorter(needs).static_order()]
    except CycleError as error:
        raise RuntimeError(f"features name each other in a circle: {' -> '.join(error.args[1])}") from error


def check_detectors(found: Mapping[str, Feature]) -> None:
    """Raises RuntimeError if a detector's parameter names neither a frame nor a feature."""
    for module in detectors.load():
        _refuse_unknown(f"detector {module.DETECTOR}", wanted_frames(module.detect), found, OF_NIGHT)


def _refuse_unknown(who: str, wants: Iterable[str], found: Mapping[str, Feature], given: tuple[str, ...]) -> None:
    for name in wants:
        is_past = given != OF_SUMMING_UP and name.startswith(PAST_OF) and name.removeprefix(PAST_OF) in found
        if name not in given and name not in found and not is_past:
            raise RuntimeError(f"{who} names {name}, and no feature is called that")


def prepare(store: Store) -> None:
    """The history has a table for every feature as it is declared today."""
    features = ordered()
    check_detectors({one.name: one for one in features})
    tables.prepare(store, features)


def make_of_readings(frames: Mapping[str, pl.DataFrame]) -> dict[Feature, pl.DataFrame]:
    """The rows of the features of readings that `frames`, named as in OF_SUMMING_UP or as features, suffice for.

    Features in `frames` are made already. Without good readings, those of readings as reported are made alone.
    """
    made: dict[str, pl.DataFrame] = dict(frames)
    rows: dict[Feature, pl.DataFrame] = {}
    for feature in ordered():
        if not feature.is_nightly and feature.name not in made and made.keys() >= set(feature.wants):
            made[feature.name] = rows[feature] = _as_declared(feature, feature.make(*(made[n] for n in feature.wants)))
    return rows


def _as_declared(feature: Feature, rows: pl.DataFrame) -> pl.DataFrame:
    assert feature.schema is not None
    if rows.schema == feature.schema:
        return rows
    return rows.select(feature.schema.names()).cast(feature.schema)


class Windows:
    """The features' rows of a block of days and of the windows before it, read when first named."""

    def __init__(self, store: Store, first: date, last: date, fitted: Callable[[pl.DataFrame], pl.DataFrame]) -> None:
        """`fitted` leaves the rows that count today, as of devices that the register knows."""
        self.features = {one.name: one for one in ordered()}
        self._store, self._first, self._last, self._fitted = store, first, last, fitted
        self._empty = tables.without_rows(store)  # most of them, at sites without batteries, phases or counters
        self._rows: dict[str, pl.DataFrame] = {}
        self._is_one_day = first == last

    def of(self, feature: Feature, day: date) -> pl.DataFrame:
        """The feature's rows of its window up to and including `day`."""
        rows = self._held(feature)
        if self._is_one_day:  # they were read for this day alone
            return rows
        return rows.filter(pl.col("day").is_between(day - timedelta(days=feature.window_days), day))

    def before(self, feature: Feature, day: date) -> pl.DataFrame:
        """The same of earlier days alone; the frame that is held where it has no others."""
        rows = self.of(feature, day)
        return rows.filter(pl.col("day") < day) if (rows["day"] >= day).any() else rows

    def let_go(self, needed: Container[str]) -> None:
        """Frees the windows of features that are not among the `needed`, unless later days look back on them."""
        if self._is_one_day:
            self._rows = {name: rows for name, rows in self._rows.items() if name in needed}

    def _held(self, feature: Feature) -> pl.DataFrame:
        if feature.name not in self._rows:
            self._rows[feature.name] = self._read(feature)
        return self._rows[feature.name]

    def _read(self, feature: Feature) -> pl.DataFrame:
        if feature.name in self._empty and feature.schema is not None:
            return feature.schema.to_frame()
        first = self._first - timedelta(days=feature.window_days)
        return self._fitted(tables.read(self._store, feature, first, self._last))

    def note(self, feature: Feature, day: date, rows: pl.DataFrame) -> None:
        """Takes in what was made of a nightly feature on `day`: later days of the block look back on it."""
        others = self._held(feature)
        if (others["day"] == day).any():
            others = others.filter(pl.col("day") != day)
        self._rows[feature.name] = pl.concat([others, rows])


class Night:
    """What one judged day's detectors and nightly features are given; each nightly feature is made once.

    What names a form of the readings is called once for each group of sites, with the rows of these in every frame,
    unless its module declares that it compares sites (`columns_of_fleet`).
    """

    def __init__(
        self, windows: Windows, day: date, given: dict[str, Any], readings: DayReadings, of_sites: Callable[..., Any]
    ) -> None:
        """`given`: frames by name, as in OF_NIGHT without `earlier` and readings; `of_sites` leaves a frame's
        commissioned sites."""
        self._windows, self._day, self._of_sites, self._readings = windows, day, of_sites, readings
        self._given = {**given, "day": day}
        self._objects: dict[str, object] = {}
        self._seen: dict[str, pl.DataFrame] = {}  # windows as they were handed over, by the name that they have
        self.made: dict[Feature, pl.DataFrame] = {}

    def call(self, function: Callable[..., Any], earlier: pl.DataFrame) -> Any:
        """The result of a function whose positional parameters name what it is given."""
        return self._called(function, lambda name: self._named(name, earlier))

    def _called(self, function: Callable[..., Any], named: Callable[[str], Any]) -> Any:
        wants, columns = wanted_frames(function), columns_of_fleet(function)
        forms = [name for name in wants if name in FORMS]
        others = {name: named(name) for name in wants if name not in FORMS}
        if columns or self._readings.is_whole or not forms:
            return function(**others, **{name: self._readings.of_fleet(name, columns) for name in forms})
        results = []
        for number, group in enumerate(self._readings.groups):
            mine = {name: _between(value, group[0], group[-1]) for name, value in others.items()}
            results.append(function(**mine, **self._readings.of(number, forms)))
        return pl.concat(results) if isinstance(results[0], pl.DataFrame) else list(chain.from_iterable(results))

    def let_go(self, rest: Iterable[Callable[..., Any]]) -> None:
        """Frees what neither the functions that are still to be called name nor a feature that is still to be made."""
        to_come = [*rest, *(one.make for one in self._windows.features.values() if self._is_to_be_made(one))]
        names = {name for function in to_come for name in wanted_frames(function)}
        names |= {f"{PAST_OF}{one.name}" for one in self._windows.features.values() if self._is_to_be_made(one)}
        self._seen = {name: rows for name, rows in self._seen.items() if name in names}
        self._windows.let_go(names | {name.removeprefix(PAST_OF) for name in names})

    def _is_to_be_made(self, feature: Feature) -> bool:
        return feature.is_nightly and feature not in self.made and feature.name not in self._objects

    def make_rest(self, earlier: pl.DataFrame) -> None:
        """Makes the nightly features to be stored that no detector named."""
        for feature in self._windows.features.values():
            if feature.is_nightly and feature.schema is not None:
                self._make(feature, earlier)

    def rows(self, name: str) -> pl.DataFrame | None:
        """The rows that a nightly feature gave on this day; None = there is no such feature."""
        return next((rows for feature, rows in self.made.items() if feature.name == name), None)

    def _named(self, name: str, earlier: pl.DataFrame) -> Any:
        if name == "earlier":
            return earlier
        if name in self._given:
            return self._given[name]
        if name in self._seen:
            return self._seen[name]
        if name.startswith(PAST_OF) and name not in self._windows.features:
            return self._past(self._windows.features[name.removeprefix(PAST_OF)])
        feature = self._windows.features[name]
        if feature.is_nightly:
            self._make(feature, earlier)
        if feature.schema is None:
            return self._objects[name]
        self._seen[name] = self._of_sites(self._windows.of(feature, self._day))
        return self._seen[name]

    def _past(self, feature: Feature) -> pl.DataFrame:
        name = f"{PAST_OF}{feature.name}"
        if name not in self._seen:
            self._seen[name] = self._of_sites(self._windows.before(feature, self._day))
        return self._seen[name]

    def _make(self, feature: Feature, earlier: pl.DataFrame) -> None:
        if not self._is_to_be_made(feature):
            return
        result = self._called(
            feature.make, lambda name: self._past(feature) if name == PAST else self._named(name, earlier)
        )
        if feature.schema is None:
            self._objects[feature.name] = result
            return
        rows = _as_declared(feature, result).filter(pl.col("day") == self._day)
        self.made[feature] = rows
        self._windows.note(feature, self._day, rows)


def _between(value: Any, first: str, last: str) -> Any:
    """The rows of a frame of sites that lie between two, both included; anything else as it is."""
    if not isinstance(value, pl.DataFrame) or "site_id" not in value.columns:
        return value
    return value.filter(pl.col("site_id").is_between(pl.lit(first), pl.lit(last)))
