"""The weather of the sample's days: told by a letter each, and made of it by the simulator's sky."""

import numpy as np

from tests.simulation.axis import Axis
from tests.simulation.climates import BY_NAME, Climate, Day
from tests.simulation.sample_fleet.sites import Region

KINDS = {"c": "clear", "m": "broken", "o": "overcast", "d": "overcast", "w": "overcast", "s": "clear"}
WARMER_C = {"c": 1.5, "d": -2.0, "w": -11.0}  # than the region's mean
DARK_DEPTH = 26.0  # optical depth of the clouds of a dark day: a twelfth of the light is left
STORM = {"convective_cover": 0.9, "depth": 14.0}  # clouds that the early afternoon brings
SNOW_MM = 6.0  # of water, on the first day of a snowfall


def climate_of(region: Region) -> Climate:
    """The region's climate at its own longitude."""
    return BY_NAME[region.climate]._replace(longitude=region.longitude)


def told_days(region: Region, axis: Axis, rng: np.random.Generator) -> list[Day]:
    """One Day per UTC day of the axis, after the region's letters; the last letter goes on."""
    climate = climate_of(region)
    letters = region.sky.ljust(axis.days + 2, region.sky[-1])[: axis.days + 2]
    return [_day(climate, region, letter, before, rng) for before, letter in zip(" " + letters, letters, strict=False)]


def _day(climate: Climate, region: Region, letter: str, before: str, rng: np.random.Generator) -> Day:
    air_c = region.mean_temp_c + WARMER_C.get(letter, 0.0) + rng.normal(0, 1.5)
    day = climate.day(KINDS[letter], air_c, rng)._replace(precipitation_mm=0.0, is_snow=False)
    if letter == "d":
        day = day._replace(cover=1.0, depth=DARK_DEPTH)
    elif letter == "s":
        day = day._replace(**STORM, precipitation_mm=4.0, precipitation_h=15.0)
    elif letter == "w":
        day = day._replace(cover=1.0, precipitation_mm=SNOW_MM * (before != "w"), precipitation_h=6.0, is_snow=True)
    return day
