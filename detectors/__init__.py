"""The detectors: pure functions of frames.

A detector is a module of this package with a `detect`. It declares

- `DETECTOR`: its name (the file's name with hyphens), as `not_judged.detector` shows it;
- `KINDS`: the kinds of finding that it may return, each with its `Kind`: also its group, what it hides, and what it
  makes unreliable for the detectors after it;
- `REASONS`: code -> sentence of each reason why it may not judge, with the values' names in braces;
- `RANK`: its place in the order of trust (data 10, clock 20, signs and balance 30, grid 40, battery 50, yield 60);
- `detect(...)`: positional parameters name what it is given, keyword-only ones are knobs with defaults:
  `readings` and `device_readings` of the judged local day, `days` (site-days of the trailing window up to it), `sites`
  (the commissioned ones; what is said of unwatched ones is dropped, but their roofs tell of the sky), `planes`,
  `earlier` (findings of lower rank on the day), `day`; and any feature by its name: its rows of its own window up to
  the day, or as `past_<NAME>` those of earlier days alone;
- `OF_FLEET`, where it names readings and compares sites: the columns of them that it needs. It is given these of the
  whole fleet; all others that name readings are given some sites at a time of a large fleet.

What a detector needs of earlier days and site-days do not hold is a feature: see `detectors.features`.
"""

import importlib
import inspect
import pkgutil
import sys
from collections.abc import Callable, Container, Iterable, Mapping
from functools import lru_cache
from types import ModuleType

import polars as pl

from detectors.finding import OVER, REASONS, Finding, Kind
from detectors.frames import EARLIER

EVERYTHING = "everything"  # in Kind.hides: every other kind


def load() -> list[ModuleType]:
    """All detectors in their order of trust; two that share a kind stop the program."""
    found = _found(tuple(__path__))
    owners: dict[str, str] = {}
    for module in found:
        for kind in module.KINDS:
            if kind in owners:
                raise RuntimeError(f"detectors {owners[kind]} and {module.DETECTOR} both claim the kind {kind}")
            owners[kind] = module.DETECTOR
    return sorted(found, key=lambda module: (module.RANK, module.DETECTOR))


@lru_cache
def _found(places: tuple[str, ...]) -> tuple[ModuleType, ...]:
    """The modules with a `detect` below some folders, looked for once."""
    modules = [importlib.import_module(info.name) for info in pkgutil.walk_packages(places, f"{__name__}.")]
    return tuple(module for module in modules if hasattr(module, "detect"))


def kinds() -> dict[str, Kind]:
    """Every kind that the detectors may return, in their order; `group` is filled in, `hides` holds names of kinds.

    RuntimeError where a kind hides what no detector claims, or two kinds hide each other.
    """
    declared = {kind: (_family(module), about) for module in load() for kind, about in module.KINDS.items()}
    names: dict[str, set[str]] = {EVERYTHING: set(declared)}
    for kind, (family, about) in declared.items():
        for name in {kind, family, about.group or kind}:
            names.setdefault(name, set()).add(kind)
    hidden = {kind: _hidden(kind, about, names) for kind, (_, about) in declared.items()}
    for kind, effects in hidden.items():
        if mutual := [effect for effect in effects if kind in hidden[effect]]:
            raise RuntimeError(f"the kinds {kind} and {mutual[0]} hide each other")
    return {
        kind: about.model_copy(
            update={"group": about.group or kind, "hides": tuple(one for one in declared if one in hidden[kind])}
        )
        for kind, (_, about) in declared.items()
    }


def _family(module: ModuleType) -> str:
    """The folder that a detector's file lies in."""
    return module.__name__.split(".")[-2]


def _hidden(kind: str, about: Kind, names: Mapping[str, set[str]]) -> set[str]:
    if unknown := [name for name in about.hides if name not in names]:
        raise RuntimeError(f"the kind {kind} hides {unknown[0]}, which is no kind, group or family of detectors")
    return set().union(*(names[name] for name in about.hides)) - {kind}


def earlier_frame(
    findings: Iterable[Finding], about: Mapping[str, Kind], corrected: Container[str] = ()
) -> pl.DataFrame:
    """EARLIER of some findings; `about` is what `kinds` returns, `corrected` are sites judged on a corrected line.

    What is over (OVER in the evidence) makes nothing of the day unreliable.
    """
    rows = [
        (f.site_id, f.kind, about[f.kind].group, f.severity, f.value, f.unit,
         [one for one in about[f.kind].makes_unreliable
          if OVER not in f.evidence and (one != "time" or f.site_id not in corrected)])
        for f in findings
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=EARLIER, orient="row")


def detector_names() -> dict[str, str]:
    """Kind -> name of its detector."""
    return {kind: module.DETECTOR for module in load() for kind in module.KINDS}


def reasons() -> dict[str, dict[str, str]]:
    """Detector -> code -> sentence, of its own REASONS and of those that all may give."""
    return {module.DETECTOR: {**REASONS, **module.REASONS} for module in load()}


@lru_cache
def _parameters(function: Callable[..., object]) -> tuple[str, ...]:
    parameters = inspect.signature(function).parameters.values()
    return tuple(p.name for p in parameters if p.kind is not inspect.Parameter.KEYWORD_ONLY)


def wanted_frames(function: Callable[..., object]) -> list[str]:
    """The frames that a function's positional parameters name."""
    return list(_parameters(function))


def columns_of_fleet(function: Callable[..., object]) -> tuple[str, ...]:
    """The columns of readings that a function is given of the whole fleet; none = it may be given some sites alone."""
    return tuple(getattr(sys.modules.get(function.__module__), "OF_FLEET", ()))


def families() -> dict[str, str]:
    """Detector -> the family it belongs to, which is the folder of its file."""
    return {module.DETECTOR: _family(module) for module in load()}
