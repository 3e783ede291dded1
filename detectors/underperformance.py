"""A roof that yields less than its installed peak capacity should, held against its neighbours and its own past.

The owner was promised a yield per kWp and sees a bill, not a fault. One bad day is weather or snow; a roof that lags
behind its neighbours for a week under the same sky has lost something.
"""

from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors import specific_yield
from detectors.finding import Finding, Kind, NotJudged, Verdict
from detectors.robust import Z_CUT, Array, median
from detectors.specific_yield import (
    LEAST,
    MAX_DISAGREEMENT_RATIO,
    MAX_HELD_BACK_H,
    MIN_COVERAGE_PCT,
    MIN_SKY_RATIO,
    RECENT_DAYS,
    WITHIN_KM,
    Comparison,
    compare,
    sound_level,
)

DETECTOR = "underperformance"
KIND = "underperformance"
RANK = 60
KINDS = {
    KIND: Kind(
        title="Yields less than its peak capacity should",
        close_after=5,
        revisit=True,
        cause="A part of the modules is not producing: a string or an input lost, modules dirty or newly shaded, "
        "a module or the inverter derated, or fewer modules than registered.",
        next_step="Service desk: compare the inputs' powers at noon and read the inverter's fault list; "
        "send the installer with the string plan if an input is down or nothing explains it.",
        steps=(
            "Compare voltage and current of every input at noon with the string plan.",
            "Look for new shade, dirt and broken modules from the ground.",
            "Read the inverter's fault and derating history.",
            "Measure open-circuit voltage and insulation of the inputs that fall short.",
            "Compare module count and type with the registered peak capacity.",
        ),
        cautions=(
            "Qualified persons only. PV conductors are live in daylight with AC off; "
            "never part DC connectors or open fuses under load.",
            "No work on wet roofs; fall protection.",
        ),
    )
}

LOW_RATIO = 0.75  # ours: roofs of one town differ by some 10 % (module, inverter, dust, data); a quarter is a fault
DROP_RATIO = 0.80  # ours: against its own past those differences fall out, so a fifth suffices; one string of five
MIN_PAST_DAYS = 10  # ours: fewer days do not show what its normal scatter is
MEDIAN_ERROR = np.sqrt(np.pi / 2)  # standard error of a median over that of a mean, normal distribution
MIN_LOW_DAYS = 5  # common practice judges after 3 clear days; ours: 5 of any kind, so that snow sliding off is over
STILL_DAYS = 3  # ours: the median of the last three must be low too, else it has recovered
MIN_SPREAD_RATIO = 0.03  # ours: two good meters differ by some 3 %; less scatter than that is luck
CLOCK_WRONG = "clock is known to be wrong"
IN_DOUBT = "its readings are known to be wrong"
DOUBTS = {
    **dict.fromkeys(("time-zone-wrong", "daylight-saving-wrong", "clock-drift", "clock-step"), CLOCK_WRONG),
    **dict.fromkeys(("site-silent", "readings-frozen", "readings-implausible"), IN_DOUBT),
}


SHIFTS = ("time-zone-wrong", "daylight-saving-wrong", "clock-step")  # their value is the error in minutes
HEARD_SHIFT_MIN = (
    120.0  # ours: midnight moved by two hours stays dark below 60 degrees: the day's energy is still right
)


def detect(
    days: pl.DataFrame,
    sites: pl.DataFrame,
    planes: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    *,
    low_ratio: float = LOW_RATIO,
    drop_ratio: float = DROP_RATIO,
) -> list[Verdict]:
    """A finding per watched site that lags behind its neighbours, in % of the energy missing over the last 10 days.

    A site whose planes are unknown is found only if it lags whichever plausible roof it may have.
    """
    if sites.is_empty() or days.is_empty():
        return []
    doubts = _doubts(earlier)
    seen = compare(days, sites, planes, last_day=day, left_out=_unheard(earlier))
    recent, past = seen.ratio[..., -RECENT_DAYS:], seen.ratio[..., :-RECENT_DAYS]
    normal, scatter = sound_level(past)
    normal = np.where(np.isfinite(past).sum(axis=-1) >= MIN_PAST_DAYS, normal, np.nan)
    with np.errstate(invalid="ignore"):
        is_below = _lasts(recent, np.full(normal.shape, low_ratio)) & (
            1 - median(recent) >= Z_CUT * np.fmax(seen.level_spread, MIN_SPREAD_RATIO)[:, None]
        )
        # A median of n days scatters by so much (normal distribution, large n).
        by_chance = scatter * MEDIAN_ERROR / np.sqrt(np.maximum(np.isfinite(recent).sum(axis=-1), 1))
        has_dropped = _lasts(recent, normal * drop_ratio) & (
            normal - median(recent) >= Z_CUT * np.fmax(by_chance, MIN_SPREAD_RATIO)
        )
    due = np.where(is_below, 1.0, np.where(has_dropped, normal, np.nan))  # [sites, planes]: what it should reach
    today = days.filter(pl.col("day") == day)
    fed_in_kwh = dict(today.select("site_id", "feed_in_kwh").iter_rows())
    verdicts: list[Verdict] = []
    judged = np.isfinite(seen.ratio[:, 0, -RECENT_DAYS:]).sum(axis=-1)
    for row, site in enumerate(seen.sites.iter_rows(named=True)):
        if site["watched"] is False:
            continue
        reason = doubts.get(site["site_id"]) or _why_not(seen, row, int(judged[row]))
        if reason is not None:
            verdicts.append(NotJudged(site["site_id"], day, DETECTOR, reason))
        elif (np.isfinite(due[row]) | ~seen.fits[row]).all():
            found = _finding(seen, row, site, due[row], low_ratio, drop_ratio)
            cost = found.loss_kwh * _worth(site, float(seen.actual_kwh[row, -1]), fed_in_kwh.get(site["site_id"]))
            verdicts.append(found.model_copy(update={"cost": cost}))
    return verdicts


def expected(
    days: pl.DataFrame, sites: pl.DataFrame, planes: pl.DataFrame, earlier: pl.DataFrame | None = None
) -> pl.DataFrame:
    """[site_id, day, expected_kwh, performance_pct] per row of `days`, of its last 60 days; null where not judged.

    Sites of which `earlier` says that clock or readings are wrong have no expectation.
    """
    if earlier is None:
        return specific_yield.expected(days, sites, planes)
    told = specific_yield.expected(days, sites, planes, left_out=_unheard(earlier))
    trusted = ~pl.col("site_id").is_in(list(_doubts(earlier)))
    return told.with_columns(pl.when(trusted).then(pl.col("expected_kwh", "performance_pct")))


def _doubts(earlier: pl.DataFrame) -> dict[str, str]:
    """Why a site's own days are not to be trusted, by site."""
    return {site_id: DOUBTS[kind] for site_id, kind in earlier.select("site_id", "kind").iter_rows() if kind in DOUBTS}


def _unheard(earlier: pl.DataFrame) -> set[str]:
    """The sites in doubt that can't speak for their neighbours' sky either."""
    is_near_right = pl.col("kind").is_in(SHIFTS) & (pl.col("value").abs() <= HEARD_SHIFT_MIN)
    return set(earlier.filter(pl.col("kind").is_in(list(DOUBTS)) & ~is_near_right.fill_null(False))["site_id"])


def _worth(site: dict, pv_kwh: float, fed_in_kwh: float | None) -> float:
    """What a kWh more would have been worth that day: the house's share at the import price, the rest fed in."""
    if site["feed_in_limit_kw"] == 0:
        own_share = 1.0
    elif fed_in_kwh is None or pv_kwh <= 0:
        own_share = 0.0  # the lower of the two prices where nobody knows
    else:
        own_share = min(max(1 - fed_in_kwh / pv_kwh, 0.0), 1.0)
    return own_share * site["import_price"] + (1 - own_share) * site["feed_in_price"]


def _lasts(recent: Array, limit: Array) -> NDArray[np.bool_]:
    """Where the recent ratios, [sites, planes, days], lie below the limit often, in the middle, and still."""
    is_low = recent < limit[..., None]
    order = np.cumsum(np.isfinite(recent)[..., ::-1], axis=-1)[..., ::-1]  # 1 = the last judged day
    last = np.where(order <= STILL_DAYS, recent, np.nan)
    often: NDArray[np.bool_] = is_low.sum(axis=-1) >= MIN_LOW_DAYS
    return often & (median(recent) < limit) & (median(last) < limit)


def _why_not(seen: Comparison, row: int, judged: int) -> str | None:
    """Why a site's last day was not judged, in the desk's words; None if it was."""
    coverage_pct = seen.coverage_pct[row, -1]
    if not np.isfinite(seen.actual_kwh[row, -1]):
        return "no readings of generation"
    if not coverage_pct >= MIN_COVERAGE_PCT:
        return f"generation known for {np.nan_to_num(coverage_pct):.0f} % of the day"
    if seen.held_back_h[row, -1] > MAX_HELD_BACK_H:
        return f"held back by its feed-in limit for {seen.held_back_h[row, -1]:.1f} h"
    if seen.neighbours[row, -1] < LEAST:
        return f"fewer than {LEAST} neighbours within {WITHIN_KM:.0f} km with usable data"
    if seen.sky_ratio[row, -1] < MIN_SKY_RATIO:
        return "too dark, or snow on the roofs around"
    if seen.disagreement_ratio[row, -1] > MAX_DISAGREEMENT_RATIO:
        return "its neighbours disagree about the day: patchy snow or weather"
    if not np.isfinite(seen.ratio[row, 0, -1]):
        return "days too short to judge"
    if judged < MIN_LOW_DAYS:
        return f"only {judged} of the last {RECENT_DAYS} days could be judged"
    return None


def _finding(seen: Comparison, row: int, site: dict, due: Array, low_ratio: float, drop_ratio: float) -> Finding:
    ratio = seen.ratio[row]
    is_judged = np.isfinite(ratio[0])
    recent = is_judged & (np.arange(len(is_judged)) >= len(is_judged) - RECENT_DAYS)
    should_kwh = seen.expected_kwh[row] * due[:, None]
    actual_kwh = seen.actual_kwh[row]
    missing = np.where(seen.fits[row], 1 - actual_kwh[recent].sum() / should_kwh[:, recent].sum(axis=-1), np.inf)
    roof = int(missing.argmin())  # whichever roof it is, at least this much is missing
    missing_pct = float(missing[roof]) * 100
    today_kwh, today_due_kwh = float(actual_kwh[-1]), float(should_kwh[roof, -1])
    loss_kwh = max(today_due_kwh - today_kwh, 0.0)
    limit_ratio = low_ratio if due[roof] == 1.0 else drop_ratio
    neighbours = int(seen.neighbours[row, -1])
    against = "its neighbours" if due[roof] == 1.0 else "its own past beside its neighbours"
    actual_yield = actual_kwh[recent].sum() / site["installed_kwp"]
    due_yield = should_kwh[roof, recent].sum() / site["installed_kwp"]
    return Finding(
        site_id=site["site_id"],
        day=seen.dates[-1],
        kind=KIND,
        severity="soon",
        value=missing_pct,
        unit="%",
        threshold=(1 - limit_ratio) * 100,
        summary=f"Yielded {missing_pct:.0f} % less than {against} over {recent.sum()} days; "
        f"{loss_kwh:.1f} kWh missing on the last one.",
        measured=f"{actual_yield:.1f} kWh per kWp over {recent.sum()} days",
        expected=f"{due_yield:.1f} kWh per kWp, from {neighbours} neighbours under the same sky",
        since=_since(seen.dates, ratio[roof] / due[roof], limit_ratio),
        loss_kwh=loss_kwh,
        evidence={
            "neighbours_count": neighbours,
            "judged_days_count": int(recent.sum()),
            "actual_today_kwh": today_kwh,
            "expected_today_kwh": today_due_kwh,
            "actual_kwh_per_kwp": float(actual_yield),
            "expected_kwh_per_kwp": float(due_yield),
            "normal_ratio": float(due[roof]),
            "orientation_text": "register" if seen.has_planes[row] else "unknown: the roof least in its disfavour",
            "series_day": [day.isoformat() for day in seen.dates],
            "site_ratio": _rounded(ratio[roof]),
            "expected_kwh": _rounded(should_kwh[roof]),
            "actual_kwh": _rounded(actual_kwh),
            "neighbours_sky_ratio": _rounded(seen.sky_ratio[row]),
        },
    )


def _since(dates: list[date], ratio: Array, limit_ratio: float) -> date:
    """The first low day of the present spell; two good judged days in a row end a spell looking back."""
    first, good = dates[-1], 0
    for day, value in zip(reversed(dates), reversed(ratio.tolist()), strict=True):
        if not np.isfinite(value):
            continue
        good = 0 if value < limit_ratio else good + 1
        if good == 2:
            break
        if good == 0:
            first = day
    return first


def _rounded(values: Array) -> list[float | None]:
    return [round(value, 3) if np.isfinite(value) else None for value in values.tolist()]
