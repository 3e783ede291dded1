"""A slow slide over weeks beside the neighbours that no step and no recovery explains: soiling, until rain washes it.

The sequential test's baseline walks along with what falls slowly, so that seasons raise nothing; here the last six
weeks are held against themselves by a straight line.
"""

from collections.abc import Iterator
from datetime import date, timedelta
from typing import Any, NamedTuple

import numpy as np
import polars as pl
from numpy.typing import NDArray

from detectors.finding import CAUSE, NEXT_STEP, Finding, series
from detectors.losses import Worth, worths
from detectors.stats.robust import MAD_TO_SIGMA, Array, median, median_of, robust_sigma
from detectors.yields.fleet_day import column
from detectors.yields.night import Night

KIND = "underperformance"
DAYS = 40  # ours: a month and a week show a slope of 3 % a month beside the weather
KNOWN_SHARE = 0.6  # of them
PCT_PER_MONTH, MAX_PCT = 3.0, 25.0  # ours: common soiling is 1 % a month, beyond three washing pays; more is no soiling
MIN_FALL = 0.015  # ours: log, from each third of the days to the next: a slide is none if it stops
MEDIAN_ERROR = np.sqrt(np.pi / 2)  # standard error of a median over that of a mean, normal distribution
SIGMAS = 3.5  # Iglewicz & Hoaglin 1993: beyond it a value is an outlier of its kind
SEASON_ERROR = 0.3  # ours: of what the season takes from a roof beside the others; planes and skies are known so well
SHARP_RATIO, MIN_SIDE = 0.85, 4  # ours: a step must leave a seventh less unexplained than a line; days on a side
SHOWN_RATIO = 0.7  # ours: of the peak capacity; healthy roofs reach some 0.8 of it, unless an inverter clips them
LATELY_DAYS = 5  # ours: of a day's own level half is weather
WASHED_RATIO = 0.5  # ours: of the slide; who has come back by more than half of it was washed
MONTH_DAYS = 30
MIN_NEIGHBOURS = 3  # ours: the middle one of three is no single roof's


class Slide(NamedTuple):
    """A site's slide over the last weeks."""

    per_month_pct: float
    lost_pct: float  # from the first third to the last
    usual_kwh: float  # expected energy of a day
    lost_kwh: float  # on the last day


def find(x: Array, expected_kwh: Array, alike: float = 0.0) -> Slide | None:
    """The slide of one site's log levels over `DAYS` days, NaN where a day told nothing; None without one.

    `alike`: sigma of what its neighbours fell meanwhile, log from the first third of the days to the last. A roof that
    was washed since slides no more.
    """
    place = np.flatnonzero(np.isfinite(x))
    if len(place) < KNOWN_SHARE * DAYS:
        return None
    y = x[place]
    thirds = _thirds(x[None]).level[:, 0]
    if thirds[0] - thirds[1] < MIN_FALL or thirds[1] - thirds[2] < MIN_FALL:
        return None
    from scipy import stats  # loads slowly, and few roofs come so far

    slope = float(stats.theilslopes(y, place)[0])
    per_month_pct = float((1 - np.exp(slope * MONTH_DAYS)) * 100)
    scatter = median_of(np.abs(np.diff(y))) * MAD_TO_SIGMA / np.sqrt(2)
    by_chance = scatter * MEDIAN_ERROR * np.sqrt(2 / (len(y) / 3))
    if not PCT_PER_MONTH <= per_month_pct <= MAX_PCT or thirds[0] - thirds[2] < SIGMAS * np.hypot(by_chance, alike):
        return None
    if _is_step(place.astype(float), y, slope):
        return None
    line = median_of(y - slope * place) + slope * np.array([0, DAYS - 1])
    lately = median_of(y[-LATELY_DAYS:])
    if lately - line[1] > WASHED_RATIO * (line[0] - line[1]):
        return None
    usual = float(np.nan_to_num(median(expected_kwh)))
    due = expected_kwh[-1] if np.isfinite(expected_kwh[-1]) else usual
    lost_kwh = float(due * -np.expm1(min(lately - line[0], 0.0)))
    return Slide(per_month_pct, float((1 - np.exp(thirds[2] - thirds[0])) * 100), usual, lost_kwh)


def _is_step(place: Array, y: Array, slope: float) -> bool:
    """Whether one step leaves clearly smaller absolute deviations than the line of this slope."""
    beside = y - slope * place
    by_line = np.abs(beside - median_of(beside)).sum()
    by_step = min(
        np.abs(y[:n] - median_of(y[:n])).sum() + np.abs(y[n:] - median_of(y[n:])).sum()
        for n in range(MIN_SIDE, len(y) - MIN_SIDE + 1)
    )
    return bool(by_step <= SHARP_RATIO * by_line)


def findings(
    residuals: pl.DataFrame, cases: pl.DataFrame, night: Night, days: pl.DataFrame, day: date
) -> Iterator[Finding]:
    """A finding to watch per watched site that slides beside its neighbours and has no open case; of registered planes.

    In the cold it may be snow, which stays longer on one roof than on the next, so such days do not count and nothing
    is said on them; nor is it of limited sites, whose level is told by other hours from week to week, nor where an
    inverter of unknown rating may clip, which costs the more the higher the sun stands.
    """
    fleet = night.fleet
    first = day - timedelta(days=DAYS - 1)
    skipped = [*cases.filter(pl.col("day") == day)["site_id"], *night.doubts]
    asked = (
        ~fleet.roofs.is_unknown
        & ~fleet.roofs.has_limit
        & ~night.is_cold
        & ~may_clip(fleet.sites, column(fleet.models, "peak_w"))
        & ~fleet.sites["site_id"].is_in(skipped).to_numpy()
    )
    x, due, is_cold = _laid(residuals, fleet.sites["site_id"], first)
    _by_newest_model(x, fleet.models, first)
    x[is_cold] = np.nan
    x, alike = beside_neighbours(x, fleet.near, asked)
    asked &= fleet.sites["watched"].fill_null(True).to_numpy()
    early, middle, late = _thirds(x).level
    with np.errstate(invalid="ignore"):
        asked &= (early - middle > MIN_FALL / 2) & (middle - late > MIN_FALL / 2)
    sinking = np.flatnonzero(asked)
    season = SEASON_ERROR * np.nan_to_num(season_apart(due, fleet.near[sinking], ~fleet.roofs.has_limit, sinking))
    sigma = np.hypot(alike[sinking], season)
    slides = {
        n: slide for n, one in zip(sinking.tolist(), sigma.tolist(), strict=True) if (slide := find(x[n], due[n], one))
    }
    worth_of = worths(days, fleet.sites[list(slides)])
    for n, slide in slides.items():
        site = fleet.sites.row(n, named=True)
        yield _finding(site, slide, x[n], day, worth_of[site["site_id"]])


def beside_neighbours(x: Array, near: NDArray[np.intp], is_known: NDArray[np.bool_]) -> tuple[Array, Array]:
    """`x` [sites, DAYS] less the trend that a site's neighbours share, and sigma of their falls, log, [sites].

    What roofs of registered planes lose together is the season's, in the models of the others or in the sky's, and no
    soiling of one of them; a fall that is no larger than theirs scatter is chance. NaN where fewer than MIN_NEIGHBOURS
    have a trend. `near`: places of neighbours, -1 where empty; `is_known`: whose trend counts.
    """
    thirds = _thirds(x)
    apart_days = thirds.day[2] - thirds.day[0]
    with np.errstate(invalid="ignore"):
        is_known = is_known & (thirds.days >= KNOWN_SHARE * DAYS)
        per_day = np.where(is_known, (thirds.level[2] - thirds.level[0]) / apart_days, np.nan)
    others = np.append(per_day, np.nan)[near]
    shared = np.where(np.isfinite(others).sum(axis=1) >= MIN_NEIGHBOURS, median(others), np.nan)
    return np.asarray(x - shared[:, None] * np.arange(DAYS)), robust_sigma(others) * apart_days


def season_apart(due_kwh: Array, near: NDArray[np.intp], is_free: NDArray[np.bool_], asked: NDArray[np.intp]) -> Array:
    """By how much, log, what is due of the sites `asked` parted from what is due around them, first third to last.

    As the sun sinks, a roof that lies flat loses more of its light than one that stands up. `due_kwh`: [sites, DAYS];
    `near`: places of neighbours, [asked, neighbours]; `is_free`: [sites] of which whole days are due.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(np.where(is_free[:, None] & (due_kwh > 0), due_kwh, np.nan))
    if not near.size:
        return np.full(len(asked), np.nan)
    around = median(np.append(logs, np.full((1, logs.shape[1]), np.nan), axis=0)[near], axis=1)
    level = _thirds(logs[asked] - around).level
    return np.asarray(np.abs(level[0] - level[2]))


class _Thirds(NamedTuple):
    level: Array  # [3, sites]: medians of a third each of the days that a site told
    day: Array  # [3, sites]: their mean places
    days: Array  # [sites]: how many there are in all


def _thirds(x: Array) -> _Thirds:
    known = np.isfinite(x)
    days = known.sum(axis=1)
    third = (known.cumsum(axis=1) - 1) * 3 // np.maximum(days, 1)[:, None]
    parts = [known & (third == n) for n in range(3)]
    place = np.arange(x.shape[1])
    return _Thirds(
        np.stack([median(np.where(part, x, np.nan)) for part in parts]),
        np.stack([(part * place).sum(axis=1) / np.maximum(part.sum(axis=1), 1) for part in parts]),
        days,
    )


def may_clip(sites: pl.DataFrame, peak_w: Array) -> NDArray[np.bool_]:
    """Whether no rating is registered and the highest power seen leaves room for an inverter that clips, [sites].

    `sites`: SITES; `peak_w`: [sites], NaN where none was seen.
    """
    with np.errstate(invalid="ignore"):
        ratio = peak_w / (1000 * sites["installed_kwp"].to_numpy())
        shown = (ratio >= SHOWN_RATIO) & (ratio < 1)  # at 1 high voltage hides it
    return np.asarray(sites["inverter_kw"].is_null().to_numpy() & ~shown)


def _laid(residuals: pl.DataFrame, site_ids: pl.Series, first: date) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Log levels, expected kWh, and whether a day's drop may be snow, all [sites, DAYS]."""
    index = pl.DataFrame({"site_id": site_ids}).with_row_index("place")
    rows = residuals.join(index, on="site_id", how="inner").with_columns(
        at=(pl.col("day") - pl.lit(first)).dt.total_days()
    )
    rows = rows.filter(pl.col("at").is_between(0, DAYS - 1))
    rows = rows.with_columns(is_cold=pl.col("is_cold").fill_null(False) | (pl.col("spell_days").fill_null(0) > 0))
    into = rows["place"].to_numpy(), rows["at"].to_numpy()
    tables = []
    for name in ("x", "expected_kwh", "is_cold"):
        values = np.full((len(site_ids), DAYS), np.nan)
        values[into] = column(rows, name)
        tables.append(values)
    return tables[0], tables[1], tables[2] > 0


def _by_newest_model(x: Array, models: pl.DataFrame, first: date) -> None:
    """Puts in place what the newest model of a young site says of its days: models of youth differ in their levels."""
    history = models.select("history_day", "history_x").with_row_index("row").explode("history_day", "history_x")
    history = history.with_columns(at=(pl.col("history_day") - pl.lit(first)).dt.total_days()).filter(
        pl.col("at").is_between(0, DAYS - 1)
    )
    x[history["row"].to_numpy(), history["at"].to_numpy()] = history["history_x"].to_numpy()


def _finding(site: dict[str, Any], found: Slide, x: Array, day: date, worth: Worth) -> Finding:
    """Of the judged day, what the slide has taken of it since its window began: an earlier window began elsewhere."""
    month_kwh = found.usual_kwh * MONTH_DAYS * found.lost_pct / 100
    made_kwh = max(found.usual_kwh - found.lost_kwh, 0.0)
    each = float(worth.per_kwh(np.array(made_kwh), np.array(found.lost_kwh)))
    money = f"{month_kwh * each:.2f} {site['currency'] or ''}".strip()
    first = day - timedelta(days=DAYS - 1)
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity="watch",
        value=found.lost_pct,
        unit="%",
        threshold=PCT_PER_MONTH,
        summary=f"Slides by {found.per_month_pct:.1f} % a month beside its neighbours, as soiling does until it rains: "
        f"a washing would bring {month_kwh:.0f} kWh a month, worth {money}.",
        measured=f"{100 - found.lost_pct:.0f} % of its level of six weeks before",
        expected="the same level beside its neighbours in all weeks",
        since=first,
        loss_kwh=found.lost_kwh,
        cost=found.lost_kwh * each,
        evidence={
            "slide_pct": found.per_month_pct,
            "lost_pct": found.lost_pct,
            "washing_kwh": month_kwh,
            "judged_days_count": int(np.isfinite(x).sum()),
            CAUSE: "Dirt that gathers on the modules: dust, pollen, birds, soot. A creeping fault of the modules, or a "
            "tree that grows, slides too, and no rain washes it away.",
            NEXT_STEP: "Wait for rain if the washing is not worth its price; look at the roof on the next visit, and "
            "again if the level stays down after rain.",
        },
        series=(series("site", "ratio", "measured", [first + timedelta(days=n) for n in range(DAYS)], np.exp(x)),),
    )
