"""A roof that yields less than its installed peak capacity should, held against its neighbours and its own past.

The owner was promised a yield per kWp and sees a bill, not a fault. One bad day is weather or snow; a roof that lags
behind its neighbours for a week under the same sky has lost something.
"""

from datetime import date

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.finding import Finding, Kind, NotJudged, Reason, Verdict, because, series
from detectors.stats import level_shift
from detectors.stats.robust import MAD_TO_SIGMA, Z_CUT, Array, median
from detectors.yields import hourly, snow
from detectors.yields.energy_value import worth
from detectors.yields.fleet_yields import ALONE, MAX_SCATTER_RATIO, Yields
from detectors.yields.peer_comparison import (
    LEAST,
    MAX_DISAGREEMENT_RATIO,
    MAX_HELD_BACK_H,
    MIN_COVERAGE_PCT,
    MIN_SKY_RATIO,
    RECENT_DAYS,
    WITHIN_KM,
    sound_level,
)

DETECTOR = "underperformance"
KIND = "underperformance"
RANK = 63  # after the kinds that tell more of the cause
KINDS = {
    KIND: Kind(
        title="Yields less than its peak capacity should",
        group="yield",
        hides=("unexplained",),
        hides_why="what is missing is what makes the site unlike its past and its neighbours",
        close_after=5,
        where="site",
        bring=("string plan", "DC clamp meter", "insulation tester", "a camera for the roof"),
        proof="In sun, every input shows its current for 15 minutes, in proportion to its modules; note the power and the time.",
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
REASONS = {
    "generation-missing": "no readings of generation",
    "low-coverage": "generation known for {coverage_pct:.0f} % of the day",
    "curtailed": "held back by its feed-in limit for {curtailed_h:.1f} h",
    "few-neighbours": "no clear day, and fewer than {needed} neighbours within {within_km:.0f} km with usable data",
    "too-dark": "too dark, or snow on the roofs around",
    "neighbours-disagree": "its neighbours disagree about the day: patchy snow or weather",
    "short-days": "days too short to judge",
    "few-days": "only {days} of the last {of_days} days could be judged",
    "snow": "snow may still lie on it",
}

KEPT, keep = hourly.KEPT, hourly.keep
LOW_RATIO = 0.80  # ours: roofs of one town differ by some 5 to 10 % (module, inverter, dust); a fifth is a fault
UNSURE_RATIO = 0.05  # ours: what learned planes, or a model without neighbours, may be wrong by on top
DROP_RATIO = 0.93  # ours: against its own past those differences fall out; what is less is a season or dust
PLAIN_DROP_RATIO = 0.80  # ours: a drop by a fifth is a fault whether it came at once or not
LONG_DROP_RATIO = 0.87  # ours: seasons and dust move a level by a tenth in a quarter of a year, not by more
MIN_PAST_DAYS = 10  # ours: fewer days do not show what its normal scatter is
MEDIAN_ERROR = np.sqrt(np.pi / 2)  # standard error of a median over that of a mean, normal distribution
MIN_LOW_DAYS = 5  # common practice judges after 3 clear days; ours: 5 of any kind, so that snow sliding off is over
STILL_DAYS = 3  # ours: the median of the last three must be low too, else it has recovered
MIN_SPREAD_RATIO = 0.03  # ours: two good meters differ by some 3 %; less scatter than that is luck
ALONE_SURE_PCT = 33.0  # ours: where neither neighbours nor a sensor vouch for the day, less than a third is to watch
DUST_DAYS = 40  # ours: a month and a week show a slope of 3 % a month beside the weather
DUST_PCT_PER_MONTH = 3.0  # ours: common soiling is 1 % a month; beyond three, washing pays
DUST_MOST_PCT = 25.0  # ours: what loses more is no dust


def detect(
    yields: Yields,
    days: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    *,
    low_ratio: float = LOW_RATIO,
    drop_ratio: float = DROP_RATIO,
) -> list[Verdict]:
    """A finding per watched site that lags behind its neighbours or its own past, in % of the energy missing.

    The energy is that of the last 10 days. A site whose planes are neither known nor learned is found only if it lags
    whichever plausible roof it may have. A slow slide without a step is told as dust, to watch.
    """
    seen = yields.seen
    if seen.sites.is_empty() or days.is_empty():
        return []
    due = _due(yields, low_ratio, drop_ratio)
    # Those of its group told already tell the cause, too.
    absorbed = set(earlier.filter(pl.col("group") == KINDS[KIND].group)["site_id"])
    fed_in_kwh = dict(days.filter(pl.col("day") == day).select("site_id", "feed_in_kwh").iter_rows())
    verdicts: list[Verdict] = []
    judged = np.isfinite(seen.ratio[:, 0, -RECENT_DAYS:]).sum(axis=-1)
    for row, site in enumerate(seen.sites.iter_rows(named=True)):
        if site["watched"] is False or site["site_id"] in absorbed:
            continue
        reason = yields.doubts.get(site["site_id"]) or _why_not(yields, row, int(judged[row]))
        if reason is not None:
            verdicts.append(NotJudged(site["site_id"], day, DETECTOR, reason))
        elif (np.isfinite(due[row]) | ~seen.fits[row]).all():
            if snow.may_lie(yields, row):
                verdicts.append(NotJudged(site["site_id"], day, DETECTOR, because(REASONS, "snow")))
                continue
            found = _finding(yields, row, site, due[row], low_ratio, drop_ratio)
            cost = found.loss_kwh * worth(site, float(seen.actual_kwh[row, -1]), fed_in_kwh.get(site["site_id"]))
            verdicts.append(found.model_copy(update={"cost": cost}))
        elif dusty := _dust(yields, row, site):
            verdicts.append(dusty)
    return verdicts


def expected(yields: Yields, days: pl.DataFrame) -> pl.DataFrame:
    """[site_id, day, expected_kwh, performance_pct] per row of `days` in the last 60 days; null where not judged.

    Both leave out what a feed-in limit held back. Sites of which clock or readings are wrong have no expectation.
    """
    seen = yields.seen
    schema = {"site_id": pl.String, "day": pl.Date, "expected_kwh": pl.Float64, "performance_pct": pl.Float64}
    if days.is_empty() or seen.sites.is_empty():
        return pl.DataFrame(schema=schema)
    ratio = yields.ratio
    count = len(seen.dates)
    told = pl.DataFrame(
        {
            "site_id": np.repeat(seen.sites["site_id"].to_numpy(), count),
            "day": pl.Series(seen.dates * seen.sites.height, dtype=pl.Date),
            "expected_kwh": np.where(np.isfinite(ratio), yields.expected_kwh, np.nan).ravel(),
            "performance_pct": ratio.ravel() * 100,
        },
        schema=schema,
    ).fill_nan(None)
    trusted = ~pl.col("site_id").is_in(list(yields.doubts))
    return (
        days.select("site_id", "day")
        .join(told, on=["site_id", "day"], how="inner")
        .sort("site_id", "day")
        .with_columns(pl.when(trusted).then(pl.col("expected_kwh", "performance_pct")))
    )


def _due(yields: Yields, low_ratio: float, drop_ratio: float) -> Array:
    """What each site should reach, [sites, planes]: 1 where it lags its neighbours, its own level, or NaN: sound."""
    seen = yields.seen
    recent, past = seen.ratio[..., -RECENT_DAYS:], seen.ratio[..., :-RECENT_DAYS]
    normal, scatter = sound_level(past)
    is_one = seen.has_planes[:, None] & np.isfinite(yields.reference_ratio)[:, None]
    enough = np.isfinite(past).sum(axis=-1) >= MIN_PAST_DAYS
    enough &= scatter <= MAX_SCATTER_RATIO
    normal = np.where(is_one, yields.reference_ratio[:, None], np.where(enough, normal, np.nan))
    is_unsure = np.array([yields.planes_text(row) != "register" for row in range(seen.sites.height)], dtype=bool)
    is_unsure |= yields.source[:, -1] == ALONE
    low = np.where(is_unsure, low_ratio - UNSURE_RATIO, low_ratio)[:, None]
    level_spread = np.where(is_unsure, np.nan_to_num(seen.level_spread) + UNSURE_RATIO, seen.level_spread)
    few = np.sqrt(np.maximum(np.isfinite(recent).sum(axis=-1), 1))
    with np.errstate(invalid="ignore"):
        is_below = _lasts(recent, np.broadcast_to(low, normal.shape)) & (
            1 - median(recent) >= Z_CUT * np.fmax(level_spread, MIN_SPREAD_RATIO)[:, None]
        )
        # A median of n days scatters by so much (normal distribution, large n).
        by_chance = np.nan_to_num(scatter, nan=0.1) * MEDIAN_ERROR / few
        drop = np.where(seen.has_planes, drop_ratio, drop_ratio - UNSURE_RATIO)[:, None]
        has_dropped = _lasts(recent, normal * drop) & (
            normal - median(recent) >= Z_CUT * np.fmax(by_chance, MIN_SPREAD_RATIO / 2)
        )
        is_below &= 1 - median(recent) >= Z_CUT * np.nan_to_num(by_chance)
        # Clear days alone are held against one guessed roof: without planes, only its own past says anything.
        is_below &= (seen.has_planes | (yields.source[:, -1] != ALONE))[:, None]
        is_plain = median(recent) < normal * PLAIN_DROP_RATIO
    for row in np.flatnonzero((has_dropped & ~is_plain).any(axis=-1)):
        has_dropped[row] &= is_plain[row] | _is_step(yields, int(row))
    return np.where(is_below, 1.0, np.where(has_dropped, normal, np.nan))


def _is_step(yields: Yields, row: int) -> bool:
    """A small drop is a fault only if it came at once: seasons, trees in leaf and dust come slowly."""
    ratio = yields.ratio[row]
    known = ratio[np.isfinite(ratio)]
    # It may have come before this window began: then all of it lies below what is remembered.
    if (known < LONG_DROP_RATIO * yields.reference_ratio[row]).mean() > 0.8:
        return True
    step = level_shift.find(ratio)
    return step is None or (step.is_sharp and step.size > Z_CUT * step.size_error)


def _lasts(recent: Array, limit: Array) -> NDArray[np.bool_]:
    """Where the recent ratios, [sites, planes, days], lie below the limit often, in the middle, and still."""
    is_low = recent < limit[..., None]
    order = np.cumsum(np.isfinite(recent)[..., ::-1], axis=-1)[..., ::-1]  # 1 = the last judged day
    last = np.where(order <= STILL_DAYS, recent, np.nan)
    often: NDArray[np.bool_] = is_low.sum(axis=-1) >= MIN_LOW_DAYS
    return often & (median(recent) < limit) & (median(last) < limit)


def _why_not(yields: Yields, row: int, judged: int) -> Reason | None:
    """Why a site's last day was not judged, in the desk's words; None if it was."""
    seen = yields.seen
    coverage_pct = seen.coverage_pct[row, -1]
    if not np.isfinite(seen.actual_kwh[row, -1]):
        return because(REASONS, "generation-missing")
    if not coverage_pct >= MIN_COVERAGE_PCT:
        return because(REASONS, "low-coverage", coverage_pct=np.nan_to_num(coverage_pct))
    if seen.held_back_h[row, -1] > MAX_HELD_BACK_H:
        return because(REASONS, "curtailed", curtailed_h=seen.held_back_h[row, -1])
    if seen.neighbours[row, -1] < LEAST and not np.isfinite(seen.ratio[row, 0, -1]):
        return because(REASONS, "few-neighbours", needed=LEAST, within_km=WITHIN_KM)
    if not seen.sky_ratio[row, -1] >= MIN_SKY_RATIO:
        return because(REASONS, "too-dark")
    if seen.disagreement_ratio[row, -1] > MAX_DISAGREEMENT_RATIO:
        return because(REASONS, "neighbours-disagree")
    if not np.isfinite(seen.ratio[row, 0, -1]):
        return because(REASONS, "short-days")
    if judged < MIN_LOW_DAYS:
        return because(REASONS, "few-days", days=judged, of_days=RECENT_DAYS)
    return None


def _finding(yields: Yields, row: int, site: dict, due: Array, low_ratio: float, drop_ratio: float) -> Finding:
    seen = yields.seen
    ratio = seen.ratio[row]
    is_judged = np.isfinite(ratio[0])
    recent = is_judged & (np.arange(len(is_judged)) >= len(is_judged) - RECENT_DAYS)
    should_kwh = seen.expected_kwh[row] * due[:, None] * yields.free_ratio[row]
    actual_kwh = seen.actual_kwh[row]
    missing = np.where(seen.fits[row], 1 - actual_kwh[recent].sum() / should_kwh[:, recent].sum(axis=-1), np.inf)
    roof = int(missing.argmin())  # whichever roof it is, at least this much is missing
    missing_pct = float(missing[roof]) * 100
    today_kwh, today_due_kwh = float(actual_kwh[-1]), float(should_kwh[roof, -1])
    loss_kwh = max(today_due_kwh - today_kwh, 0.0)
    limit_ratio = low_ratio if due[roof] == 1.0 else drop_ratio
    sky = str(yields.source[row, -1])
    against = "its neighbours" if due[roof] == 1.0 else "its own past beside its neighbours"
    against = against if sky == "its neighbours" else f"{sky} would give" if due[roof] == 1.0 else "its own past"
    actual_yield = actual_kwh[recent].sum() / site["installed_kwp"]
    due_yield = should_kwh[roof, recent].sum() / site["installed_kwp"]
    return Finding(
        site_id=site["site_id"],
        day=seen.dates[-1],
        kind=KIND,
        severity="watch" if sky == ALONE and missing_pct < ALONE_SURE_PCT else "soon",
        value=missing_pct,
        unit="%",
        threshold=(1 - limit_ratio) * 100,
        summary=f"Yielded {missing_pct:.0f} % less than {against} over {recent.sum()} days; "
        f"{loss_kwh:.1f} kWh missing on the last one.",
        measured=f"{actual_yield:.1f} kWh per kWp over {recent.sum()} days",
        expected=f"{due_yield:.1f} kWh per kWp, the sky taken from {sky}",
        since=_since(seen.dates, ratio[roof] / due[roof], limit_ratio),
        loss_kwh=loss_kwh,
        evidence={
            "neighbours_count": int(seen.neighbours[row, -1]),
            "judged_days_count": int(recent.sum()),
            "actual_today_kwh": today_kwh,
            "expected_today_kwh": today_due_kwh,
            "actual_kwh_per_kwp": float(actual_yield),
            "expected_kwh_per_kwp": float(due_yield),
            "normal_ratio": float(due[roof]),
            "sky_text": sky,
            "orientation_text": yields.planes_text(row),
        },
        series=(
            series("actual", "kWh", "measured", seen.dates, actual_kwh),
            series("expected", "kWh", "expected", seen.dates, should_kwh[roof]),
            series("site", "ratio", "measured", seen.dates, ratio[roof]),
            series("neighbours' sky", "ratio", "reference", seen.dates, seen.sky_ratio[row]),
        ),
    )


def _dust(yields: Yields, row: int, site: dict) -> Finding | None:
    """A slow slide over weeks that no step and no recovery explains, to watch; None without one.

    Rain mends it, and then the series has a step up; a season slides by less than this beside its neighbours.
    """
    seen = yields.seen
    ratio = yields.ratio[row, -DUST_DAYS:]
    place = np.flatnonzero(np.isfinite(ratio))
    if not yields.seen.has_planes[row] or yields.planes_text(row) != "register" or len(place) < DUST_DAYS * 0.6:
        return None
    y = ratio[place]
    per_month_pct = -level_shift.slope(place.astype(float), y) * 30 / np.median(y) * 100
    thirds = [float(np.median(part)) for part in np.array_split(y, 3)]
    falls = thirds[0] * 0.985 > thirds[1] and thirds[1] * 0.985 > thirds[2]
    scatter = float(np.median(np.abs(np.diff(y)))) * MAD_TO_SIGMA / np.sqrt(2)
    by_chance = scatter * MEDIAN_ERROR * np.sqrt(2 / (len(y) / 3))
    if not (falls and DUST_PCT_PER_MONTH <= per_month_pct <= DUST_MOST_PCT):
        return None
    if thirds[0] - thirds[2] < Z_CUT * by_chance or snow.is_possible(yields, row):
        return None
    step = level_shift.find(ratio)
    if step is not None and step.is_sharp:
        return None
    return Finding(
        site_id=site["site_id"],
        day=seen.dates[-1],
        kind=KIND,
        severity="watch",
        value=float((1 - thirds[2] / thirds[0]) * 100),
        unit="%",
        threshold=DUST_PCT_PER_MONTH,
        summary=f"Slides by {per_month_pct:.1f} % a month beside its neighbours, as dust does until it rains.",
        measured=f"{thirds[2] * 100:.0f} % of its neighbours' level in the last two weeks",
        expected=f"{thirds[0] * 100:.0f} %, as four weeks before",
        since=seen.dates[-DUST_DAYS],
        evidence={
            "slide_pct": float(per_month_pct),
            "judged_days_count": len(place),
        },
        series=(series("site", "ratio", "measured", seen.dates, yields.ratio[row]),),
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
