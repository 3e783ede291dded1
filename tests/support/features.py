"""Features for tests: made by name from the frames that a test gives, as the pipeline makes them."""

from collections.abc import Iterable
from datetime import date
from types import ModuleType
from typing import Any

import polars as pl

from detectors import features, wanted_frames
from detectors.data_quality.flags import make_flags
from detectors.frames import COUNTED_READINGS, QUARANTINED_FILES, SITE_DEVICES
from detectors.yields.false_alarms import PER_SITE_YEAR

RAW = "raw_"


def call(function: Any, given: dict[str, Any], made: dict[str, Any] | None = None) -> Any:
    """The result of a detector's or a feature's function; features that `given` does not hold are made, each once.

    Features of readings are made from `span_readings` and `span_device_readings` where these are given, as the
    pipeline makes them day by day; rows of earlier days (`past`, `past_<NAME>`) are none. `made` keeps the features
    for further calls with the same frames.
    """
    made = {} if made is None else made
    return function(**{name: _named(name, given, made) for name in wanted_frames(function)})


def _named(name: str, given: dict[str, Any], made: dict[str, Any]) -> Any:
    if name in given:
        return given[name]
    if name.startswith(RAW):
        return given[name.removeprefix(RAW)]
    if name == "false_alarms_per_site_year":
        return PER_SITE_YEAR
    if name == "counted_readings":  # no counters beside the powers
        return COUNTED_READINGS.to_frame()
    if name == "devices":  # no site of several
        return SITE_DEVICES.to_frame()
    if name == "quarantined_files":
        return QUARANTINED_FILES.to_frame()
    if name == "reading_flags":
        return flagged(given, made)
    found = features.load()
    if name not in found and name.startswith(features.PAST_OF):
        schema = found[name.removeprefix(features.PAST_OF)].schema
        assert schema is not None
        return schema.to_frame()
    if name in made:
        return made[name]
    feature = found[name]
    of_span = {} if feature.is_nightly else {
        name: given[f"span_{name}"] for name in ("readings", "device_readings") if f"span_{name}" in given
    }  # fmt: skip
    past = {} if feature.schema is None else {features.PAST: feature.schema.to_frame()}
    rows = call(feature.make, {**given, **of_span, **past}, made)
    made[name] = rows if feature.schema is None else rows.select(feature.schema.names()).cast(feature.schema)
    return made[name]


def flagged(given: dict[str, Any], made: dict[str, Any] | None = None) -> pl.DataFrame:
    """READING_FLAGS of the day's readings, which count as reported."""
    made = {} if made is None else made
    seen = given["days"].filter(pl.col("readings") > 0).select("site_id", "day")
    repeats, peaks, sizes = (_named(name, given, made) for name in ("repeats", "flow_peaks", "flow_sizes"))
    return make_flags(given["device_readings"], repeats, peaks, seen, given["sites"], flow_sizes=sizes)


def made_for(modules: Iterable[ModuleType], given: dict[str, Any]) -> dict[str, pl.DataFrame]:
    """The features of readings that these detectors name, made of all the days in `given`, by name."""
    found = features.load()
    names = {name for module in modules for name in wanted_frames(module.detect) if name in found}
    made: dict[str, Any] = {}
    return {name: _named(name, given, made) for name in sorted(names) if not found[name].is_nightly}


def until(made: dict[str, pl.DataFrame], day: date) -> dict[str, pl.DataFrame]:
    """The features' rows up to and including `day`."""
    return {name: rows.filter(pl.col("day") <= day) for name, rows in made.items()}
