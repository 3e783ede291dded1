"""Nothing generated all day, though the neighbours or the sky say that the roof should have.

The owner pays for every hour that it stays unseen, and sees nothing: the lights are on.
"""

from datetime import date

import numpy as np
import polars as pl

from detectors.finding import Finding, Kind, NotJudged, Reason, Verdict, because, series
from detectors.yields import snow
from detectors.yields.energy_value import worth
from detectors.yields.fleet_yields import NEIGHBOURS, Yields
from detectors.yields.peer_comparison import LEAST, MIN_COVERAGE_PCT

DETECTOR = "no-generation"
KIND = "no-generation"
RANK = 60
KINDS = {
    KIND: Kind(
        title="Generated nothing all day",
        group="yield",
        hides=("unexplained",),
        hides_why="a roof that gives nothing is unlike its past and its neighbours",
        close_after=1,
        where="site",
        bring=("voltage tester for the DC voltage of the strings", "insulation tester", "string plan"),
        proof="In daylight it feeds in for 15 minutes, and the display shows power on every input.",
        cause="The inverter is off or in a fault, a breaker has opened, or its connection to the modules is broken.",
        next_step="Service desk: read the inverter's state and last fault, ask the owner for the breaker's position; "
        "send the installer if it does not come back.",
        steps=(
            "Check the AC breaker and the voltage at the inverter's terminals.",
            "Read the inverter's fault history.",
            "Measure open-circuit voltage and insulation of every input.",
            "Restart as the maker's manual says and watch that it feeds in.",
        ),
        cautions=(
            "Qualified persons only. PV conductors are live in daylight with AC off; "
            "never part DC connectors or open fuses under load.",
            "Do not clear repeated insulation trips from afar.",
        ),
    )
}
REASONS = {
    "generation-missing": "no readings of generation",
    "low-coverage": "generation known for {coverage_pct:.0f} % of the day",
    "few-neighbours": "nobody near to compare with on a dark day",
    "too-dark": "too dark a day to say",
    "neighbours-dark": "its neighbours made nothing either: snow, or the street's grid",
    "snow": "snow may still lie on it",
}

NOTHING_RATIO = 0.02  # ours: of what was due; an inverter that tries to start makes a little
NOTHING_CLEAR_RATIO = 0.002  # ours: of a clear day; the darkest day lets through ten times that
LEAST_KWH_PER_KWP = 0.15  # ours: days that promise less are too dark to say
ODD_SHARE = 0.34  # ours: where a third of the neighbours is dark too, it is the street's grid or snow
ALONE_DAYS = 2  # ours: without neighbours the second dark day in a row is needed: snow and power cuts last one


def detect(yields: Yields, days: pl.DataFrame, day: date) -> list[Verdict]:
    """A finding per watched site that made under 2 % of what it should have; the value is what it should have made."""
    seen = yields.seen
    if seen.sites.is_empty() or days.is_empty():
        return []
    fed_in_kwh = dict(days.filter(pl.col("day") == day).select("site_id", "feed_in_kwh").iter_rows())
    today_kwh = seen.actual_kwh[:, -1]
    due_kwh = _due_kwh(yields)
    verdicts: list[Verdict] = []
    for row, site in enumerate(seen.sites.iter_rows(named=True)):
        if site["watched"] is False:
            continue
        is_dark = today_kwh[row] < NOTHING_RATIO * due_kwh[row] or _is_black(yields, row)
        reason = yields.doubts.get(site["site_id"]) or _why_not(yields, row, float(due_kwh[row]), bool(is_dark))
        if reason is not None:
            verdicts.append(NotJudged(site["site_id"], day, DETECTOR, reason))
        elif is_dark:
            each = worth(site, float(today_kwh[row]), fed_in_kwh.get(site["site_id"]))
            verdicts.append(_finding(yields, row, site, float(due_kwh[row]), each))
    return verdicts


def _due_kwh(yields: Yields) -> np.ndarray:
    """What each roof should have made today; NaN where nobody can say."""
    seen = yields.seen
    due = np.nanmin(np.where(seen.fits[:, :, None], seen.expected_kwh, np.inf)[:, :, -1], axis=1, initial=np.inf)
    due = np.where(np.isfinite(due), due, np.nan)
    # A sky too dark, or too patchy, to tell roofs apart still tells a dark roof from a lit one.
    sky = np.where(seen.neighbours[:, -1] >= LEAST, seen.sky_ratio[:, -1], np.nan)
    clear = seen.clear_kwh[:, -1]
    return np.where(np.isfinite(due), due * yields.free_ratio[:, -1], sky * clear)


def _is_black(yields: Yields, row: int) -> bool:
    """Alone, two days in a row with less than any cloud lets through."""
    seen = yields.seen
    if yields.source[row, -1] == NEIGHBOURS and seen.neighbours[row, -1] >= LEAST:
        return False
    made, could = seen.actual_kwh[row, -ALONE_DAYS:], seen.clear_kwh[row, -ALONE_DAYS:]
    ran = np.nanmax(seen.actual_kwh[row], initial=0.0) > 0
    return bool(ran and (made <= NOTHING_CLEAR_RATIO * could).all())


def _why_not(yields: Yields, row: int, due_kwh: float, is_dark: bool) -> Reason | None:
    seen = yields.seen
    kwp = seen.sites["installed_kwp"][row]
    if not np.isfinite(seen.actual_kwh[row, -1]):
        return because(REASONS, "generation-missing")
    if not seen.coverage_pct[row, -1] >= MIN_COVERAGE_PCT and is_dark:
        return because(REASONS, "low-coverage", coverage_pct=np.nan_to_num(seen.coverage_pct[row, -1]))
    if not is_dark:
        if seen.actual_kwh[row, -1] >= NOTHING_CLEAR_RATIO * seen.clear_kwh[row, -1]:
            return None
        return because(REASONS, "few-neighbours") if not np.isfinite(due_kwh) else None
    if np.isfinite(due_kwh) and due_kwh < LEAST_KWH_PER_KWP * kwp:
        return because(REASONS, "too-dark")
    if seen.dark_share[row, -1] >= ODD_SHARE:
        return because(REASONS, "neighbours-dark")
    # A day too uneven to compare is no low day of a spell: what fell lately is asked for itself.
    is_uneven = not np.isfinite(yields.ratio[row, -1]) and snow.fell_around(yields, row, len(seen.dates) - 1)
    if snow.is_possible(yields, row) and (is_uneven or snow.may_lie(yields, row)):
        return because(REASONS, "snow")
    return None


def _finding(yields: Yields, row: int, site: dict, due_kwh: float, each: float) -> Finding:
    seen = yields.seen
    is_alone = not np.isfinite(due_kwh)
    due = float(0.3 * seen.clear_kwh[row, -1]) if is_alone else due_kwh  # ours: a middling day's share of a clear one
    made = float(seen.actual_kwh[row, -1])
    dark = seen.actual_kwh[row] < NOTHING_RATIO * np.fmax(
        seen.expected_kwh[row, seen.best[row]], 0.05 * seen.clear_kwh[row]
    )
    known = np.isfinite(seen.actual_kwh[row])
    lit = np.flatnonzero(known & ~dark)
    first = min(int(lit[-1]) + 1 if len(lit) else 0, len(seen.dates) - 1)
    sky = "nothing at all, which no cloud explains" if is_alone else f"the sky taken from {yields.source[row, -1]}"
    return Finding(
        site_id=site["site_id"],
        day=seen.dates[-1],
        kind=KIND,
        severity="soon" if is_alone else "urgent",
        value=due,
        unit="kWh",
        threshold=NOTHING_RATIO * due,
        summary=f"Generated {made:.2f} kWh, where {due:.1f} kWh were due.",
        measured=f"{made:.2f} kWh",
        expected=f"{due:.1f} kWh; {sky}",
        since=seen.dates[first],
        loss_kwh=max(due - made, 0.0),
        cost=max(due - made, 0.0) * each,
        evidence={
            "neighbours_count": int(seen.neighbours[row, -1]),
            "dark_days_count": len(seen.dates) - first,
        },
        series=(
            series("actual", "kWh", "measured", seen.dates, seen.actual_kwh[row]),
            series("expected", "kWh", "expected", seen.dates, seen.expected_kwh[row, seen.best[row]]),
        ),
    )
