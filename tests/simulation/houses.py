"""What a house draws: from an empty holiday home to a workshop, on three phases, with loads that can wait apart."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.simulation.axis import Axis

Array = NDArray[np.float64]

KINDS = ("empty", "couple", "family", "day people", "workshop", "office")


@dataclass
class House:
    """Who lives or works there, and with what."""

    kind: str
    base_w: float
    scale: float  # of everything that people switch on
    heat_pump_w: float  # electric, 0 = none
    cooling_w: float
    charger_w: float  # for a car, 0 = none
    charger_phases: int
    away: tuple[int, int] | None = None  # days from, to, when nobody is there
    more_from: tuple[int, float] | None = None  # a new appliance: day, mean W while it runs


class Loads:
    """Builds a load from events with fractional edges: mean W by step and phase."""

    def __init__(self, axis: Axis) -> None:
        self.axis = axis
        self.change = np.zeros((3, axis.steps + 2))

    def events(self, begin_s: Array, length_s: Array, power_w: Array, phase: NDArray[np.int64]) -> None:
        """Adds rectangles; `phase` 0-2."""
        for at_s, sign in ((begin_s, 1.0), (begin_s + length_s, -1.0)):
            place = (at_s - self.axis.start_s) / self.axis.step_s
            inside = (place >= 0) & (place < self.axis.steps)
            whole = place[inside].astype(int)
            share = place[inside] - whole
            np.add.at(self.change, (phase[inside], whole), sign * power_w[inside] * (1 - share))
            np.add.at(self.change, (phase[inside], whole + 1), sign * power_w[inside] * share)

    def power(self) -> Array:
        return np.clip(np.cumsum(self.change[:, : self.axis.steps], axis=1), 0, None)


#           events a day: (least W, most W, least min, most min, n a day, hours of the day with weights)
_HOME = {
    "kettle": (1600, 2400, 2, 5, 3.0, (7, 8, 12, 16, 19)),
    "cooking": (1200, 3500, 15, 60, 1.4, (7, 12, 18, 19)),
    "washing": (400, 2100, 40, 100, 0.6, (9, 11, 15, 19, 21)),
    "screens": (60, 350, 60, 240, 2.0, (18, 19, 20, 21)),
    "lights": (30, 180, 60, 300, 4.0, (6, 17, 18, 20)),
    "other": (80, 900, 5, 60, 4.0, (8, 10, 13, 15, 17, 20)),
}
_WORK = {
    "machines": (800, 6000, 5, 90, 14.0, (7, 8, 9, 10, 13, 14, 15, 16)),
    "lights": (200, 700, 300, 560, 1.2, (6, 7)),
    "air": (900, 3000, 10, 40, 4.0, (8, 10, 13, 15)),
}


def draw_house(rng: np.random.Generator, kind: str | None = None, *, cold: bool, hot: bool) -> House:
    """A house from wide ranges."""
    kind = kind or str(rng.choice(KINDS, p=[0.07, 0.27, 0.33, 0.18, 0.08, 0.07]))
    scale = float(rng.uniform(0.5, 1.6)) * {"empty": 0.0, "couple": 0.7, "workshop": 1.0}.get(kind, 1.0)
    base = float(rng.uniform(15, 70) if kind == "empty" else rng.lognormal(np.log(170), 0.5))
    pump = float(rng.uniform(900, 3200)) if cold and kind != "empty" and rng.random() < 0.35 else 0.0
    cool = float(rng.uniform(700, 2500)) if hot and kind != "empty" and rng.random() < 0.5 else 0.0
    charger = float(rng.choice([2300, 3600, 7200, 11000])) if kind != "empty" and rng.random() < 0.25 else 0.0
    return House(kind, base, scale, pump, cool, charger, 3 if charger == 11000 or rng.random() < 0.3 else 1)


def draw_loads(
    house: House, axis: Axis, zone: str, air_c: Array, three_phase: bool, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Load by phase in W [3, step] that must be served, and the car's charging [step], which can be cut."""
    loads, car = Loads(axis), Loads(axis)
    starts = np.array([axis.midnight_s(zone, n) for n in range(-1, axis.days + 2)])
    numbers = np.arange(-1, axis.days + 2)
    weekday = np.array([(axis.first.toordinal() + n + 6) % 7 for n in numbers])
    here = np.ones(len(numbers), bool)
    if house.away:
        here &= ~((numbers >= house.away[0]) & (numbers <= house.away[1]))
    works = house.kind in ("workshop", "office")
    here_now = here & (weekday < 5) if works else here
    for low, high, short, long, daily, hours in (_WORK if works else _HOME).values():
        amount = rng.poisson(daily * house.scale * (0.35 if house.kind == "office" else 1.0), len(starts)) * here_now
        begin = np.repeat(starts, amount)
        total = len(begin)
        if not total:
            continue
        late = (
            rng.choice(hours, total) if house.kind != "day people" else rng.choice([9, 11, 12, 13, 14, 15, 19], total)
        )
        begin = begin + (late + rng.uniform(0, 1.3, total)) * 3600
        loads.events(
            begin, rng.uniform(short, long, total) * 60, rng.uniform(low, high, total), rng.integers(0, 3, total)
        )
    _cycles(loads, house, axis, rng)
    if house.more_from:
        day, watts = house.more_from
        begin = starts[numbers >= day]
        loads.events(begin + rng.uniform(8, 11) * 3600, np.full(len(begin), 9 * 3600.0), np.full(len(begin), watts),
                     np.zeros(len(begin), np.int64))  # fmt: skip
    thermal = _thermal(house, axis, air_c, rng)
    if house.charger_w:
        nights = starts[(rng.random(len(starts)) < 0.45) & here]
        begin = nights + rng.normal(18.8, 1.4, len(nights)) * 3600
        car.events(begin, rng.uniform(0.7, 4.5, len(nights)) * 3600, np.full(len(nights), house.charger_w),
                   np.zeros(len(nights), np.int64))  # fmt: skip
    own = loads.power()
    hum = 1 + 0.04 * np.interp(axis.mid_s, axis.edges_s[:: max(1800 // axis.step_s, 1)],
                               rng.standard_normal(len(axis.edges_s[:: max(1800 // axis.step_s, 1)])))  # fmt: skip
    shares = rng.dirichlet([3, 3, 3]) if three_phase else np.array([1.0, 0.0, 0.0])
    own = own + (house.base_w * hum)[None, :] * shares[:, None]
    own = own + thermal[None, :] * (np.full(3, 1 / 3) if rng.random() < 0.5 else np.eye(3)[rng.integers(3)])[:, None]
    if not three_phase:
        own = np.stack([own.sum(axis=0), np.zeros(axis.steps), np.zeros(axis.steps)])
    return own, car.power().sum(axis=0)


def _cycles(loads: Loads, house: House, axis: Axis, rng: np.random.Generator) -> None:
    """A refrigerator's compressor."""
    if house.kind == "empty" and rng.random() < 0.5:
        return
    period = rng.uniform(40, 90) * 60
    total = int(axis.steps * axis.step_s / period)
    begin = axis.start_s + np.arange(total) * period + rng.normal(0, 200, total)
    loads.events(begin, np.full(total, period * rng.uniform(0.25, 0.5)), np.full(total, rng.uniform(60, 140)),
                 np.full(total, rng.integers(0, 3)))  # fmt: skip


def _thermal(house: House, axis: Axis, air_c: Array, rng: np.random.Generator) -> Array:
    """Heat pump and cooling, running a share of each cycle that the air's temperature asks for."""
    if not house.heat_pump_w and not house.cooling_w:
        return np.zeros(axis.steps)
    period = max(int(rng.uniform(25, 55) * 60 / axis.step_s), 2)
    phase = (np.arange(axis.steps) % period) / period
    heat = np.clip((15.5 - air_c) / 24, 0, 1) * house.heat_pump_w
    cool = np.clip((air_c - 24) / 12, 0, 1) * house.cooling_w
    most = max(house.heat_pump_w, house.cooling_w)
    duty = (heat + cool) / most
    level = (
        0.85
        + 0.05 * np.sin(air_c)
        + 0.03
        * np.interp(
            np.arange(axis.steps),
            np.arange(0, axis.steps + 60, 12),
            rng.standard_normal(len(range(0, axis.steps + 60, 12))),
        )
    )
    return np.where(phase < duty, most * level, 0.0)
