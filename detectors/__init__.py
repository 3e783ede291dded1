"""The detectors: pure functions of frames.

A detector is a module of this package with a `detect`. It declares

- `DETECTOR`: its name (the file's name with hyphens), as `not_judged.detector` shows it;
- `KINDS`: the kinds of finding that it may return, each with its `Kind`;
- `RANK`: its place in the order of trust (data 10, clock 20, signs and balance 30, grid 40, battery 50, yield 60);
- `detect(...)`: positional parameters name what the runner passes, keyword-only ones are knobs with defaults:
  `readings` and `device_readings` of the judged local day, `days`, `light` and `kept` of a trailing window up to it,
  `sites` (the commissioned ones; what is said of unwatched ones is dropped, but their roofs tell of the sky),
  `planes`, `earlier` (findings of lower rank on the day), `day`; and `yields`, what `detectors.yields.look` worked out
  of all these for the detectors of yield together;
- optionally `KEPT` (a schema with `site_id` and `day`) and `keep(readings, sites)`, which makes such rows from the
  readings of whole local days: what a detector needs of earlier days and site-days do not hold. The rows are kept by
  the pipeline and come back as `kept`.
"""

import importlib
import pkgutil
from types import ModuleType


def load() -> list[ModuleType]:
    """All detectors in their order of trust; two that share a kind stop the program."""
    found = []
    for info in pkgutil.iter_modules(__path__):
        module = importlib.import_module(f"{__name__}.{info.name}")
        if hasattr(module, "detect"):
            found.append(module)
    owners: dict[str, str] = {}
    for module in found:
        for kind in module.KINDS:
            if kind in owners:
                raise RuntimeError(f"detectors {owners[kind]} and {module.DETECTOR} both claim the kind {kind}")
            owners[kind] = module.DETECTOR
    return sorted(found, key=lambda module: (module.RANK, module.DETECTOR))
