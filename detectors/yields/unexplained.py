"""The net below the named detectors: site-days unlike their own past and unlike their neighbours', to watch only.

It knows no causes, so it speaks seldom: of what stands out three days in a row, further than the fleet's own past lets
expect, where no other detector has anything to say. People change their habits without any fault: consumption is named
beside what the equipment shows, and never raises anything by itself. A battery that gives and rests in turn needs no
past to be strange: it is told where hardly any other battery of the fleet does so.
"""

from collections.abc import Mapping
from datetime import date, timedelta
from functools import cache

import numpy as np
import polars as pl

from detectors.finding import EvidenceValue, Finding, Kind, NotJudged, Verdict, because
from detectors.stats.robust import Array, median, robust_sigma
from detectors.yields import hourly as hourly_rows
from detectors.yields.fleet_day import column
from detectors.yields.night import Night

DETECTOR = "unexplained"
KIND = "unexplained"
RANK = 70
KINDS = {
    KIND: Kind(
        title="Unlike its own past and its neighbours, and nothing explains it",
        open_after=2,
        within=3,
        close_after=3,
        cause="Not known: a change of habits, of equipment or of settings, or a fault that no rule describes.",
        next_step="Service desk: look at the features named, ask the owner what changed, and watch it.",
    )
}
REASONS = {
    "short-past": "{days} days of past, {needed} are needed",
    "snow": "snow may still lie on it",
    "hardly-asked-for": "its battery was hardly asked for; on days before it paused {pauses} times while it had charge",
}

FEATURES = {  # name -> what stands behind it, in the desk's words
    "performance": "yield beside the neighbours'",
    "morning": "the morning's share of the day's yield",
    "noon": "the noon's share of the day's yield",
    "input": "the first input's share",
    "load": "consumption",
    "night": "import beside consumption",
    "losses": "what goes into the battery and does not come out",
    "unmet": "import while the battery had charge",
}
OF_ROOF = ("performance", "morning", "noon", "input")  # the features that snow on the roof changes
WINDOW_DAYS = 60
HABITS = ("load", "night")  # what people change
OF_LIMIT = ("morning", "noon")  # where a limit curtails, the hours follow the house
SITES_PER_FINDING = 100  # ours: a net that speaks more often is not read
MIN_PAST_DAYS = 20  # ours: fewer days do not show a site's own ways
LASTS_DAYS = 3  # ours: a holiday weekend is two
OWN_DAYS = 14  # ours: the net opens within days, or has missed it
STRANGE_Z = 5.0  # ours: in its own sigmas, and all to one side
STRANGE_SCORE = 0.999  # conformal: at most one in a thousand of the fleet's past spans was as far out
NAMED_SHARE = 2 / 3  # ours: of STRANGE_Z; what stands out so far is named beside it
MIN_SIGMA = 0.05  # ours: habits steadier than that are luck
MIN_FLEET = 5  # ours: sites that know a figure on a day; of two the middle one is half of what one of them did
MAX_Z = 12.0  # ours: beyond it all is equally strange
PAUSING_DAYS, PAUSES = 3, 6  # ours: of OWN_DAYS; twice a day over as many days as anything else has to last
PAUSES_A_DAY = 1.0  # ours: of the days on which it was watched
MAX_SHARE = 0.1  # ours: where more of the fleet's batteries pause so, it is a way of controls or of a tariff
MIN_BATTERIES = 10  # ours: fewer do not show the ways of a fleet


def detect(
    yield_night: Night,
    yield_residual: pl.DataFrame,
    hourly: pl.DataFrame,
    days: pl.DataFrame,
    battery_unmet: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
) -> list[Verdict]:
    """A finding to watch per watched site whose last three days are strange; the value is the day's score, 0 to 1.

    At most one site in a hundred, the strangest first; batteries that pause beside them, as hardly any may.
    """
    sites = yield_night.fleet.sites
    if sites.is_empty() or days.is_empty():
        return []
    # [sites, days, features], NaN where not known
    z = _deviations(_features(sites, yield_residual, hourly, days, battery_unmet, day))
    is_known = np.isfinite(z).sum(axis=-1) >= 2
    past = np.isfinite(z[:, :-LASTS_DAYS]).sum(axis=1).max(axis=-1)
    ready = (past >= MIN_PAST_DAYS) & is_known[:, -LASTS_DAYS:].all(axis=-1)
    explained = set(earlier["site_id"])
    watched = sites["watched"].fill_null(True).to_numpy()
    silent = sites["site_id"].is_in([*explained, *yield_night.doubts]).to_numpy()
    is_asked = ready & watched & ~silent
    last = _spans(z[:, -2 * LASTS_DAYS :])[:, -1]
    is_asked &= (np.abs(last) >= STRANGE_Z).any(axis=-1)
    limited = sites["feed_in_limit_kw"].is_not_null().to_numpy()
    far = [_far_out(last[n], bool(limited[n])) if asked else [] for n, asked in enumerate(is_asked)]

    @cache
    def spans(number: int) -> Array:  # of one feature: hardly any site is so far out that the fleet's past is asked
        return _spans(z[:, :, number])

    verdicts: list[Verdict] = []
    found: list[Finding] = []
    pausing = _pausing(battery_unmet, day)
    for row, site_id in enumerate(sites["site_id"]):
        if not watched[row] or site_id in explained:
            continue
        if reason := yield_night.doubts.get(site_id):
            verdicts.append(NotJudged(site_id, day, DETECTOR, reason))
        elif own := pausing.get(site_id):
            today, pauses, score = own
            reason = because(REASONS, "hardly-asked-for", pauses=pauses)
            if today is None:
                verdicts.append(NotJudged(site_id, day, DETECTOR, reason))
            elif today:
                verdicts.append(_pauses_finding(site_id, day, pauses, score))
        elif not ready[row]:
            verdicts.append(
                NotJudged(site_id, day, DETECTOR, because(REASONS, "short-past", days=past[row], needed=MIN_PAST_DAYS))
            )
        elif far[row] and (score := _score(spans(far[row][0]), row)) >= STRANGE_SCORE:
            if yield_night.spell_days[row] > 0 or (yield_night.is_cold[row] and far[row][0] < len(OF_ROOF)):
                verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "snow")))
                continue
            found.append(_finding(site_id, day, score, z[row], far[row]))
    found.sort(key=lambda one: (-one.value, one.site_id))
    return [*verdicts, *found[: max(sites.height // SITES_PER_FINDING, 1)]]


def _pausing(unmet: pl.DataFrame, day: date) -> dict[str, tuple[int | None, int, float]]:
    """Site -> the day's pauses (None = not watched), those of the fortnight, and the share of batteries with fewer."""
    lately = unmet.filter(
        pl.col("day").is_between(day - timedelta(days=OWN_DAYS - 1), day), pl.col("pauses").is_not_null()
    )
    by_site = lately.group_by("site_id").agg(
        today=pl.col("pauses").filter(pl.col("day") == day).first(),
        total=pl.col("pauses").sum(),
        days=(pl.col("pauses") > 0).sum(),
        a_day=pl.col("pauses").mean(),
    )
    if by_site.height < MIN_BATTERIES:
        return {}
    by_site = by_site.with_columns(
        is_pausing=(pl.col("days") >= PAUSING_DAYS) & (pl.col("total") >= PAUSES) & (pl.col("a_day") >= PAUSES_A_DAY),
        score=(pl.col("a_day").rank("min") - 1) / (pl.len() - 1),
    )
    if by_site["is_pausing"].sum() > max(MAX_SHARE * by_site.height, 1):
        return {}
    told = by_site.filter("is_pausing").select("site_id", "today", "total", "score")
    return {site_id: (today, total, score) for site_id, today, total, score in told.iter_rows()}


def _features(
    sites: pl.DataFrame,
    residuals: pl.DataFrame,
    hours: pl.DataFrame,
    days: pl.DataFrame,
    unmet: pl.DataFrame,
    day: date,
) -> Array:
    """[sites, days, features]: the figures of the days up to `day` as ratios and shares."""
    first = day - timedelta(days=WINDOW_DAYS - 1)
    figures = np.full((sites.height, WINDOW_DAYS, len(FEATURES)), np.nan)
    index = sites.select("site_id").with_row_index("row")

    def placed(frame: pl.DataFrame, *wanted: str) -> pl.DataFrame:
        rows = (
            frame.select("site_id", "day", *wanted)
            .join(index, on="site_id", how="inner")
            .with_columns(at=(pl.col("day") - pl.lit(first)).dt.total_days())
        )
        return rows.filter(pl.col("at").is_between(0, WINDOW_DAYS - 1))

    def lay(rows: pl.DataFrame, values: Array, number: int) -> None:
        figures[rows["row"].to_numpy(), rows["at"].to_numpy(), number] = values

    levels = placed(residuals.filter(pl.col("x").is_not_null()), "x")
    lay(levels, np.exp(column(levels, "x")), 0)
    placed_hours = placed(hours, "pv_w", "pv1_kwh", "pv2_kwh")
    power = hourly_rows.table(placed_hours, "pv_w")
    longitude = sites["longitude"].to_numpy()[placed_hours["row"].to_numpy()]
    solar_h = (np.arange(24)[None, :] + 0.5 + longitude[:, None] / 15) % 24 - 12
    total = np.nansum(power, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        lay(placed_hours, np.nansum(np.where(solar_h < -1.5, power, 0), axis=1) / total, 1)
        lay(placed_hours, np.nansum(np.where(np.abs(solar_h) <= 1.5, power, 0), axis=1) / total, 2)
    share = placed_hours.select(share=pl.col("pv1_kwh") / pl.sum_horizontal("pv1_kwh", "pv2_kwh"))
    lay(placed_hours, column(share, "share"), 3)
    rows = placed(days, "load_kwh", "import_kwh", "charge_kwh", "discharge_kwh").with_columns(
        load=(pl.col("load_kwh") + 0.5).log(),
        night=pl.col("import_kwh") / pl.when(pl.col("load_kwh") > 0.5).then("load_kwh"),
        losses=(pl.col("charge_kwh") - pl.col("discharge_kwh"))
        / pl.when(pl.col("charge_kwh") > 0.5).then("charge_kwh"),
    )
    for number, name in ((4, "load"), (5, "night"), (6, "losses")):
        lay(rows, column(rows, name), number)
    asked = placed(unmet, "unmet_ratio")
    lay(asked, column(asked, "unmet_ratio"), 7)
    return figures


def _deviations(values: Array) -> Array:
    """Each figure in its site's own sigmas from its own middle, what the fleet shares that day taken off."""
    values = np.where(np.isfinite(values), values, np.nan)
    own = values - median(values, axis=1)[:, None, :]
    is_shared = np.isfinite(own).sum(axis=0) >= MIN_FLEET
    rest = own - np.where(is_shared, median(own, axis=0), 0.0)[None, :, :]
    scale = np.maximum(robust_sigma(rest[:, :-LASTS_DAYS], axis=1), MIN_SIGMA)[:, None, :]
    return np.asarray(np.clip(rest / scale, -MAX_Z, MAX_Z))


def _spans(z: Array) -> Array:
    """[sites, days, ...]: the least deviation, with its sign, of LASTS_DAYS days running that end on each day.

    Or of that many known ones of twice as many days, where some tell nothing; 0 = to both sides; NaN = too few known.
    """
    deviation = _smallest(z, LASTS_DAYS)
    longer = _smallest(z, 2 * LASTS_DAYS)
    return np.where(np.isfinite(deviation), deviation, longer)


def _smallest(z: Array, days: int) -> Array:
    """Of the `days` days that end on each day, LASTS_DAYS of them and the last one known at least."""
    low, high, known = np.full_like(z, np.inf), np.full_like(z, -np.inf), np.zeros(z.shape, dtype=np.int8)
    for back in range(days):
        earlier = z[:, : z.shape[1] - back]
        known[:, back:] += np.isfinite(earlier)
        low[:, back:] = np.fmin(low[:, back:], earlier)
        high[:, back:] = np.fmax(high[:, back:], earlier)
    is_known = (known >= LASTS_DAYS) & np.isfinite(z)
    return np.where(is_known, np.where(low > 0, low, np.where(high < 0, high, 0.0)), np.nan)


def _score(spans: Array, row: int) -> float:
    """The share of the fleet's past spans of a feature that were less far out than the site's last one, 0 to 1."""
    past = np.abs(spans[:, :-LASTS_DAYS])
    past[row, -OWN_DAYS:] = np.nan  # what has lasted for days is not its own past
    known = past[np.isfinite(past)]
    if len(known) < MIN_PAST_DAYS:
        return 0.0
    return float(1 - (known >= abs(spans[row, -1])).mean())


def _far_out(last: Array, is_limited: bool) -> list[int]:
    """The features that stand out, the one that raises it first and then the farthest; empty if none raises it."""
    reach = np.nan_to_num(np.abs(last))
    quiet = {*HABITS, "performance", *(OF_LIMIT if is_limited else ())}
    raising = [n for n, name in enumerate(FEATURES) if name not in quiet and reach[n] >= STRANGE_Z]
    if not raising:
        return []
    first = max(raising, key=lambda n: float(reach[n]))
    others = [int(n) for n in np.argsort(-reach) if reach[n] >= STRANGE_Z * NAMED_SHARE and n != first]
    return [first, *others]


def _finding(site_id: str, day: date, score: float, z: Array, far: list[int]) -> Finding:
    names = list(FEATURES)
    words = ", ".join(f"{FEATURES[names[n]]} ({z[-1, n]:+.0f} sigmas)" for n in far[:3])
    summary = f"Unlike its own past for {LASTS_DAYS} days: {words}."
    evidence = {f"{names[n]}_z_ratio": float(z[-1, n]) for n in far}
    told = ", ".join(names[n] for n in far)
    expected = "within three sigmas of its own middle"
    return _to_watch(site_id, day, score, STRANGE_SCORE, summary, words, expected, told, evidence)


def _pauses_finding(site_id: str, day: date, pauses: int, score: float) -> Finding:
    what = f"stopped and went on {pauses} times in {OWN_DAYS} days"
    summary = (
        f"Its battery {what} while the house went on drawing and it had charge; {score:.0%} of the batteries here do "
        "so less."
    )
    expected = "gives what the house wants while it has charge"
    return _to_watch(site_id, day, score, 1 - MAX_SHARE, summary, what, expected, "pauses", {"pauses_count": pauses})


def _to_watch(
    site_id: str,
    day: date,
    score: float,
    threshold: float,
    summary: str,
    measured: str,
    expected: str,
    features: str,
    evidence: Mapping[str, EvidenceValue],
) -> Finding:
    return Finding(
        site_id=site_id,
        day=day,
        kind=KIND,
        severity="watch",
        value=score,
        unit="score",
        threshold=threshold,
        summary=summary,
        measured=measured,
        expected=expected,
        evidence={"features_text": features, **evidence, "score_ratio": score},
    )
