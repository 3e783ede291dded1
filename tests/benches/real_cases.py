"""What is put into real series: wrong clocks, less power, days without, frozen values, a meter turned."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from tests.support.clock_roofs import Array
from tests.support.real_sites import CLOCK_KINDS, SENTINEL_W, YEAR, YIELD_KINDS, RealSite

ONSET_SHARE = 0.5  # of the days: faults that do not last from the first day begin here
ZERO_DAYS = 3
FROZEN_DAYS = 2
DRIFT_S = 60.0
Minutes = Callable[[Array], Array]  # minutes that stamps are late, by days since the onset


@dataclass(frozen=True)
class Case:
    """A fault to put in, or none."""

    name: str
    right: frozenset[str] = frozenset()  # the kinds that say it
    family: frozenset[str] = frozenset()  # the kinds of which another is the wrong one
    is_from_first_day: bool = False
    late_min: Minutes | None = None
    factor: float | None = None
    lasts_days: int | None = None
    effect: str = ""  # "" | zero | frozen | meter turned | saving left out
    onset_share: float = ONSET_SHARE

    def fits(self, site: RealSite) -> bool:
        """Whether the fault can be put into such a series, and told from the errors that it holds."""
        if self.family == CLOCK_KINDS:
            return "pv_w" in site.channels and site.has_right_clock
        return "grid_w" in site.channels if self.effect == "meter turned" else "pv_w" in site.channels or not self.right

    def onset(self, site: RealSite, days: int) -> date:
        """The fault's first day."""
        if self.effect == "saving left out":
            return max(site.first, spring_change(site.timezone))
        return site.first + timedelta(days=0 if self.is_from_first_day else int(days * self.onset_share))

    def kinds(self, site: RealSite) -> frozenset[str]:
        """The kinds that are right: without a change of clocks in the span, an hour off is the wrong zone."""
        if self.effect == "saving left out" and spring_change(site.timezone) <= site.first:
            return self.right | {"time-zone-wrong"}
        return self.right


def _constant(minutes: float) -> Minutes:
    return lambda days: np.full(len(days), minutes)


def _drift(days: Array) -> Array:
    return np.maximum(days, 0.0) * DRIFT_S / 60


STEP, ALWAYS = frozenset({"string-loss", "underperformance"}), frozenset({"capacity-mismatch", "underperformance"})
ZONE = frozenset({"time-zone-wrong"})
UNTOUCHED = Case("untouched")
CASES = (
    *(Case(f"clock {m:+d} min", ZONE, CLOCK_KINDS, True, _constant(m)) for m in (60, -60, -30)),
    Case("clock drift 60 s/day", frozenset({"clock-drift"}), CLOCK_KINDS, late_min=_drift),
    Case("saving left out", frozenset({"daylight-saving-wrong"}), CLOCK_KINDS, effect="saving left out"),
    *(Case(f"PV x{f} step", STEP, YIELD_KINDS, factor=f) for f in (0.5, 0.7, 0.9)),
    *(Case(f"PV x{f} always", ALWAYS, YIELD_KINDS, True, factor=f) for f in (0.5, 0.7, 0.9)),
    Case("zero days", frozenset({"no-generation"}), YIELD_KINDS, effect="zero", lasts_days=ZERO_DAYS),
    Case(
        "frozen", frozenset({"readings-frozen"}), frozenset({"readings-implausible", "unexplained", "site-silent"}),
        effect="frozen", lasts_days=FROZEN_DAYS,
    ),
    Case(
        "meter turned", frozenset({"meter-reversed"}), frozenset({"balance-broken", "unexpected-export"}),
        effect="meter turned",
    ),
)  # fmt: skip


def spring_change(zone: str) -> date:
    """The day of YEAR on which daylight saving begins in the zone; the year's end where it never does."""
    info, day = ZoneInfo(zone), date(YEAR, 1, 1)
    noon = [datetime(day.year, 1, 1, 12, tzinfo=info) + timedelta(days=n) for n in range(365)]
    return next((n.date() for n in noon if n.dst()), date(YEAR, 12, 31))


def export_rows(site: RealSite, case: Case, days: int) -> pl.DataFrame:
    """What the logger writes in the span: label (its zone's wall clock, interval start), day, and the channels in W."""
    padded = timedelta(days=1)
    start = (site.first - padded - site.begin).days * 1440 // site.interval_min
    count = (days + 2) * 1440 // site.interval_min
    channels = {name: _slice(values, start, count) for name, values in site.channels.items()}
    epoch_min = (site.first - padded - date(1970, 1, 1)).days * 1440.0
    stamps = epoch_min + site.interval_min * np.arange(count, dtype=np.float64)
    onset_min = (case.onset(site, days) - date(1970, 1, 1)).days * 1440.0
    channels = _spoiled(channels, case, stamps - onset_min)
    if case.late_min is not None:
        late = case.late_min((stamps - onset_min) / 1440)
        channels = {name: restamped(values, late, site.interval_min) for name, values in channels.items()}
    frame = pl.DataFrame({"stamp": (stamps * 60e6).astype(np.int64), **channels}).with_columns(
        pl.col("stamp").cast(pl.Datetime("us", "UTC"))
    )
    label = _wall(site, case)
    return (
        frame.with_columns(label=label, day=label.dt.date())
        .filter(pl.col("day").is_between(site.first, site.first + timedelta(days=days - 1)))
        .with_columns(pl.col(list(channels)).fill_nan(None))
        .filter(pl.any_horizontal(pl.col(list(channels)).is_not_null()))
        .select("label", "day", *channels)
    )


def _wall(site: RealSite, case: Case) -> pl.Expr:
    stamp = pl.col("stamp")
    if case.effect != "saving left out":
        return stamp.dt.convert_time_zone(site.export_timezone).dt.replace_time_zone(None)
    winter = datetime(YEAR, 1, 1, tzinfo=UTC).astimezone(ZoneInfo(site.timezone)).utcoffset() or timedelta(0)
    return stamp.dt.replace_time_zone(None) + pl.lit(winter)


def told_zone(site: RealSite, case: Case) -> str:
    """The export_timezone that the register claims."""
    return site.timezone if case.effect == "saving left out" else site.export_timezone


def _slice(values: Array, start: int, count: int) -> Array:
    out = np.full(count, np.nan)
    low, high = max(start, 0), min(start + count, len(values))
    out[low - start : high - start] = values[low:high]
    return out


def _spoiled(channels: dict[str, Array], case: Case, minutes: Array) -> dict[str, Array]:
    """The channels with the fault from minute 0 on, UTC. The rest of the flows keeps their balance."""
    last = np.inf if case.lasts_days is None else case.lasts_days * 1440
    on = (minutes >= 0) & (minutes < last)
    if case.effect == "frozen":
        return {name: _held(values, on, minutes) for name, values in channels.items()}
    if case.effect == "meter turned":
        grid_w = np.where(on, -channels["grid_w"], channels["grid_w"])
        out = {**channels, "grid_w": grid_w}
        if "load_w" in channels:  # the system computes it from the other two
            out["load_w"] = np.maximum(channels["pv_w"] + grid_w, 0.0)
        return out
    factor = 0.0 if case.effect == "zero" else case.factor
    if factor is None:
        return channels
    pv_w = np.where(on, channels["pv_w"] * factor, channels["pv_w"])
    out = {**channels, "pv_w": pv_w}
    if "grid_w" in channels:
        out["grid_w"] = channels["grid_w"] + channels["pv_w"] - pv_w
    return out


def _held(values: Array, on: np.ndarray, minutes: Array) -> Array:
    """Every value as it was in the middle of the first day, or the next that is there."""
    known = np.flatnonzero(on & (minutes >= 720) & np.isfinite(values))
    held = values.copy()
    if len(known):
        held[on & (minutes >= minutes[known[0]])] = values[known[0]]
    return held


def restamped(values: Array, late_min: Array, interval_min: int) -> Array:
    """Means over the intervals as a logger averages them whose stamps are late by `late_min`; energy is kept."""
    known = np.isfinite(values) & (values > SENTINEL_W / 2)
    energy = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    there = np.concatenate([[0.0], np.cumsum(known)])
    grid = np.arange(len(values) + 1, dtype=np.float64)
    begin = np.arange(len(values)) - late_min / interval_min
    end = begin + 1.0
    covered = np.interp(end, grid, there) - np.interp(begin, grid, there)
    mean = np.interp(end, grid, energy) - np.interp(begin, grid, energy)
    return np.where(covered >= 0.95, mean, np.nan)
