"""A fleet as files: register, profiles, settings, and the exports that arrive on each day."""

import csv
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from tests.simulation.fleet import Fleet
from tests.simulation.forms import COUNTERS, Form
from tests.simulation.lookalikes import LOOK_ALIKES
from tests.simulation.meters import Samples, label_wall_s
from tests.simulation.site import Site
from tests.simulation.writers import Written, cells, channels_of, stamps, write

REGISTER = (
    "site_id",
    "name",
    "latitude",
    "longitude",
    "timezone",
    "export_timezone",
    "installed_kwp",
    "tilt_deg",
    "azimuth_deg",
    "inverter_kw",
    "phases",
    "feed_in_limit_kw",
    "feed_in_buffer_w",
    "import_limit_kw",
    "battery_kwh",
    "battery_reserve_pct",
    "battery_resume_pct",
    "battery_backup_floor_pct",
    "grid_charging",
    "import_price",
    "feed_in_price",
    "commissioned_on",
    "profile",
    "external_id",
)
SETTINGS = "[ingest]\nsettle_s = 0\n"


@dataclass
class Exports:
    """The fleet's rows by form, as they will arrive."""

    fleet: Fleet
    written: list[Written]
    register_days: set[int]  # days on whose morning the register is written anew

    def deliver(self, day: int, inbox: Path) -> int:
        """Writes what arrives in the morning after a day (0 = the first); returns the number of files."""
        label = (self.fleet.first + timedelta(days=day)).isoformat()
        return sum(write(one, day, label, inbox) for one in self.written)


def write_workspace(fleet: Fleet, root: Path) -> Exports:
    """Makes the workspace of the fleet, without exports."""
    (root / "profiles").mkdir(parents=True, exist_ok=True)
    (root / "noonmark.toml").write_text(SETTINGS, encoding="utf-8")
    write_register(fleet, root, 0)
    _write_tables(fleet, root)
    written = []
    for number, form in enumerate(fleet.forms):
        mine = [(site, day) for site in fleet.sites for day in [_days_in(fleet, site, number)] if day is not None]
        if not mine:
            continue
        reported = [name for site, _ in mine for name in fleet.samples[site.site_id].channels]
        channels = channels_of(form, reported)
        (root / "profiles" / f"{form.name}.toml").write_text(form.toml(channels), encoding="utf-8")
        rows = pl.concat([_rows(fleet, site, form, channels, days) for site, days in mine])
        written.append(Written(form, channels, rows))
    lifted = {
        day
        for site_id, day in fleet.event_day.items()
        if _delivery(fleet.sites[int(site_id[1:]) - 1]) == "limit lifted"
    }
    return Exports(fleet, written, lifted)


def _delivery(site: Site) -> str:
    return LOOK_ALIKES[site.role].delivery if site.role in LOOK_ALIKES else ""


def _second_form(fleet: Fleet, site: Site) -> int:
    """The form that a site moves to: another of the same sampling, or the next."""
    others = [
        n
        for n, form in enumerate(fleet.forms)
        if n != site.profile
        and form.minutes == fleet.forms[site.profile].minutes
        and form.marks != "instant"
        and not form.counter
    ]
    return others[0] if others else site.profile


def _days_in(fleet: Fleet, site: Site, form: int) -> tuple[int, int] | None:
    """The days of the site that this form exports, from (incl.) and to (excl.)."""
    if _delivery(site) == "moved":
        day, second = fleet.event_day[site.site_id], _second_form(fleet, site)
        if second == site.profile:
            return (0, fleet.days) if form == site.profile else None
        return {site.profile: (0, day), second: (day, fleet.days)}.get(form)
    return (0, fleet.days) if form == site.profile else None


def write_register(fleet: Fleet, root: Path, day: int) -> None:
    """sites.csv as it stands on a day."""
    with (root / "sites.csv").open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, REGISTER, restval="")
        table.writeheader()
        for site in fleet.sites:
            cells_ = {"site_id": site.site_id, "name": f"Roof {site.site_id[1:]}", **site.told}
            if site.external_id != site.site_id and site.devices == 1:
                cells_["external_id"] = site.external_id
            if _delivery(site) != "moved" and int(site.site_id[1:]) % 2:
                cells_["profile"] = fleet.forms[site.profile].name
            event = fleet.event_day.get(site.site_id)
            if event is not None and _delivery(site) == "limit lifted" and day >= event:
                cells_.pop("feed_in_limit_kw", None)
                cells_.pop("feed_in_buffer_w", None)
            if event is not None and _delivery(site) == "commissioned":
                cells_["commissioned_on"] = (fleet.first + timedelta(days=event)).isoformat()
            table.writerow({name: cells_.get(name, "") for name in REGISTER})


def _write_tables(fleet: Fleet, root: Path) -> None:
    planes = [(site.site_id, *plane) for site in fleet.sites for plane in _adding_up(site)]
    if planes:
        lines = ["site_id,kwp,tilt_deg,azimuth_deg", *(",".join(f"{cell}" for cell in row) for row in planes)]
        (root / "arrays.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    devices = [
        f"{site.site_id},{name},{site.external_id}{name}" for site in fleet.sites if site.devices > 1 for name in "AB"
    ]
    if devices:
        (root / "devices.csv").write_text(
            "\n".join(["site_id,device_id,external_id", *devices]) + "\n", encoding="utf-8"
        )


def _adding_up(site: Site) -> list[tuple[float, float, float]]:
    """Planes whose capacities sum to the register's."""
    total = sum(kwp for kwp, _, _ in site.arrays)
    told = float(site.told["installed_kwp"])
    return [(round(kwp * told / total, 3), tilt, azimuth) for kwp, tilt, azimuth in site.arrays]


def _rows(fleet: Fleet, site: Site, form: Form, channels: list[str], days: tuple[int, int]) -> pl.DataFrame:
    """The site's rows in a form: unit, arrives, day, the stamp's and the channels' cells."""
    samples = fleet.samples[site.site_id]
    rng = np.random.default_rng([fleet.seed, 5, int(site.site_id[1:])])
    values = {name: samples.channels[name].copy() for name in samples.channels}
    if form.counter:
        values |= counters(form, samples, rng)
    _deliveries_in_cells(fleet, site, samples, values)
    end_s = samples.seconds if form.marks == "interval end" else 0.0
    wall = label_wall_s(site, samples, end_s)
    chance = site.logger.cell_chance
    columns = {name: np.where(rng.random(len(v)) < chance, np.nan, v) for name, v in values.items() if name in channels}
    frame = pl.DataFrame({"stamp_s": samples.stamp_s + end_s, "wall_s": wall, "day": samples.day, **columns})
    absent = [pl.lit(None, dtype=pl.Float64).alias(name) for name in channels if name not in columns]
    frame = frame.with_columns(*absent, arrives=pl.Series(_arrivals(fleet, site, samples, rng)))
    # The fleet's first day is everyone's: a clock that is late does not make a day before it.
    is_inside = samples.wall_s >= first_midnight_s(fleet)
    frame = frame.filter(
        pl.Series(is_inside), pl.col("day") >= days[0], pl.col("day") < days[1], pl.col("arrives") >= 0
    )
    step = site.logger.power_step_w
    cell = [one for channel in channels for one in cells(form, channel, step)]
    base = [pl.col("arrives", "day"), *stamps(form, pl.col("stamp_s"), pl.col("wall_s"), site.zone), *cell]
    if site.devices == 1:
        return frame.select(pl.lit(site.external_id).alias("unit"), *base)
    return _by_device(frame.select(*base, strength=pl.lit(0.0)), site, fleet, form, frame)


def first_midnight_s(fleet: Fleet) -> float:
    """When the fleet's first day begins by the clocks on the wall, seconds since 1970 without a zone."""
    return datetime(fleet.first.year, fleet.first.month, fleet.first.day, tzinfo=UTC).timestamp()


def _by_device(rows: pl.DataFrame, site: Site, fleet: Fleet, form: Form, frame: pl.DataFrame) -> pl.DataFrame:
    """Two inverters: the second has half of the generation and nothing else."""
    pv = form.column("pv_w")
    halves = rows.with_columns((pl.col(pv) / 2).round(4)).drop("strength")
    second = halves.with_columns(
        pl.lit(None, dtype=pl.Float64).alias(name)
        for name, kind in halves.schema.items()
        if kind == pl.Float64 and name != pv
    )
    silent = [fault for fault in fleet.faults_of(site.site_id) if fault.kind == "site-silent"]
    for fault in silent:
        second = second.filter(pl.Series(fault.strength(frame["stamp_s"].to_numpy()) == 0))
    parts = [(halves, "A"), (second, "B")]
    names = ["unit", *halves.columns]
    return pl.concat(
        [one.with_columns(pl.lit(site.external_id + name).alias("unit")).select(names) for one, name in parts]
    )


def counters(form: Form, samples: Samples, rng: np.random.Generator) -> dict[str, np.ndarray]:
    """Counters at the end of each interval, kWh: over the site's life, or since its midnight."""
    out = {}
    grid = samples.channels["grid_w"]
    powers = {"pv_kwh_total": samples.channels["pv_w"], "import_kwh_total": grid, "feed_in_kwh_total": -grid}
    hours = samples.seconds / 3600
    wall_day = np.floor((samples.wall_s + 1) / 86_400)
    for name in COUNTERS:
        total = np.cumsum(np.clip(powers[name], 0, None) * hours / 1000)
        if form.counter == "daily":
            begins = np.flatnonzero(np.diff(wall_day, prepend=wall_day[0] - 1))
            before = np.repeat(np.concatenate([[0.0], total[begins[1:] - 1]]), np.diff([*begins, len(total)]))
            out[name] = total - before
        else:
            out[name] = total + rng.uniform(50, 30_000)
    return out


def _deliveries_in_cells(fleet: Fleet, site: Site, samples: Samples, values: dict[str, np.ndarray]) -> None:
    """A firmware that rounds from a day on."""
    if _delivery(site) == "rounding":
        after = samples.day >= fleet.event_day[site.site_id]
        for name in values:
            if name.endswith("_w"):
                values[name] = np.where(after, np.round(values[name] / 50) * 50, values[name])


def _arrivals(fleet: Fleet, site: Site, samples: Samples, rng: np.random.Generator) -> np.ndarray:
    """The day in whose following night each row arrives; -1 = never."""
    arrives = samples.day.copy()
    delivery = _delivery(site)
    if delivery == "late":
        late = np.where(rng.random(fleet.days) < 0.25, rng.integers(1, 5, fleet.days), 0)
        arrives = arrives + late[np.clip(samples.day, 0, fleet.days - 1)]
    elif delivery == "outage":
        begin = samples.true_s[0] + fleet.event_day[site.site_id] * 86_400.0 + rng.uniform(0, 20) * 3600
        lost = (samples.true_s >= begin) & (samples.true_s < begin + rng.uniform(3, 20) * 3600)
        arrives = np.where(lost, -1, arrives)
    elif delivery == "commissioned":
        arrives = np.where(samples.day < fleet.event_day[site.site_id], -1, arrives)
    return arrives
