"""Site-days summed up, then put before the detectors, a whole fleet at once."""

import inspect
import json
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from types import ModuleType
from typing import Any

import polars as pl

import detectors
from detectors import detector_names, earlier_frame, kinds, wanted_frames
from detectors.clock import clock
from detectors.clock import light as light_marks
from detectors.finding import Finding, NotJudged, Verdict, because
from detectors.frames import DAYS, DEVICE_READINGS, READINGS
from detectors.grid import feed_in_transients, unexpected_export
from detectors.yields import fleet_yields
from pipeline import progress
from pipeline.energy import site_days as daily
from pipeline.exceptions import fold as exceptions
from pipeline.exceptions.changes import Folded, with_mended
from pipeline.exceptions.revisits import revisits
from pipeline.frames import FINDINGS, NOT_JUDGED
from pipeline.store import Store, history, kept, ledger, readings, site_model
from pipeline.timezones.local_time import day_start, utc_midnight

SITE_DAYS_AT_ONCE = 4000  # ours: at 5 min some 1.2 million rows, a few hundred MB
DAY_WINDOW = 90  # days that detectors look back on site-days: a season's change, and a month of past beyond two
LIGHT_WINDOW = clock.WINDOW_DAYS
BLOCK_DAYS = 31  # of a long span, so many days' windows are held at once


@dataclass
class Judged:
    """What a run of the detectors found."""

    days: list[date] = field(default_factory=list)
    findings: int = 0
    not_judged: int = 0
    sites_not_judged: list[str] = field(default_factory=list)  # watched, and without a reading of the last day

    @property
    def needs_person(self) -> bool:
        return bool(self.sites_not_judged)


def sum_up(store: Store, tell: progress.Advance = progress.silent) -> int:
    """How many site-days were summed up: those whose readings changed, and no others."""
    dirty = history.dirty_days(store)
    for chunk in _chunks(dirty):
        _sum_up(store, chunk)
        tell(chunk.height)
    return dirty.height


def _sum_up(store: Store, chunk: pl.DataFrame) -> None:
    first, last = chunk["day"].min(), chunk["day"].max()
    assert isinstance(first, date) and isinstance(last, date)
    sites = store.sites()
    rows = readings.read_days(store, first, last, chunk["site_id"].unique().to_list())
    mine = (
        rows.with_columns(day=pl.col("ts_local").dt.date()).join(chunk, on=["site_id", "day"], how="semi").drop("day")
    )
    whole = readings.to_sites(mine, readings.shares(store))
    days = daily.to_site_days(whole, sites)
    marks = light_marks.light_marks(mine, sites)
    frames = {
        "readings": whole.select(READINGS.names()).cast(READINGS),
        "device_readings": mine.select(DEVICE_READINGS.names()).cast(DEVICE_READINGS),
        "sites": sites,
    }
    kept_rows = {
        module.DETECTOR: module.keep(**{name: frames[name] for name in wanted_frames(module.keep)})
        for module in kept.keepers()
    }
    history.write_days(store, days, marks, kept_rows, chunk)


def _chunks(dirty: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """Runs of neighbouring days, small enough to be held at once."""
    held: list[pl.DataFrame] = []
    size, last = 0, None
    for (day,), one in sorted(dirty.partition_by("day", as_dict=True).items()):
        assert isinstance(day, date)
        if held and (size + one.height > SITE_DAYS_AT_ONCE or (last is not None and (day - last).days > 1)):
            yield pl.concat(held)
            held, size = [], 0
        for part in one.iter_slices(SITE_DAYS_AT_ONCE):
            if part.height == SITE_DAYS_AT_ONCE:
                yield part
            else:
                held.append(part)
                size += part.height
        last = day
    if held:
        yield pl.concat(held)


def due_days(store: Store, now: datetime, judge_after_h: float) -> list[date]:
    """Days not yet judged or due again, oldest first, and the judged ones after them, which look back on them.

    A day is due once it has ended at every watched site, some hours ago.
    """
    open_days = history.unjudged_days(store)
    if not open_days:
        return []
    ends = _day_ends(store)
    last_judged = history.last_judged_day(store)
    first, last = open_days[0], max(open_days[-1], last_judged or open_days[-1])
    span = sorted({day + timedelta(days=n) for day in history.days_with_readings(store) for n in range(DAY_WINDOW + 1)})
    asked = [day for day in span if first <= day <= last]  # further from any reading, nothing can be judged
    return [day for day in asked if ends(day) + timedelta(hours=judge_after_h) <= now]


def _day_ends(store: Store) -> Callable[[date], datetime]:
    """The instant at which a local day has ended at every watched site."""
    zones = [zone for (zone,) in store.con.execute("SELECT DISTINCT timezone FROM site WHERE watched").fetchall()]

    def ends(day: date) -> datetime:
        return max(
            (day_start(zone, day + timedelta(days=1)) for zone in zones), default=utc_midnight(day + timedelta(days=1))
        )

    return ends


def has_ended(store: Store, day: date, now: datetime) -> bool:
    """Whether the local day is over at every watched site."""
    return _day_ends(store)(day) <= now


def judge(store: Store, days: Sequence[date], tell: progress.Advance = progress.silent) -> Judged:
    """Puts each day before every detector; what was said of it before is replaced."""
    result = Judged()
    for start in range(0, len(days), BLOCK_DAYS):
        block = days[start : start + BLOCK_DAYS]
        site_days = history.site_days(store, block[0] - timedelta(days=DAY_WINDOW), block[-1])
        devices = store.frame("SELECT site_id, device_id FROM device")
        light = of_devices(history.light(store, block[0] - timedelta(days=LIGHT_WINDOW), block[-1]), devices)
        kept_rows = {
            name: of_devices(rows, devices)
            for name, rows in kept.read(store, block[0] - timedelta(days=DAY_WINDOW), block[-1]).items()
        }
        for day in block:
            _judge_day(store, day, site_days, light, kept_rows, result)
            tell(1)
    return result


def _judge_day(
    store: Store,
    day: date,
    site_days: pl.DataFrame,
    light: pl.DataFrame,
    kept_rows: dict[str, pl.DataFrame],
    result: Judged,
) -> None:
    # Sites that are not watched raise nothing, but their roofs still tell what the sky did.
    sites = store.sites().filter(pl.col("commissioned_on").is_null() | (pl.col("commissioned_on") <= day))
    watched = sites.filter("watched")
    devices = readings.read_days(store, day, day)
    rows = readings.to_sites(devices, readings.shares(store))
    devices = of_devices(devices, store.frame("SELECT site_id, device_id FROM device"))
    frames: dict[str, object] = {
        "day": day,
        "sites": sites,
        "planes": store.planes(),
        "readings": of_sites(rows.select(READINGS.names()).cast(READINGS), sites),
        "device_readings": of_sites(devices.select(DEVICE_READINGS.names()).cast(DEVICE_READINGS), sites),
        "days": of_sites(_trailing(site_days, day, DAY_WINDOW), sites),
        "light": of_sites(_trailing(light, day, LIGHT_WINDOW), sites),
        "implausible_stamps": of_sites(ledger.implausible_stamps(store, day), sites),
    }
    verdicts: list[Verdict] = []
    modules, about = detectors.load(), kinds()
    for module in modules:
        frames["earlier"] = earlier_frame((v for v in verdicts if isinstance(v, Finding)), about)
        if module.DETECTOR in kept_rows:
            frames["kept"] = of_sites(_trailing(kept_rows[module.DETECTOR], day, DAY_WINDOW), sites)
        if "yields" in wanted_frames(module.detect) and "yields" not in frames:
            of_all = of_sites(_trailing(kept_rows[fleet_yields.KEPT_BY], day, DAY_WINDOW), sites)
            frames["yields"] = _yields(store, {**frames, "kept": of_all}, day)
        verdicts += module.detect(**{name: frames[name] for name in wanted_frames(module.detect)})
    raising = set(watched["site_id"])
    found = [v for v in verdicts if isinstance(v, Finding) and v.site_id in raising]
    silent = [v for v in verdicts if isinstance(v, NotJudged) and v.site_id in raising]
    silent += _nothing_to_judge(watched, rows, verdicts, [module.DETECTOR for module in modules], day)
    history.write_verdicts(
        store, day, _findings_frame(found), _not_judged_frame(silent),
        watched["site_id"].to_list(), _expected(modules, frames, day),
    )  # fmt: skip
    result.days.append(day)
    result.findings += len(found)
    result.not_judged += len(silent)
    result.sites_not_judged = sorted(_without_readings(watched, rows))


def _yields(store: Store, frames: dict[str, Any], day: date) -> fleet_yields.Yields:
    """What the yield detectors share, worked out once; what it learned of the roofs is remembered."""
    given = {**frames, "models": site_model.read_before(store, day)}
    seen = fleet_yields.look(**{name: given[name] for name in wanted_frames(fleet_yields.look)})
    site_model.write(store, day, seen.learned)
    return seen


def of_devices(frame: pl.DataFrame, devices: pl.DataFrame) -> pl.DataFrame:
    """The rows of devices that the register knows today: one that was taken out is not silent, it is gone."""
    if "device_id" not in frame.columns:
        return frame
    known = frame.join(devices, on=["site_id", "device_id"], how="semi", maintain_order="left")
    alone = frame.filter(pl.col("device_id") == "").join(devices, on="site_id", how="anti", maintain_order="left")
    return alone if known.is_empty() else pl.concat([alone, known])


def of_sites(frame: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """The rows of these sites, without days before they were commissioned."""
    mine = frame.join(sites.select("site_id", "commissioned_on"), on="site_id", how="inner", maintain_order="left")
    day = pl.col("day") if "day" in frame.columns else pl.col("ts_local").dt.date()
    return mine.filter(pl.col("commissioned_on").is_null() | (day >= pl.col("commissioned_on"))).select(frame.columns)


def _trailing(frame: pl.DataFrame, day: date, window: int) -> pl.DataFrame:
    return frame.filter(pl.col("day").is_between(day - timedelta(days=window), day))


def _expected(modules: Sequence[ModuleType], frames: dict[str, object], day: date) -> pl.DataFrame:
    """[site_id, day, expected_kwh, performance_pct] of the day, by the detector that knows what a roof should yield."""
    for module in modules:
        if hasattr(module, "expected"):
            wanted = [p.name for p in inspect.signature(module.expected).parameters.values() if p.name in frames]
            told = module.expected(**{name: frames[name] for name in wanted})
            return told.filter(pl.col("day") == day).select("site_id", "day", "expected_kwh", "performance_pct")
    return DAYS.to_frame().select("site_id", "day", "expected_kwh", "performance_pct")


def _nothing_to_judge(
    sites: pl.DataFrame, rows: pl.DataFrame, verdicts: Sequence[Verdict], names: Sequence[str], day: date
) -> Iterator[NotJudged]:
    """A reason for every detector that said nothing of a site without a single reading: silence is not health."""
    owners = detector_names()
    said = {(v.site_id, owners[v.kind] if isinstance(v, Finding) else v.detector) for v in verdicts}
    for site_id in _without_readings(sites, rows):
        for name in names:
            if (site_id, name) not in said:
                yield NotJudged(site_id, day, name, because({}, "no-readings"))


def _without_readings(sites: pl.DataFrame, rows: pl.DataFrame) -> list[str]:
    return sites.join(rows.select("site_id").unique(), on="site_id", how="anti")["site_id"].to_list()


def _findings_frame(found: Sequence[Finding]) -> pl.DataFrame:
    rows = []
    for verdict in found:
        told = verdict.model_dump()
        drawn = told.pop("series")
        rows.append({**told, "evidence": _json({**told["evidence"], **({"series": drawn} if drawn else {})})})
    return pl.DataFrame(rows, schema=FINDINGS, orient="row")


def _not_judged_frame(silent: Sequence[NotJudged]) -> pl.DataFrame:
    rows = [(*verdict, verdict.reason.code, _json(verdict.reason.values)) for verdict in silent]
    return pl.DataFrame(rows, schema=NOT_JUDGED, orient="row")


def _json(value: object) -> str:
    return json.dumps(_finite(value), ensure_ascii=False)


def _finite(value: object) -> object:
    """JSON has no NaN: a figure that is not known is null."""
    if isinstance(value, dict):
        return {name: _finite(one) for name, one in value.items()}
    if isinstance(value, list):
        return [_finite(one) for one in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def fold(store: Store, day: date) -> Folded:
    """The exceptions as they stood at the end of `day`, and what changed them."""
    findings, judged, silent = history.verdicts(store, day)
    folded = exceptions.fold(
        findings, judged, silent, history.decisions(store), store.sites(), kinds(), detector_names(), day=day
    )
    return with_mended(folded, history.mended(store), day=day)


def update_exceptions(store: Store) -> None:
    """Brings the exceptions, revisits and advice to the end of the last judged day."""
    day = history.last_judged_day(store)
    if day is not None:
        now = fold(store, day)
        sheet = revisits(now.exceptions, store.sites(), kinds())
        history.write_exceptions(store, now.exceptions, sheet, now.events)
        name = unexpected_export.DETECTOR
        slips = kept.read(store, day - timedelta(days=DAY_WINDOW), day, only=[name])[name]
        store.replace("export_advice", feed_in_transients.buffer_advice(slips, store.sites()))
