"""An input that makes nothing, day after day, while the roof's other inputs work on: no sky is asked for.

What a site may feed in, and whether anybody stands around it, leaves its level open; an open circuit shows beside the
other inputs of the same inverter all the same.
"""

from collections.abc import Collection, Iterator
from datetime import date, timedelta
from typing import Any, NamedTuple

import numpy as np
import polars as pl

from detectors.finding import Finding, Severity, level, series
from detectors.frames import STRING_CHANNELS
from detectors.losses import Worth, day_losses, worths
from detectors.stats.robust import Array
from detectors.yields import verdicts
from detectors.yields.cold import LIT_AROUND_DAYS
from detectors.yields.fleet_day import column
from detectors.yields.night import Night

KIND = "string-loss"
ENERGIES = [f"{name[:-2]}_kwh" for name in STRING_CHANNELS]
DEAD_RATIO, ALIVE_RATIO = 0.02, 0.2  # ours: of its usual share; an open input's meter shows its offset
MIN_DUE_KWH = 0.3  # ours: of a day; below it a coarse meter shows nothing of a small plane
DEAD_DAYS = 3  # ours: in a row, of those that could show it; on fewer it may have been switched off for work
# Ours: a limit throttles one input before another, and snow lies longer on one plane, yet hardly for a week.
DOUBTFUL_DAYS = LIT_AROUND_DAYS
ALIVE_DAYS = 5  # ours: on which it gave its share before; a free port gives nothing from the first day on
FEW_ALIVE_DAYS = 2  # ours: of so few, an input that died right after is sure only if it stays dead as if in doubt
KNOWN_WITHIN_DAYS = 7  # ours: what no day has shown for so long is not told of today


class Dead(NamedTuple):
    """An input that gives nothing any more; arrays are [days] of those asked about."""

    number: int  # from 1
    first: int  # place of its first dead day
    share: float  # of the site's energy, that it usually gave
    due_kwh: Array  # beside what the others made; NaN where a day could not show it
    shown_days: int  # dead days that could show it


def find(energies: Array, kwp: float, dead_days: int = DEAD_DAYS) -> Dead | None:
    """The input that has died, by the day's kWh of each, [days, inputs], NaN where not measured; None without one.

    Its share is told by the days on which it worked, as the middle one; so it is told as long as the days hold some.
    """
    for n in range(energies.shape[1]):
        others = np.nansum(np.delete(energies, n, axis=1), axis=1)
        own = energies[:, n]
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.where(np.isfinite(own) & (others > 0), own / others, np.nan)
        known = ratio[np.isfinite(ratio)]
        alive = known[known > ALIVE_RATIO * np.quantile(known, 0.9)] if len(known) else known
        usual = float(np.median(alive)) if len(alive) else 0.0
        due = np.where(np.isfinite(own), usual * others, np.nan)
        shows = np.flatnonzero(np.nan_to_num(due) >= max(MIN_DUE_KWH, 0.02 * kwp))
        is_dead = own[shows] < DEAD_RATIO * due[shows]
        count = int(np.append(~is_dead[::-1], True).argmax())  # of the last ones, in a row
        alive_days = int((own[shows] > ALIVE_RATIO * due[shows]).sum())
        asked_days = dead_days if alive_days >= ALIVE_DAYS else max(dead_days, DOUBTFUL_DAYS)
        if count < asked_days or alive_days < FEW_ALIVE_DAYS:
            continue
        at = shows[len(shows) - count :]
        if len(energies) - 1 - at[-1] > KNOWN_WITHIN_DAYS:
            continue
        due_kwh = np.full(len(energies), np.nan)
        due_kwh[at] = due[at]
        return Dead(n + 1, int(at[0]), usual / (1 + usual), due_kwh, count)
    return None


def findings(
    hourly: pl.DataFrame,
    skipped: Collection[str],
    night: Night,
    days: pl.DataFrame,
    day: date,
    *,
    proved: Collection[str] = (),
) -> Iterator[Finding]:
    """A finding per watched site with a dead input; to watch behind a limit and in the cold, where it takes a week.

    The cold is no doubt at sites whose loss of a string is `proved`.
    """
    fleet = night.fleet
    may_be_snow = (night.is_cold | (night.spell_days > 0)) & ~fleet.sites["site_id"].is_in(list(proved)).to_numpy()
    sites = fleet.sites.with_columns(is_doubtful=pl.Series(fleet.roofs.has_limit | may_be_snow)).filter(
        ~pl.col("site_id").is_in([*skipped, *night.doubts]), pl.col("watched").fill_null(value=True)
    )
    heard = hourly.filter(pl.col("day") == day)["site_id"]
    several = pl.sum_horizontal(pl.col(name).is_not_null() for name in ENERGIES) > 1
    rows = hourly.filter(several, pl.col("site_id").is_in(heard.implode())).sort("site_id", "day")
    by_site = _with_low_input(rows).partition_by("site_id", as_dict=True)
    worth_of: dict[str, Worth] = {}
    for site in sites.iter_rows(named=True):
        mine = by_site.get((site["site_id"],))
        if mine is None:
            continue
        energies = np.column_stack([column(mine, name) for name in ENERGIES])
        dead = find(energies, site["installed_kwp"], DOUBTFUL_DAYS if site["is_doubtful"] else DEAD_DAYS)
        if dead is None:
            continue
        worth_of = worth_of or worths(days, sites)
        severity: Severity = "watch" if site["is_doubtful"] else "soon"
        yield _finding(site, mine["day"].to_list(), energies, dead, severity, day, worth_of[site["site_id"]])


def _with_low_input(rows: pl.DataFrame) -> pl.DataFrame:
    """The rows of sites at which an input lately gave less than a dead one would of the highest share that it ever had.

    The others have no dead input: `find` asks for such a day by the usual share, which is not above the highest one.
    """
    shares = []
    for name in ENERGIES:
        others = pl.sum_horizontal(other for other in ENERGIES if other != name)
        shares.append(pl.when(others > 0).then(pl.col(name) / others).alias(name))
    highest, lately = pl.col(ENERGIES).max(), pl.col(ENERGIES).tail(KNOWN_WITHIN_DAYS + 1).min()
    ratios = (
        rows.select("site_id", *shares).group_by("site_id").agg(is_low=pl.any_horizontal(lately < DEAD_RATIO * highest))
    )
    return rows.join(ratios.filter("is_low"), on="site_id", how="semi", maintain_order="left")


def _finding(
    site: dict[str, Any], dates: list[date], energies: Array, dead: Dead, severity: Severity, day: date, worth: Worth
) -> Finding:
    """Behind a limit nobody can say what of the input's energy would have been used: no loss is told."""
    made = np.nansum(energies, axis=1)
    lost = dead.due_kwh if site["feed_in_limit_kw"] is None else np.full(len(dates), np.nan)
    each = worth.per_kwh(made, np.nan_to_num(lost))
    losses = day_losses(dates, lost.tolist(), each, since=dates[dead.first], until=day)
    today = next((one for one in losses if one.day == day), None)
    first = dates[dead.first]
    own = energies[:, dead.number - 1]
    snow = verdicts.SNOW_WORDS if severity == "watch" and site["feed_in_limit_kw"] is None else ""
    shown = series("input", "kWh", "measured", dates, own)
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity=severity,
        value=100 * dead.share,
        unit="%",
        threshold=0.0,
        summary=f"Since {first.isoformat()} input {dead.number} makes nothing while the others work on: "
        f"{100 * dead.share:.0f} % of its power is missing.{snow}",
        measured=f"{np.nan_to_num(own)[dead.first :].sum():.1f} kWh on {dead.shown_days} days",
        expected=f"{np.nansum(dead.due_kwh):.1f} kWh, its usual share of what the inputs make together",
        since=first,
        loss_kwh=today.kwh if today else 0.0,
        cost=today.cost if today else 0.0,
        losses=losses,
        evidence={
            "missing_pct": 100 * dead.share,
            "first_day": first.isoformat(),
            "earliest_day": (first - timedelta(days=1)).isoformat() if dead.first else first.isoformat(),
            "input_count": dead.number,
            "dead_days_count": dead.shown_days,
        },
        series=(shown, *level("usual", "kWh", "expected", float(np.nanmedian(dead.due_kwh)), shown)),
    )
