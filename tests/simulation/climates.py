"""Climates, and the kind of each day: drawn, with the persistence that weather has."""

from typing import NamedTuple

import numpy as np

from tests.simulation.axis import Axis


class Day(NamedTuple):
    """What the weather of a day is like."""

    kind: str  # clear | fair | broken | overcast | haze | fog
    cover: float  # share of the sky under clouds
    convective_cover: float  # more of it around the early afternoon
    depth: float  # optical depth of the clouds
    fog_until_h: float  # 0 = none
    precipitation_mm: float
    precipitation_h: float
    is_snow: bool
    air_c: float
    swing_c: float  # half the day's range
    wind_m_s: float
    tau_beam: float
    tau_diffuse: float


KINDS = ("clear", "fair", "broken", "overcast", "haze", "fog")


class Climate(NamedTuple):
    """Shares of the kinds of day in the dark and in the bright half of the year, and the air."""

    name: str
    dark: tuple[float, ...]  # by KINDS
    bright: tuple[float, ...]
    persistence: float  # chance that a day is like the one before
    mean_c: float
    season_c: float  # half the range over the year
    swing_c: float
    tau_beam: tuple[float, float]  # least and most of ASHRAE's optical depth for the beam
    wet: float  # chance of rain or snow on a broken or overcast day
    longitude: float = 0.0

    def draw_days(self, axis: Axis, latitude: float, rng: np.random.Generator) -> list[Day]:
        """One Day per UTC day of the axis."""
        days: list[Day] = []
        synoptic = 0.0
        kind = None
        for number in range(axis.days + 2):
            doy = (axis.start_s / 86_400 + number - 10.0) % 365.25  # days since the December solstice, about
            season = -np.cos(2 * np.pi * doy / 365.25) * np.sign(latitude)  # -1 in midwinter, 1 in midsummer
            synoptic = 0.75 * synoptic + rng.normal(0, 2.2)
            share = (1 + season) / 2
            chances = np.array(self.dark) * (1 - share) + np.array(self.bright) * share
            if kind is None or rng.random() > self.persistence:
                kind = str(rng.choice(KINDS, p=chances / chances.sum()))
            air = self.mean_c + self.season_c * (season - 0.2) + synoptic
            days.append(self.day(kind, air, rng))
        return days

    def day(self, kind: str, air_c: float, rng: np.random.Generator) -> Day:
        """A day of a kind with this mean air temperature."""
        cover, more, depth = {
            "clear": (0.01, rng.uniform(0, 0.05), rng.uniform(1, 6)),
            "fair": (rng.uniform(0.02, 0.12), rng.uniform(0.15, 0.45), rng.uniform(4, 14)),
            "broken": (rng.uniform(0.35, 0.7), rng.uniform(0, 0.25), rng.uniform(4, 20)),
            "overcast": (rng.uniform(0.95, 1.0), 0.0, rng.uniform(2.5, 14)),
            "haze": (rng.uniform(0.5, 0.95), 0.0, rng.uniform(0.1, 0.5)),
            "fog": (0.03, rng.uniform(0, 0.2), rng.uniform(1, 8)),
        }[kind]
        wet = kind in ("broken", "overcast") and rng.random() < self.wet
        tau_beam = rng.uniform(*self.tau_beam)
        return Day(
            kind, cover, more, depth,
            rng.uniform(8.5, 15.5) if kind == "fog" else 0.0,
            float(rng.gamma(1.2, 2.5 if air_c < 0.8 else 5.0)) if wet else 0.0,
            rng.uniform(2, 22), wet and air_c < 0.8, air_c - (1.0 if kind == "clear" else 0.0),
            self.swing_c * {"clear": 1.25, "fair": 1.1, "haze": 1.0, "fog": 0.8, "broken": 0.7}.get(kind, 0.35),
            float(rng.gamma(2.5, 1.2)) + 0.5, tau_beam,
            2.64 - 1.05 * (tau_beam - 0.30) / 0.3 * 0.55 + rng.normal(0, 0.04),
        )  # fmt: skip


#                       clear fair broken overcast haze fog
CLIMATES = (
    Climate("desert", (0.62, 0.16, 0.06, 0.03, 0.13, 0.0), (0.72, 0.08, 0.02, 0.0, 0.18, 0.0), 0.45, 23, 10, 8.5,
            (0.30, 0.55), 0.1),
    Climate("mediterranean", (0.33, 0.24, 0.20, 0.14, 0.06, 0.03), (0.62, 0.24, 0.06, 0.02, 0.06, 0.0), 0.4, 17, 8,
            5.5, (0.30, 0.46), 0.35),
    Climate("temperate", (0.14, 0.14, 0.22, 0.32, 0.08, 0.10), (0.24, 0.34, 0.24, 0.12, 0.06, 0.0), 0.35, 10, 9.5, 5.0,
            (0.30, 0.45), 0.5),
    Climate("maritime", (0.07, 0.13, 0.36, 0.40, 0.02, 0.02), (0.14, 0.30, 0.36, 0.18, 0.02, 0.0), 0.25, 10.5, 5.5, 3.2,
            (0.29, 0.40), 0.65),
    Climate("alpine", (0.30, 0.18, 0.18, 0.22, 0.04, 0.08), (0.20, 0.42, 0.22, 0.14, 0.02, 0.0), 0.4, 6, 9.5, 6.0,
            (0.26, 0.36), 0.6),
    Climate("continental", (0.26, 0.14, 0.20, 0.28, 0.06, 0.06), (0.36, 0.36, 0.16, 0.08, 0.04, 0.0), 0.4, 8, 14.0, 6.0,
            (0.29, 0.44), 0.45),
    Climate("subtropical", (0.36, 0.26, 0.18, 0.10, 0.08, 0.02), (0.20, 0.42, 0.24, 0.08, 0.06, 0.0), 0.35, 20, 6.5,
            5.0, (0.33, 0.52), 0.5),
    Climate("savanna", (0.66, 0.18, 0.06, 0.02, 0.08, 0.0), (0.20, 0.40, 0.28, 0.08, 0.04, 0.0), 0.4, 19, 4.5, 7.0,
            (0.30, 0.50), 0.55),
)  # fmt: skip
BY_NAME = {climate.name: climate for climate in CLIMATES}
