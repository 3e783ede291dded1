"""A few roofs under one weather, lived through by the yield engine night by night, as the resolver does it.

Weather, light and roofs are the simulator's, whose clear sky and transposition are not the engine's.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Any

import numpy as np
import polars as pl

from detectors import features, wanted_frames
from detectors.features import PAST, PAST_OF
from detectors.frames import READINGS, SITES
from detectors.yields.false_alarms import PER_SITE_YEAR
from tests.simulation.axis import Axis
from tests.simulation.climates import BY_NAME
from tests.simulation.draw import draw_site
from tests.simulation.faults import Fault
from tests.simulation.live import live, prepare
from tests.simulation.meters import sample
from tests.simulation.sky import region_weather
from tests.support import build

ZONE, LATITUDE, LONGITUDE = "Europe/Zurich", 47.1, 7.4
NIGHTLY = (
    "kept_import", "yield_intervals", "roof_model", "yield_night", "yield_half_hours", "yield_residual", "yield_test",
    "yield_state", "yield_odds", "yield_case", "expected", "expected_hour",
)  # fmt: skip


@dataclass
class Roofs:
    """A fleet's register, its readings by local day, and what is true of it."""

    sites: pl.DataFrame
    planes: pl.DataFrame
    readings: dict[date, pl.DataFrame]
    faults: list[Fault]
    first: date
    days: int

    def day(self, number: int) -> date:
        return self.first + timedelta(days=number)


@dataclass
class Lived:
    """What the nights left behind: rows of each stored feature, and the last night's working objects."""

    rows: dict[str, pl.DataFrame] = field(default_factory=dict)
    objects: dict[str, Any] = field(default_factory=dict)

    def opened(self) -> dict[str, dict[str, Any]]:
        """Site -> its first case as it was opened."""
        cases = self.rows["yield_case"].filter(pl.col("day") == pl.col("opened_on")).sort("day", descending=True)
        return {row["site_id"]: row for row in cases.iter_rows(named=True)}


def fault(
    kind: str, first_day: int, *, last_day: int | None = None, size: float = float("nan"), shape: str = "step",
    **detail: Any,
) -> dict:  # fmt: skip
    """A fault for `make`: its days counted from 0, its size in %, its course and the simulator's details."""
    return {"kind": kind, "first": first_day, "last": last_day, "size": size, "shape": shape, "detail": detail}


def make(
    seed: int,
    needs: Mapping[str, Mapping[str, Any]],
    faults: Mapping[str, dict],
    *,
    first: date = date(2026, 4, 1),
    days: int = 45,
    climate: str = "temperate",
    minutes: int = 15,
) -> Roofs:
    """Sites by name with what each needs (as the simulator's `draw_site`), within some km of one another."""
    axis = Axis(first, days, 300)
    rng = np.random.default_rng(seed)
    weather_of = BY_NAME[climate]._replace(longitude=LONGITUDE)
    region = region_weather(axis, weather_of, LATITUDE, np.random.default_rng([seed, 1]))
    prepared, put = [], {}
    for number, (name, own) in enumerate(needs.items()):
        east, north = rng.uniform(-5, 5, 2)
        place = (LATITUDE + north / 111.2, LONGITUDE + east / 75.7, east, north)
        common = {"shade": False, "soiling": 0.0, "planes": 1, "planes_known": 1.0, "limit": "unlimited"}
        site = draw_site(name, 0, weather_of, place, ZONE, {**common, **own}, minutes,
                         np.random.default_rng([seed, 2, number]))  # fmt: skip
        if not own.get("shade"):
            site.roof.shade = None
        site.roof.rime = own.get("rime", 0.0)
        site.logger.power_step_w = own.get("power_step_w", 1.0)
        site.logger.gap_chance = site.logger.cell_chance = 0.0
        prepared.append(prepare(site, region, axis, None, np.random.default_rng([seed, 3, number])))
        if name in faults:
            one = faults[name]
            last = days - 1 if one["last"] is None else one["last"]
            begin, end = (axis.midnight_s(ZONE, number) for number in (one["first"], last + 1))
            days_of = (first + timedelta(days=one["first"]), first + timedelta(days=last))
            put[name] = [Fault(name, one["kind"], one["shape"], begin, end, *days_of, one["size"], one["detail"])]
    frames = []
    for number, (one, truth) in enumerate(zip(prepared, live(prepared, put, seed), strict=True)):
        mine = put.get(one.site.site_id, [])
        rows = sample(one.site, truth, mine, is_instant=False, rng=np.random.default_rng([seed, 4, number]))
        frames.append(_readings(one.site.site_id, rows))
    every = pl.concat(frames).with_columns(day=pl.col("ts_local").dt.date())
    by_day = {key[0]: rows.drop("day") for key, rows in every.partition_by("day", as_dict=True).items()}
    register = [_row(one.site) for one in prepared]
    planes = [
        {"site_id": one.site.site_id, "kwp": kwp, "tilt_deg": float(tilt), "azimuth_deg": float(azimuth)}
        for one in prepared
        for kwp, tilt, azimuth in one.site.arrays
    ]
    return Roofs(
        build.frame(SITES, register),
        build.planes(*planes),
        by_day,
        [one for mine in put.values() for one in mine],
        first,
        days,
    )


def _readings(site_id: str, rows: Any) -> pl.DataFrame:
    channels = {name: values for name, values in rows.channels.items() if name in READINGS}
    frame = pl.DataFrame(
        {
            "site_id": site_id,
            "ts_utc": pl.from_epoch(pl.Series(rows.stamp_s.astype(np.int64)), "s").cast(pl.Datetime("us")),
            "ts_local": pl.from_epoch(pl.Series(rows.wall_s.astype(np.int64)), "s").cast(pl.Datetime("us")),
            "interval_s": int(rows.seconds),
            "is_instant": False,
            **channels,
        }
    )
    missing = [pl.lit(None, kind).alias(name) for name, kind in READINGS.items() if name not in frame.columns]
    return (
        frame.with_columns(pl.col("ts_utc").dt.replace_time_zone("UTC"), pl.col("pv_w").clip(0))
        .fill_nan(None)
        .with_columns(missing)
        .select(READINGS.names())
        .cast(READINGS)
    )


def _row(site: Any) -> dict[str, Any]:
    told = {name: float(value) for name, value in site.told.items() if name in SITES and SITES[name] == pl.Float64}
    unknown = dict.fromkeys(
        ("inverter_kw", "feed_in_buffer_w", "battery_reserve_pct", "battery_resume_pct", "battery_backup_floor_pct")
    )
    return {
        **build.SITE_DEFAULTS, **unknown, "site_id": site.site_id, "external_id": site.site_id, "timezone": ZONE,
        "export_timezone": ZONE, **told,
    }  # fmt: skip


def live_nights(
    roofs: Roofs, *, days: Iterable[int] | None = None, names: Iterable[str] = NIGHTLY, before: Lived | None = None
) -> Lived:
    """Lives through the nights in order, each with the readings of its day and what earlier nights left alone."""
    found = features.load()
    wanted = list(names)
    schemas = {name: found[name].schema for name in wanted}
    lived = before or Lived({name: schema.to_frame() for name, schema in schemas.items() if schema is not None})
    for number in range(roofs.days) if days is None else days:
        live_night(roofs, roofs.day(number), wanted, lived)
    return lived


def live_night(roofs: Roofs, day: date, names: Iterable[str], lived: Lived) -> None:
    """One night more: what its features gave is added to `lived`."""
    found = features.load()
    given: dict[str, Any] = {
        "day": day, "sites": roofs.sites, "planes": roofs.planes, "earlier": build.earlier(),
        "false_alarms_per_site_year": PER_SITE_YEAR,
        "readings": roofs.readings.get(day, READINGS.to_frame()),
    }  # fmt: skip
    for feature in (found[name] for name in names):
        result = feature.make(**{
            name: _named(name, feature.name, given, lived, found, day) for name in wanted_frames(feature.make)
        })  # fmt: skip
        if feature.schema is None:
            lived.objects[feature.name] = result
        else:
            assert result.schema == feature.schema, f"{feature.name} gives other columns than it declares"
            lived.rows[feature.name] = pl.concat([lived.rows[feature.name], result])


def _named(name: str, own: str, given: dict[str, Any], lived: Lived, found: dict[str, Any], day: date) -> Any:
    if name in given:
        return given[name]
    if name in lived.objects:
        return lived.objects[name]
    until = day
    if name == PAST or name.startswith(PAST_OF):
        until = day - timedelta(days=1)
        name = own if name == PAST else name.removeprefix(PAST_OF)
    since = day - timedelta(days=found[name].window_days)
    return lived.rows[name].filter(pl.col("day").is_between(since, until))
