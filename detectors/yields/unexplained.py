"""The net below the named detectors: site-days unlike their own past and unlike their neighbours', to watch only.

An isolation forest over a day's features finds what nobody thought of. It knows no causes, so it speaks seldom: only
of what stands out three days in a row where no other detector has anything to say.
"""

from datetime import date, timedelta

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.finding import Finding, Kind, NotJudged, Verdict, because
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
}

FEATURES = {  # name -> what stands behind it, in the desk's words
    "performance": "yield beside the neighbours'",
    "morning": "the morning's share of the day's yield",
    "noon": "the noon's share of the day's yield",
    "input": "the first input's share",
    "load": "consumption",
    "night": "import beside consumption",
    "losses": "what goes into the battery and does not come out",
}
OF_ROOF = ("performance", "morning", "noon", "input")  # the features that snow on the roof changes
WINDOW_DAYS = 60
SITES_PER_FINDING = 100  # ours: a net that speaks more often is not read
LEAST_PAST_DAYS = 20  # ours: fewer days do not show a site's own ways
LASTS_DAYS = 3  # ours: a holiday weekend is two
FOREST_ROWS = 20_000  # ours: a forest of 256-row trees has seen enough then
TREES = 100
STRANGE_SCORE = 0.62  # ours: Liu, Ting & Zhou 2008: scores near 0.5 are ordinary, well above 0.5 anomalous
STRANGE_Z = 5.0  # ours: and one feature at least this far out, in its own spreads, or two at two thirds of it
LEAST_SPREAD = 0.05  # ours: habits steadier than that are luck
MAX_Z = 12.0  # ours: beyond it all is equally strange
SEED = 7  # the forest draws lots; the same days give the same forest


def detect(
    yield_night: Night,
    yield_residual: pl.DataFrame,
    hourly: pl.DataFrame,
    days: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
) -> list[Verdict]:
    """A finding to watch per watched site whose last three days are strange; the value is the day's score, 0 to 1.

    At most one site in a hundred, the strangest first.
    """
    sites = yield_night.fleet.sites
    if sites.is_empty() or days.is_empty():
        return []
    z = _deviations(_features(sites, yield_residual, hourly, days, day))  # [sites, days, features], NaN where not known
    is_known = np.isfinite(z).sum(axis=-1) >= 2
    past = np.isfinite(z[:, :-LASTS_DAYS]).sum(axis=1).max(axis=-1)
    ready = (past >= LEAST_PAST_DAYS) & is_known[:, -LASTS_DAYS:].all(axis=-1)
    explained = set(earlier["site_id"])
    watched = sites["watched"].fill_null(True).to_numpy()
    silent = sites["site_id"].is_in([*explained, *yield_night.doubts]).to_numpy()
    is_asked = ready & watched & ~silent
    far = [_far_out(one[-LASTS_DAYS:]) if asked else [] for one, asked in zip(z, is_asked, strict=True)]
    score = _scores(z, is_known, np.array([bool(one) for one in far]))
    verdicts: list[Verdict] = []
    found: list[Finding] = []
    for row, site_id in enumerate(sites["site_id"]):
        if not watched[row] or site_id in explained:
            continue
        if reason := yield_night.doubts.get(site_id):
            verdicts.append(NotJudged(site_id, day, DETECTOR, reason))
        elif not ready[row]:
            verdicts.append(
                NotJudged(
                    site_id, day, DETECTOR, because(REASONS, "short-past", days=past[row], needed=LEAST_PAST_DAYS)
                )
            )
        elif (score[row] >= STRANGE_SCORE).all():
            if yield_night.spell_days[row] > 0 or (yield_night.is_cold[row] and far[row][0] < len(OF_ROOF)):
                verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "snow")))
                continue
            found.append(_finding(site_id, day, score[row], z[row], far[row]))
    found.sort(key=lambda one: (-one.value, one.site_id))
    return [*verdicts, *found[: max(sites.height // SITES_PER_FINDING, 1)]]


def _features(
    sites: pl.DataFrame, residuals: pl.DataFrame, hours: pl.DataFrame, days: pl.DataFrame, day: date
) -> Array:
    """[sites, days, features]: the figures of the days up to `day` as ratios and shares."""
    first = day - timedelta(days=WINDOW_DAYS - 1)
    told = np.full((sites.height, WINDOW_DAYS, len(FEATURES)), np.nan)
    index = sites.select("site_id").with_row_index("row")

    def placed(frame: pl.DataFrame) -> pl.DataFrame:
        rows = frame.join(index, on="site_id", how="inner").with_columns(
            at=(pl.col("day") - pl.lit(first)).dt.total_days()
        )
        return rows.filter(pl.col("at").is_between(0, WINDOW_DAYS - 1))

    def lay(rows: pl.DataFrame, values: Array, number: int) -> None:
        told[rows["row"].to_numpy(), rows["at"].to_numpy(), number] = values

    levels = placed(residuals.filter(pl.col("x").is_not_null()))
    lay(levels, np.exp(column(levels, "x")), 0)
    kept = placed(hours)
    power = hourly_rows.table(kept, "pv_w")
    longitude = sites["longitude"].to_numpy()[kept["row"].to_numpy()]
    solar_h = (np.arange(24)[None, :] + 0.5 + longitude[:, None] / 15) % 24 - 12
    total = np.nansum(power, axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        lay(kept, np.nansum(np.where(solar_h < -1.5, power, 0), axis=1) / total, 1)
        lay(kept, np.nansum(np.where(np.abs(solar_h) <= 1.5, power, 0), axis=1) / total, 2)
    share = kept.select(share=pl.col("pv1_kwh") / pl.sum_horizontal("pv1_kwh", "pv2_kwh"))
    lay(kept, column(share, "share"), 3)
    rows = placed(days).with_columns(
        load=(pl.col("load_kwh") + 0.5).log(),
        night=pl.col("import_kwh") / pl.when(pl.col("load_kwh") > 0.5).then("load_kwh"),
        losses=(pl.col("charge_kwh") - pl.col("discharge_kwh"))
        / pl.when(pl.col("charge_kwh") > 0.5).then("charge_kwh"),
    )
    for number, name in ((4, "load"), (5, "night"), (6, "losses")):
        lay(rows, column(rows, name), number)
    return told


def _deviations(values: Array) -> Array:
    """Each figure in its site's own spreads from its own middle, what the fleet shares that day taken off."""
    values = np.where(np.isfinite(values), values, np.nan)
    own = values - median(values, axis=1)[:, None, :]
    shared = median(own, axis=0)[None, :, :] if len(values) >= 5 else 0.0
    rest = own - shared
    scale = np.maximum(robust_sigma(rest[:, :-LASTS_DAYS], axis=1), LEAST_SPREAD)[:, None, :]
    return np.asarray(np.clip(rest / scale, -MAX_Z, MAX_Z))


def _scores(z: Array, is_known: NDArray[np.bool_], asked: NDArray[np.bool_]) -> Array:
    """The forest's score of the last days, [sites, LASTS_DAYS]; NaN where it was not asked.

    It is grown only where there is something to ask: on most nights there is none.
    """
    told = np.full((len(z), LASTS_DAYS), np.nan)
    if not asked.any():
        return told
    past = np.nan_to_num(z[:, :-LASTS_DAYS])[is_known[:, :-LASTS_DAYS]]
    if len(past) < 2 * LEAST_PAST_DAYS:
        return told
    from sklearn.ensemble import IsolationForest  # loads slowly, and a young fleet needs none

    # Evenly drawn rows of the fleet's past, sorted, so that neither size nor order of the fleet matters.
    past = past[np.lexsort(past.T)]
    past = past[:: max(len(past) // FOREST_ROWS, 1)]
    forest = IsolationForest(n_estimators=TREES, random_state=SEED).fit(past)
    last = np.nan_to_num(z[asked, -LASTS_DAYS:])
    told[asked] = -forest.score_samples(last.reshape(-1, last.shape[-1])).reshape(last.shape[:2])
    return told


def _far_out(z: Array) -> list[int]:
    """The features that stand out on all the days to one side, the farthest first; empty if they are too few."""
    lowest = np.nan_to_num(np.abs(z)).min(axis=0)
    one_sided = (np.nan_to_num(z) > 0).all(axis=0) | (np.nan_to_num(z) < 0).all(axis=0)
    lowest = np.where(one_sided, lowest, 0.0)
    far = [int(n) for n in np.argsort(-lowest) if lowest[n] >= STRANGE_Z * 2 / 3]
    return far if len(far) >= 2 or (far and lowest[far[0]] >= STRANGE_Z) else []


def _finding(site_id: str, day: date, score: Array, z: Array, far: list[int]) -> Finding:
    names = list(FEATURES)
    words = ", ".join(f"{FEATURES[names[n]]} ({z[-1, n]:+.0f} spreads)" for n in far[:3])
    return Finding(
        site_id=site_id,
        day=day,
        kind=KIND,
        severity="watch",
        value=float(score[-1]),
        unit="score",
        threshold=STRANGE_SCORE,
        summary=f"Unlike its own past for {LASTS_DAYS} days: {words}.",
        measured=words,
        expected="within three spreads of its own middle",
        evidence={
            "features_text": ", ".join(names[n] for n in far),
            **{f"{names[n]}_z_ratio": float(z[-1, n]) for n in far},
            "score_ratio": float(score[-1]),
        },
    )
