"""Features: what is made of a site's day for the detectors, each once, by one module of this package.

A feature is a module with a `make`. It declares

- `NAME`: the parameter by which detectors and other features name it, and its table `feature_<NAME>`;
- `VERSION`: a whole number, raised when `make` gives other rows for the same input;
- `SCHEMA`: its columns, with `site_id` and `day` among them (`device_id` where it is made by device);
- `WINDOW_DAYS`: how far back those that name it see it; 0 = the judged day alone;
- `make(...)`: a pure function, whose positional parameters name what it is given.

Made from readings (the usual case): `readings` and `device_readings` of whole local days, `sites`, `planes`, and other
features by name (their rows of the same site-days). The readings are in units (detectors/stats/units.py), so that
`in_units` costs nothing there. Such a feature is made once for each site-day whose readings changed, and gives rows of
these days alone.

Nightly: a `make` that names `day` is called once when that day is judged, before the first detector that names it. It
is given `day`, `sites` (the commissioned ones), `planes`, `devices` (of devices.csv), `readings` and `device_readings`
of the day, `days` (the site-days of the trailing window), the windows of the features that it names, `past` (its own
rows of earlier days), `past_<NAME>` (another feature's rows of earlier days alone), and `earlier` (the findings of the
detectors that came before). A nightly feature whose SCHEMA is None is a working object for those that name it: not
stored, of any type.

A changed SCHEMA or a raised VERSION makes the table anew: a feature of readings from the readings of its window, a
nightly one by judging the days of its window again.
"""

import importlib
import pkgutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from types import ModuleType
from typing import Any

import polars as pl

from detectors import wanted_frames

DAY = "day"  # naming it makes a feature nightly
PAST = "past"
PAST_OF = "past_"  # followed by a feature's name


@dataclass(frozen=True, eq=False)
class Feature:
    """A feature as its module declares it."""

    name: str
    version: int
    schema: pl.Schema | None  # None = a working object of one night, not stored
    window_days: int
    make: Callable[..., Any]
    wants: tuple[str, ...]  # the positional parameters of `make`

    @property
    def is_nightly(self) -> bool:
        """Whether it is made when a day is judged, not when readings change."""
        return DAY in self.wants


def load() -> dict[str, Feature]:
    """All features by name; raises RuntimeError where a module's declaration is not usable."""
    found: dict[str, Feature] = {}
    for module in _found(tuple(__path__)):
        wants = tuple(wanted_frames(module.make))
        one = Feature(module.NAME, module.VERSION, module.SCHEMA, module.WINDOW_DAYS, module.make, wants)
        _check(one, found, module.__name__)
        found[one.name] = one
    return found


@lru_cache
def _found(places: tuple[str, ...]) -> tuple[ModuleType, ...]:
    """The modules with a `make` in some folders, looked for once."""
    modules = [importlib.import_module(info.name) for info in pkgutil.walk_packages(places, f"{__name__}.")]
    return tuple(module for module in modules if hasattr(module, "make"))


def _check(one: Feature, found: dict[str, Feature], place: str) -> None:
    if one.name in found:
        raise RuntimeError(f"two features are called {one.name}, one of them {place}: rename one")
    if not one.name.isidentifier() or one.name == PAST or one.name.startswith(PAST_OF):
        raise RuntimeError(f"{place} calls its feature {one.name}: choose a name that a parameter can have")
    if one.schema is None and not one.is_nightly:
        raise RuntimeError(f"{place} has no SCHEMA: only a nightly feature, which names `day`, goes without")
    if one.schema is not None and not {"site_id", "day"} <= set(one.schema.names()):
        raise RuntimeError(f"{place}: SCHEMA needs the columns site_id and day")
