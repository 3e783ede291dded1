"""Half of the detectors look, for tests of how a history is kept: they need findings, and few care of which kinds.

All of them go through the same in tests/drills/test_machine.py, where whole runs are disturbed and compared.
"""

from collections.abc import Callable
from typing import Any

import detectors
from pipeline.detection.resolver import Night

FEW = ("data_quality", "clock", "grid")  # families that small fleets of some days show something of


def silence(put: Callable[[Any, str, Any], None] = setattr) -> None:
    """The other detectors say nothing from now on, and nightly features that none of these names are not made."""
    for module in detectors.load():
        if module.__name__.split(".")[-2] not in FEW:
            put(module, "detect", lambda: [])
    put(Night, "make_rest", lambda *_: None)
