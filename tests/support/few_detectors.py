"""Half of the detectors look, for tests of how a history is kept: they need findings, and few care of which kinds.

All of them go through the same in tests/drills/test_machine.py, where whole runs are disturbed and compared.
"""

from collections.abc import Callable
from typing import Any

import detectors
from detectors import features, wanted_frames
from pipeline.detection import resolver
from pipeline.detection.resolver import Night
from pipeline.detection.sum_up import FLAGS_LOOK_BACK_ON

FEW = ("data_quality", "clock", "grid")  # families that small fleets of some days show something of
COSTLY = (
    "voltage-curtailment",
    "voltage-out-of-band",
)  # alone of these families they need all that is learned of roofs
SHOWN = ("site_hour",)  # what analysts see of features of readings
_REPLACED: dict[tuple[Any, str], Any] = {}  # owner and name -> what stood there before anything was silenced


def silence(put: Callable[[Any, str, Any], None] = setattr, families: tuple[str, ...] = FEW) -> None:
    """Detectors of other families say nothing from now on, and features that none of these names are not made."""

    def replace(owner: Any, name: str, value: Any) -> None:
        _REPLACED.setdefault((owner, name), getattr(owner, name))
        put(owner, name, value)

    looking = []
    for module in detectors.load():
        if module.__name__.split(".")[-2] in families and module.DETECTOR not in COSTLY:
            looking.append(module)
        else:
            replace(module, "detect", lambda: [])
    replace(Night, "make_rest", lambda *_: None)
    unneeded = dict.fromkeys(features.load().keys() - _needed(looking))
    make_all = resolver.make_of_readings
    replace(resolver, "make_of_readings", lambda frames: make_all({**unneeded, **frames}))  # as if they were made


def let_all_look(put: Callable[[Any, str, Any], None]) -> None:
    """All detectors look again, for what is made once for tests of any module."""
    for (owner, name), original in _REPLACED.items():
        put(owner, name, original)


def _needed(looking: list[Any]) -> set[str]:
    """The features that the detectors and the flags name, and those that these name."""
    found, to_do = features.load(), [*FLAGS_LOOK_BACK_ON, *SHOWN]
    for module in looking:
        to_do += [name.removeprefix(features.PAST_OF) for name in wanted_frames(module.detect)]
    needed: set[str] = set()
    while to_do:
        name = to_do.pop()
        if name in found and name not in needed:
            needed.add(name)
            to_do += [one.removeprefix(features.PAST_OF) for one in found[name].wants]
    return needed
