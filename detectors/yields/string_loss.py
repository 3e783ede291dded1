"""One of a roof's inputs, or a share of its power that is one, gone from one day to the next.

A blown fuse, an open connector, an input switched off: the rest of the roof runs on, so nobody looks.
"""

from datetime import date
from typing import NamedTuple

import numpy as np
import polars as pl

from detectors.finding import Finding, Kind, NotJudged, Reason, Series, Verdict, because, series
from detectors.stats import level_shift
from detectors.stats.robust import Array, median
from detectors.yields import hourly, snow
from detectors.yields.energy_value import worth
from detectors.yields.fleet_yields import Yields
from detectors.yields.peer_comparison import RECENT_DAYS

DETECTOR = "string-loss"
KIND = "string-loss"
RANK = 61
KINDS = {
    KIND: Kind(
        title="One of its inputs went missing",
        group="yield",
        hides=("unexplained",),
        hides_why="the lost input is what is unlike its past",
        close_after=3,
        where="site",
        bring=(
            "string plan",
            "DC clamp meter",
            "insulation tester",
            "spare connectors and fuses of the type installed",
        ),
        proof="In sun, every input shows its current for 15 minutes, in proportion to its modules.",
        cause="A string is open or switched off: a fuse, a connector, a cable, or the inverter's input itself.",
        next_step="Service desk: compare the inputs' voltages and currents at noon; "
        "send the installer with the string plan to the input that is down.",
        steps=(
            "Compare voltage and current of every input at noon with the string plan.",
            "Isolate AC, then PV DC; prove dead before touching a connector or fuse.",
            "Measure open-circuit voltage and insulation of the input that is down.",
            "Check fuses, connectors and the cable along its way.",
            "Swap inputs to tell the string from the inverter.",
        ),
        cautions=(
            "Qualified persons only. PV conductors are live in daylight with AC off; "
            "never part DC connectors or open fuses under load.",
            "No work on wet roofs; fall protection.",
        ),
    )
}
REASONS = {
    "too-dark": "too dark a day to compare its inputs",
    "few-days": "only {days} days with light on its inputs",
    "no-expectation": "no expectation for the day",
    "short-past": "too few judged days before",
}

INPUTS = tuple(f"pv{n}_kwh" for n in range(1, 5))
LOST_RATIO = 0.7  # ours: of what the other inputs promise; two strings on an input leave a half when one goes
SURE_DAYS, SNOW_DAYS = 2, 6  # ours: days in a row; snow that lies on one side of the roof is gone after six
LEAST_SHARE_PCT = 5.0  # ours: an input smaller than that is noise, or none
LEAST_KWH_PER_KWP = 0.3  # ours: darker days than this tell inputs apart badly
PARTS = (2, 3, 4)  # inputs of a roof; one of five or more is no clearer than dust
PART_TOLERANCE = 0.025  # ours: half the way between a third and a quarter is 4 %
MIN_AFTER_DAYS = 4
EVEN_RATIO = 0.15  # ours: morning, noon and evening must lose alike; shade takes one of them
THIRD_H = 1.5  # hours about solar noon that count as noon


class Lost(NamedTuple):
    """What went missing at a site."""

    share_pct: float  # of its power
    since: date
    what: str
    evidence: dict
    series: tuple[Series, ...]


def detect(yields: Yields, days: pl.DataFrame, day: date) -> list[Verdict]:
    """A finding per watched site that lost an input on a day; the value is the % of its power that is missing."""
    seen = yields.seen
    if seen.sites.is_empty() or days.is_empty():
        return []
    today = days.filter(pl.col("day") == day)
    fed_in_kwh = dict(today.select("site_id", "feed_in_kwh").iter_rows())
    inputs = {site: rows for (site,), rows in yields.kept.partition_by("site_id", as_dict=True).items()}
    models = {row["site_id"]: row for row in yields.models.iter_rows(named=True)}
    verdicts: list[Verdict] = []
    for row, site in enumerate(seen.sites.iter_rows(named=True)):
        site_id = site["site_id"]
        if site["watched"] is False:
            continue
        if reason := yields.doubts.get(site_id):
            verdicts.append(NotJudged(site_id, day, DETECTOR, reason))
            continue
        mine = inputs.get(site_id)
        has_inputs = mine is not None and mine.select(INPUTS).null_count().sum_horizontal().item() < 3 * mine.height
        if has_inputs and mine is not None:
            lost = _input_lost(yields, row, mine, models.get(site_id), day)
        else:
            lost = _share_lost(yields, row, mine)
        if isinstance(lost, Reason):
            verdicts.append(NotJudged(site_id, day, DETECTOR, lost))
        elif lost is not None:
            each = worth(site, float(seen.actual_kwh[row, -1]), fed_in_kwh.get(site_id))
            verdicts.append(_finding(yields, row, site_id, lost, each))
    return verdicts


def _input_lost(yields: Yields, row: int, mine: pl.DataFrame, model: dict | None, day: date) -> Lost | Reason | None:
    """The input that gives less than the others promise, or why nobody can say."""
    mine = mine.sort("day")
    energy = np.column_stack([mine[name].cast(pl.Float64).fill_null(float("nan")).to_numpy() for name in INPUTS])
    total = np.nansum(energy, axis=1)
    kwp = yields.seen.sites["installed_kwp"][row]
    is_light = total >= LEAST_KWH_PER_KWP * kwp
    if mine["day"][-1] != day or not is_light[-1]:
        return because(REASONS, "too-dark")
    if is_light.sum() <= SURE_DAYS:
        return because(REASONS, "few-days", days=int(is_light.sum()))
    share = np.where(is_light[:, None], energy / np.maximum(total, 1e-9)[:, None], np.nan)
    worst: Lost | None = None
    for n in range(len(INPUTS)):
        sound = _sound_share(share[:, n], model, n + 1)
        if not np.isfinite(sound) or sound * 100 < LEAST_SHARE_PCT or sound > 0.999:
            continue
        # What the others made promises this input's part; a share alone would hide how much of it is gone.
        others = total - np.nan_to_num(energy[:, n])
        promised = others * sound / (1 - sound)
        with np.errstate(invalid="ignore", divide="ignore"):
            left = np.where(is_light & (others > 0.1 * total), energy[:, n] / promised, np.nan)
        judged = np.flatnonzero(np.isfinite(left))
        low = judged[left[judged] < LOST_RATIO]
        good = judged[left[judged] >= LOST_RATIO]
        if len(judged) == 0 or len(good) == 0 or judged[-1] in good:
            continue
        spell = low[low > good[-1]]
        began = len(yields.seen.dates) - 1 - (day - mine["day"][int(spell[0])]).days if len(spell) else -1
        is_snow = snow.is_possible(yields, row) and snow.fell_around(yields, row, began)
        if len(spell) < (SNOW_DAYS if is_snow else SURE_DAYS) or not _stays(left[spell]):
            continue
        gone = float(sound * (1 - np.median(left[spell])))
        if worst is None or gone * 100 > worst.share_pct:
            name = INPUTS[n][:3]
            evidence = {
                "input_name": name,
                "input_left_pct": float(np.median(left[spell]) * 100),
                "input_share_pct": float(sound * 100),
            }
            drawn = tuple(
                series(f"input {k + 1}", "kWh", "measured", mine["day"], energy[:, k])
                for k in range(4)
                if np.isfinite(energy[:, k]).any()
            )
            since = mine["day"][int(spell[0])]
            worst = Lost(gone * 100, since, f"input {name[2:]} ({name}_w)", evidence, drawn)
    return worst


def _sound_share(share: Array, model: dict | None, number: int) -> float:
    """An input's part while all was well: as remembered, else the upper middle of its own days."""
    remembered = None if model is None else model[f"input{number}_share_pct"]
    own = share[np.isfinite(share)]
    if len(own) == 0:
        return float("nan")
    # The quartile of the days holds while a loss fills less than three quarters of them.
    best = float(np.quantile(own, 0.75))
    return max(best, remembered / 100) if remembered is not None else best


def _stays(left: Array) -> bool:
    """A loss stays as it is; shade and snow go from day to day."""
    return bool(np.median(np.abs(left - np.median(left))) < 0.1)


def _share_lost(yields: Yields, row: int, mine: pl.DataFrame | None) -> Lost | Reason | None:
    """A step whose size is one input's part of the whole, at all hours alike; or why nobody can say."""
    seen = yields.seen
    ratio = yields.ratio[row]
    if not np.isfinite(ratio[-1]):
        return because(REASONS, "no-expectation")
    if np.isfinite(ratio).sum() < level_shift.LEAST_BEFORE + level_shift.LEAST_AFTER:
        return because(REASONS, "short-past")
    if not median(ratio[-RECENT_DAYS:]) < 0.9 * np.nanquantile(ratio, 0.75):
        return None
    step = level_shift.find(ratio)
    if step is None or not step.is_sharp or len(ratio) - step.place < MIN_AFTER_DAYS:
        return None
    part = min(PARTS, key=lambda n: abs(step.size - 1 / n))
    if abs(step.size - 1 / part) > PART_TOLERANCE or step.size_error > PART_TOLERANCE * 2:
        return None
    last = ratio[np.isfinite(ratio)][-3:]
    if np.median(last) > (step.before + step.after) / 2 or snow.may_lie(yields, row):
        return None
    by_height = _by_part_of_day(yields, row, mine, step.place)
    if by_height is not None and max(by_height) - min(by_height) > EVEN_RATIO:
        return None
    evidence = {
        "parts_count": part,
        "step_size_pct": step.size * 100,
    }
    drawn = (series("site", "ratio", "measured", seen.dates, ratio),)
    if by_height is not None:
        evidence["left_morning_ratio"], evidence["left_noon_ratio"], evidence["left_evening_ratio"] = by_height
    return Lost(step.size * 100, seen.dates[step.place], f"one part in {part}", evidence, drawn)


def _by_part_of_day(yields: Yields, row: int, mine: pl.DataFrame | None, place: int) -> list[float] | None:
    """What is left in the morning, at noon and in the evening, over the day's mean; None with too few hours.

    The two weeks before the step stand for what was, each part by its share of the day's energy.
    """
    if mine is None:
        return None
    seen = yields.seen
    at = (mine["day"] - seen.dates[0]).dt.total_days().to_numpy()
    power = hourly.table(mine, "pv_w")
    longitude = seen.sites["longitude"][row]
    solar_h = (np.arange(24) + 0.5 + longitude / 15 - 12 + 12) % 24 - 12
    groups = (solar_h < -THIRD_H, np.abs(solar_h) <= THIRD_H, solar_h > THIRD_H)
    total = np.nansum(power, axis=1)
    parts = np.column_stack([np.nansum(power[:, group], axis=1) for group in groups])
    before = (at >= place - 14) & (at < place) & (total > 0)
    after = (at >= place) & (total > 0)
    if before.sum() < 5 or after.sum() < MIN_AFTER_DAYS:
        return None
    was, now = parts[before].sum(axis=0) / total[before].sum(), parts[after].sum(axis=0) / total[after].sum()
    return [float(a / b) for a, b in zip(now, was, strict=True) if b > 0.05] if (was > 0.05).all() else None


def _finding(yields: Yields, row: int, site_id: str, lost: Lost, each: float) -> Finding:
    seen = yields.seen
    made = float(np.nan_to_num(seen.actual_kwh[row, -1]))
    rest = max(1 - lost.share_pct / 100, 0.05)
    loss_kwh = made / rest - made
    return Finding(
        site_id=site_id,
        day=seen.dates[-1],
        kind=KIND,
        severity="soon",
        value=lost.share_pct,
        unit="%",
        threshold=(1 - LOST_RATIO) * 100,
        summary=f"Lost {lost.what}: {lost.share_pct:.0f} % of its power is missing, {loss_kwh:.1f} kWh on the day.",
        measured=f"{made:.1f} kWh",
        expected=f"{made + loss_kwh:.1f} kWh with all inputs",
        since=lost.since,
        loss_kwh=loss_kwh,
        cost=loss_kwh * each,
        evidence=lost.evidence,
        series=lost.series,
    )
