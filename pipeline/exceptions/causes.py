"""Causes hide their effects: one exception is shown per cause."""

from collections import defaultdict
from typing import Any, NamedTuple


class Absorbs(NamedTuple):
    """What a cause hides at its site while it is open. `effects` None = every other kind."""

    effects: frozenset[str] | None
    reason: str


_ON_THE_CLOCK = frozenset(
    {
        "underperformance",
        "no-generation",
        "string-loss",
        "capacity-mismatch",
        "battery-at-floor",
        "battery-not-discharging",
        "battery-below-reserve",
        "battery-grid-charging",
        "battery-reading-frozen",
        "unexplained",
    }
)


_CLOCK = Absorbs(_ON_THE_CLOCK, "its clock is wrong, so its days, nights and hours are not what they seem")


ABSORBS: dict[str, Absorbs] = {  # a cause further up hides those below, too
    "site-silent": Absorbs(None, "nothing new is known of the site until its readings are back"),
    "time-zone-wrong": _CLOCK,
    "daylight-saving-wrong": _CLOCK,
    "clock-step": _CLOCK,
    "clock-drift": _CLOCK,
    "meter-reversed": Absorbs(
        frozenset({"unexpected-export", "phase-compensation-off", "import-limit-exceeded", "balance-broken"}),
        "its grid sensor shows the wrong direction, so what it imports and feeds in is not what it seems",
    ),
    "no-generation": Absorbs(
        frozenset({"underperformance", "string-loss", "capacity-mismatch", "unexplained"}),
        "a roof that gives nothing needs no second matter that says it gives too little",
    ),
    "string-loss": Absorbs(frozenset({"underperformance", "unexplained"}), "the lost input is what is missing"),
    "capacity-mismatch": Absorbs(
        frozenset({"underperformance", "unexplained"}), "against the capacity that is there, nothing may be missing"
    ),
}


def hide_effects(table: list[dict[str, Any]]) -> None:
    """Sets hidden_by of every open effect to the first cause of ABSORBS that is open at its site."""
    by_site: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in table:
        if row["status"] != "closed":
            by_site[row["site_id"]].append(row)
    for rows in by_site.values():
        # One device of several that is silent leaves the others to be judged: only a site gone dark is urgent.
        open_kinds = {row["kind"]: row for row in rows if row["kind"] != "site-silent" or row["severity"] == "urgent"}
        for cause in (kind for kind in ABSORBS if kind in open_kinds):
            effects = ABSORBS[cause].effects
            for row in rows:
                is_effect = row["kind"] != cause if effects is None else row["kind"] in effects
                if is_effect and row["hidden_by"] is None:
                    row["hidden_by"] = open_kinds[cause]["exception_id"]
