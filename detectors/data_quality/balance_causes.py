"""Which single change would make a site's powers add up: a sign, a factor, or a channel left out.

What does not add up, taken against each channel, gives the factor that would make it (least squares over the day's
hours); of the factors that a wrong sensor or profile is known for, the one that closes best is named.
"""

from typing import NamedTuple

import numpy as np
import polars as pl

from detectors.frames import PHASE_CHANNELS, POWER_CHANNELS
from detectors.stats.robust import Array, median_of

FLOWS = POWER_CHANNELS
SIGNS = {"pv_w": 1.0, "battery_w": 1.0, "grid_w": 1.0, "load_w": -1.0}
NAMES = {"pv_w": "generation", "battery_w": "battery power", "grid_w": "grid flow", "load_w": "load"}
BLOCK = 3  # hours, as in the balance itself
MUCH_BETTER = 0.4  # ours: a guess that leaves more than two fifths of it open explains too little to be told
NEAR_FACTOR = 0.15  # ours: sensors that have the wrong ratio have other errors, too
SKEWS_H = (1 / 12, -1 / 12, 1 / 6, -1 / 6, 0.25, -0.25)  # ours: meters are polled within a quarter of an hour
MIN_FLOW = 0.02  # ours: a channel that carries less than 2 % of the throughput explains nothing
KNOWN = {  # the factor that a channel would need -> what is wrong with it
    -1.0: "with the sign of {name} turned round",
    1000.0: "with {name} a thousand times as large (kW taken for W)",
    0.001: "with {name} a thousandth of it (W taken for kW)",
    3.0: "with {name} three times as large (one phase of three measured)",
    2.0: "with {name} twice as large (sensor ratio)",
    0.5: "with {name} half as large (sensor ratio)",
}


class Guess(NamedTuple):
    """A change of one channel that makes the balance close."""

    channel: str
    factor: float  # that the channel would need
    text: str  # goes on from "It would close ..."
    open_pct: float  # what stays open then


def name_of(channel: str) -> str:
    """The channel in the desk's words."""
    return NAMES.get(channel, channel)


def guess(rows: pl.DataFrame, limit_pct: float) -> Guess | None:
    """The change that closes one site's day best, None where none closes it or comes near.

    `rows`: FLOWS and phases in W, `hours`, `hour` (local), `sun` (the sine of its height, 0 at night); the battery 0
    where there is none.
    """
    phases = [name for name in PHASE_CHANNELS if name in rows.columns and rows[name].null_count() < rows.height]
    whole = rows.drop_nulls([*FLOWS, *phases])
    if whole.is_empty():
        return None
    hourly = whole.group_by("hour").agg(
        (pl.col(name) * pl.col("hours")).sum() / 1000 for name in (*FLOWS, *phases, "sun")
    ).sort("hour")  # fmt: skip
    part = {name: hourly[name].to_numpy() * SIGNS.get(name, 1.0) for name in (*FLOWS, *phases)}
    block = hourly["hour"].to_numpy() // BLOCK
    residual = np.sum([part[name] for name in FLOWS], axis=0)
    before = _open_pct(part, block)
    found = [g for name in FLOWS for g in _of_channel(name, part, residual, block)]
    found += [g for name in phases for g in _of_phase(name, part, block)]
    found += _unsigned(whole)
    near = [g for g in found if g.open_pct <= max(limit_pct, MUCH_BETTER * before) and g.open_pct < before]
    if not near:
        return _unmeasured(part, residual, hourly["sun"].to_numpy(), before)
    # A plain change of sign is likelier than any factor that happens to fit a little better.
    return min(near, key=lambda g: (round(g.open_pct / max(limit_pct, 1.0)), g.factor not in KNOWN, g.open_pct))


def closes_when_shifted(rows: pl.DataFrame, limit_pct: float) -> bool:
    """Whether one site's day closes with one meter read some minutes earlier or later than the others."""
    whole = rows.drop_nulls(list(FLOWS)).sort("ts_utc")
    hours = whole["hours"].to_numpy()
    if len(hours) < 2:
        return False
    usual_h = median_of(hours)
    places = np.arange(len(hours))
    edge = int(np.ceil(max(SKEWS_H) / usual_h))  # nothing is known of what is moved in there
    inner = places[edge:-edge]
    block = whole["hour"].to_numpy()[inner] // BLOCK
    part = {name: whole[name].to_numpy() * hours / 1000 * SIGNS[name] for name in FLOWS}
    for name in FLOWS:
        others = [part[other][inner] for other in FLOWS if other != name]
        rest, rest_flowed = np.sum(others, axis=0), np.abs(others).sum()
        for skew_h in SKEWS_H:
            # Between whole readings, what is meant to have flowed evenly within each of them.
            moved = np.interp(inner - skew_h / usual_h, places, part[name])
            if _open_of(rest + moved, rest_flowed + np.abs(moved).sum(), block) <= limit_pct:
                return True
    return False


def _open_pct(part: dict[str, Array], block: np.ndarray) -> float:
    """What stays open over blocks, % of what flows in them."""
    powers = [part[name] for name in FLOWS]
    return _open_of(np.sum(powers, axis=0), np.abs(powers).sum(), block)


def _open_of(residual: Array, flowed: float, block: np.ndarray) -> float:
    """The same of what the channels leave, and of the sum of all their sizes, which counts each flow twice."""
    return float(200 * np.abs(np.bincount(block, residual)).sum() / flowed) if flowed > 0 else 0.0


def _of_channel(name: str, part: dict[str, Array], residual: Array, block: np.ndarray) -> list[Guess]:
    own = part[name]
    flowed = np.sum([np.abs(values) for values in part.values()])
    power = float((own**2).sum())
    if power == 0:
        return []
    factor = 1 - float((residual * own).sum()) / power
    guesses = []
    for known, text in KNOWN.items():
        if abs(factor - known) <= NEAR_FACTOR * abs(known):
            guesses.append(_with(name, known, text.format(name=name_of(name)), part, block))
    # A wrong unit hides what the channel carries; any other factor needs something to multiply.
    if np.abs(own).sum() < MIN_FLOW * flowed:
        return guesses
    if name == "battery_w" and abs(factor) <= NEAR_FACTOR:
        guesses.append(_with(name, 0.0, "without the battery (the load holds it already)", part, block))
    elif not guesses and factor > 0 and abs(factor - 1) > NEAR_FACTOR:
        text = f"with {name_of(name)} {factor:.2g} times as large"
        guesses.append(_with(name, factor, text, part, block))
    return guesses


def _with(name: str, factor: float, text: str, part: dict[str, Array], block: np.ndarray) -> Guess:
    return Guess(name, factor, text, _open_pct({**part, name: factor * part[name]}, block))


def _of_phase(name: str, part: dict[str, Array], block: np.ndarray) -> list[Guess]:
    """One phase of the grid turned round."""
    turned = {**part, "grid_w": part["grid_w"] - 2 * part[name]}
    return [Guess(name, -1.0, f"with phase {name[5:7].upper()} of the grid turned round", _open_pct(turned, block))]


def _unsigned(whole: pl.DataFrame) -> list[Guess]:
    """Channels whose sign got lost: where only the size is written, the sum shows which way it went."""
    guesses = []
    for name in ("grid_w", "battery_w"):
        size = whole[name].to_numpy()
        if size.min() < 0 or size.max() == 0:
            continue
        rest = np.sum([SIGNS[other] * whole[other].to_numpy() for other in FLOWS if other != name], axis=0)
        signed = whole.with_columns(pl.Series(name, -np.sign(rest) * size))
        hourly = signed.group_by("hour").agg((pl.col(*FLOWS) * pl.col("hours")).sum() / 1000).sort("hour")
        part = {other: hourly[other].to_numpy() * SIGNS[other] for other in FLOWS}
        open_pct = _open_pct(part, hourly["hour"].to_numpy() // BLOCK)
        guesses.append(Guess(name, 1.0, f"with {name_of(name)} signed: only its size is written", open_pct))
    return guesses


def _unmeasured(part: dict[str, Array], residual: Array, sun: Array, before: float) -> Guess | None:
    """What is missing where no change of a channel closes: a load or a source that nobody measures."""
    total = float(residual.sum())
    if abs(total) < MUCH_BETTER * np.abs(residual).sum():
        return None
    mean_w = abs(total) / len(residual) * 1000
    if total > 0:
        return Guess("load_w", 1.0, f"with a further load of {mean_w:.0f} W on average, not measured", before)
    # The site's own generation knows the clouds, but a regulator may hold it back.
    like_light = max(_correlation(part["pv_w"], -residual), _correlation(sun, -residual))
    what = "generator, which follows the sun," if like_light > 1 - NEAR_FACTOR else "source"
    return Guess("pv_w", 1.0, f"with a further {what} of {mean_w:.0f} W on average, not measured", before)


def _correlation(one: Array, other: Array) -> float:
    return float(np.corrcoef(one, other)[0, 1]) if one.std() > 0 and other.std() > 0 else 0.0
