"""Real series as sites: what is known of each, its power by channel, and the errors that it is known to hold.

The series are those of clock_series, and from the open data Aargau's third site (grid alone) and four inverters of
five minutes. Each is moved by whole years into one calendar year, so that several share a workspace; the sun is then
off by three quarters of a day at the most, 20 seconds of solar time.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np
import polars as pl

from tests.support import clock_series
from tests.support.clock_roofs import Array, Roof
from tests.support.clock_series import Series

YEAR = 2018  # both its spring changes fall within a day or so of those of the years measured
BEST_RATIO = 0.85  # ours: best power over peak capacity of a usual roof, where the capacity is not published
CLOCK_KINDS = frozenset({"time-zone-wrong", "daylight-saving-wrong", "clock-drift", "clock-step"})
YIELD_KINDS = frozenset({"underperformance", "no-generation", "string-loss", "capacity-mismatch", "unexplained"})
SENTINEL_W = -1e6  # below: a value that stands for a missing one


class Known(NamedTuple):
    """A true error of a series: saying so is no false alarm."""

    kinds: frozenset[str]
    first: date
    last: date
    why: str


@dataclass(frozen=True)
class RealSite:
    """One series as a site."""

    site_id: str
    latitude: float
    longitude: float
    timezone: str
    export_timezone: str
    kwp: float
    inverter_kw: float | None
    interval_min: int
    first: date  # of the days to judge, moved into YEAR
    begin: date  # of the arrays, moved likewise
    channels: dict[str, Array]  # W, mean of each interval from 00:00 UTC of `begin`; NaN where missing
    has_right_clock: bool = True
    known: tuple[Known, ...] = field(default=())

    @property
    def days(self) -> int:
        """Days from `first` to the end of the series."""
        length = len(next(iter(self.channels.values())))
        return length * self.interval_min // 1440 - (self.first - self.begin).days


# First day to judge, by series; 1 March where not named. Daylight saving begins within the span that follows.
FIRST = {
    "serf-east": date(2016, 7, 2),
    "denver-6kw": date(2012, 3, 1),
    "denver-sensor": date(2019, 3, 1),
    "res_7kw": date(2016, 3, 6),
    "res_7kw_b": date(2015, 7, 2),
    "aargau-C": date(2019, 7, 2),
    "com_30kw": date(2019, 3, 1),
}
KWP = {
    "turin-2019": 604.6,
    "turin-2020": 604.6,
    "almeria": 399.2,  # a tenth of the plant: the register refuses what no roof carries
    "denver-sensor": 1.2,  # 1 W/m2 stands for 1 W
}
SCALE = {"almeria": 0.1}
END = date(2030, 1, 1)
KNOWN = {
    "denver-6kw": (
        Known(CLOCK_KINDS, date(2011, 4, 15), END, "labels follow daylight saving, claimed is none"),
        Known(frozenset({"site-silent"}), date(2012, 4, 18), date(2012, 4, 20), "no readings for a day and a half"),
    ),
    "turin-2019": (Known(CLOCK_KINDS, date(2019, 10, 27), END, "labelled an hour early from then on"),),
    "turin-2020": (Known(CLOCK_KINDS, date(2020, 10, 25), END, "labelled an hour early from then on"),),
    "denver-sensor": (
        Known(frozenset({"site-silent"}), date(2019, 3, 1), date(2019, 3, 19), "one to five quarter hours a day"),
        Known(YIELD_KINDS | {"readings-implausible"}, date(2023, 6, 19), END, "noise"),
    ),
    "aargau-A": (Known(YIELD_KINDS, date(2019, 1, 5), date(2019, 2, 27), "snow, lying longer than on B"),),
    "res_5kw": (Known(frozenset({"readings-implausible"}), date(2016, 1, 1), END, "58 values of -1,000,000 kW"),),
    "res_7kw": (
        Known(frozenset({"readings-implausible"}), date(2016, 3, 5), END, "3 values of -1,000,000 kW"),
        Known(YIELD_KINDS, date(2016, 4, 6), date(2016, 4, 29), "weak days 6 to 9 April, told within 20 days"),
    ),
}
# The inverters' places are not published: these fit noon and day length over each series, so that their clocks are
# right by construction. The last two carry local standard time all year.
INVERTERS = {  # latitude, longitude, the zone of the labels, AC rating in kW
    "res_7kw": (34.0, -118.8, "UTC", 7.03),
    "com_30kw": (34.0, -118.6, "UTC", 30.07),
    "res_5kw": (36.0, -118.5, "Etc/GMT+8", 4.75),
    "res_7kw_b": (36.0, -117.8, "Etc/GMT+8", 7.1),
}


def real_sites() -> Iterator[RealSite]:
    """Every series that can be had here, as a site."""
    folder = clock_series.open_data()
    flows = _flows(folder) if folder else {}
    for series in clock_series.all_series():
        yield to_site(series, flows.get(series.roof.site_id, {}))
    if folder:
        grid = flows["aargau-C"]["grid_w"]
        roof = Roof("aargau-C", 47.39, 8.05, "Europe/Zurich")
        yield to_site(Series(roof, date(2018, 12, 31), 366, 15, np.full(len(grid), np.nan), ""), flows["aargau-C"])
        yield from map(to_site, _inverters(folder))


def to_site(series: Series, flows: dict[str, Array] | None = None) -> RealSite:
    """The series as a site of YEAR, with the further channels of `flows`."""
    roof, name = series.roof, series.roof.site_id
    first = FIRST.get(name, date(series.first.year if series.first.month < 12 else series.first.year + 1, 3, 1))
    moved = first.replace(year=YEAR) - first
    channels = {} if np.isnan(series.power).all() else {"pv_w": series.power * SCALE.get(name, 1.0)}
    channels |= flows or {}
    latitude, longitude = roof.latitude, roof.longitude
    known = tuple(k._replace(first=k.first + moved, last=k.last + moved) for k in KNOWN.get(name, ()))
    return RealSite(
        name, latitude, longitude, roof.timezone, roof.export_timezone or roof.timezone,
        KWP.get(name) or round(_best_kw(channels) / BEST_RATIO, 1), INVERTERS[name][3] if name in INVERTERS else None,
        series.interval_min, first + moved, series.first + moved, channels, name != "denver-6kw", known,
    )  # fmt: skip


def _best_kw(channels: dict[str, Array]) -> float:
    """Best power that is reached more than once; of a site without PV readings, its best feed-in."""
    power = channels["pv_w"] if "pv_w" in channels else -channels["grid_w"]
    return float(np.nanquantile(power[power > 0], 0.999)) / 1000


def _flows(folder: Path) -> dict[str, dict[str, Array]]:
    """Grid and load of Aargau's sites, on the grid of their series: 00:00 UTC of 31 December 2018, 366 days."""
    frame = pl.read_parquet(folder / "aew_ch_2019" / "flows_15min.parquet").sort("site", "row")
    out: dict[str, dict[str, Array]] = {}
    for name in ("A", "B", "C"):
        rows = frame.filter(pl.col("site") == name)
        grid_w = ((rows["import_kw"] - rows["export_kw"]) * 1000).to_numpy()
        flows = {"grid_w": grid_w} | ({} if name == "C" else {"load_w": (rows["load_kw"] * 1000).to_numpy()})
        out[f"aargau-{name}"] = {channel: _from_last_december(values) for channel, values in flows.items()}
    return out


def _from_last_december(values: Array) -> Array:
    """Row 0 begins at 22:45 UTC of 31 December (see clock_series.aargau)."""
    grid = np.full(366 * 96, np.nan)
    grid[91 : 91 + len(values)] = values
    return grid


def _inverters(folder: Path) -> Iterator[Series]:
    frame = pl.read_parquet(folder / "pv_inverter_5min" / "ac_power_5min.parquet").drop_nulls()
    for name, (latitude, longitude, labels, _) in INVERTERS.items():
        rows = frame.filter(pl.col("site") == name).sort("ts")
        stamps = rows["ts"].dt.replace_time_zone(labels).dt.convert_time_zone("UTC")
        minute = stamps.dt.epoch("us").to_numpy() // 60_000_000
        first_day = int(minute.min() // 1440)
        days = int(minute.max() // 1440) - first_day + 1
        power = np.full(days * 288, np.nan)
        power[(minute - first_day * 1440) // 5] = rows["ac_power_kw"].to_numpy() * 1000
        roof = Roof(name, latitude, longitude, "America/Los_Angeles", labels)
        yield Series(roof, date(1970, 1, 1) + timedelta(days=first_day), days, 5, power, "right by its place")
