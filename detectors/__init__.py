"""The detectors: pure functions of frames.

A detector is a module of this package with a `detect`. It declares

- `DETECTOR`: its name (the file's name with hyphens), as `not_judged.detector` shows it;
- `KINDS`: the kinds of finding that it may return, each with its `Kind`;
- `RANK`: its place in the order of trust (data 10, clock 20, signs and balance 30, grid 40, battery 50, yield 60);
- `detect(...)`: positional parameters name what it is given, keyword-only ones are knobs with defaults:
  `readings` and `device_readings` of the judged local day, `days` (site-days of the trailing window up to it), `sites`
  (the commissioned ones; what is said of unwatched ones is dropped, but their roofs tell of the sky), `planes`,
  `earlier` (findings of lower rank on the day), `day`; and any feature by its name: its rows of its own window up to
  the day, or as `past_<NAME>` those of earlier days alone.

What a detector needs of earlier days and site-days do not hold is a feature: see `detectors.features`.
"""

import importlib
import inspect
import pkgutil
from collections.abc import Callable
from types import ModuleType

from detectors.finding import Kind


def load() -> list[ModuleType]:
    """All detectors in their order of trust; two that share a kind stop the program."""
    found = []
    for info in pkgutil.walk_packages(__path__, f"{__name__}."):
        module = importlib.import_module(info.name)
        if hasattr(module, "detect"):
            found.append(module)
    owners: dict[str, str] = {}
    for module in found:
        for kind in module.KINDS:
            if kind in owners:
                raise RuntimeError(f"detectors {owners[kind]} and {module.DETECTOR} both claim the kind {kind}")
            owners[kind] = module.DETECTOR
    return sorted(found, key=lambda module: (module.RANK, module.DETECTOR))


def kinds() -> dict[str, Kind]:
    """Every kind of finding that the detectors may return."""
    return {kind: about for module in load() for kind, about in module.KINDS.items()}


def detector_names() -> dict[str, str]:
    """Kind -> name of its detector."""
    return {kind: module.DETECTOR for module in load() for kind in module.KINDS}


def kinds_of(detector: str) -> list[str]:
    """The kinds that a detector may return."""
    return [kind for module in load() if detector == module.DETECTOR for kind in module.KINDS]


def wanted_frames(function: Callable[..., object]) -> list[str]:
    """The frames that a function's positional parameters name."""
    parameters = inspect.signature(function).parameters.values()
    return [p.name for p in parameters if p.kind is not inspect.Parameter.KEYWORD_ONLY]
