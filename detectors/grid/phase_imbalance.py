"""One phase imports while another feeds in, for long, on a three-phase site.

Where the meter adds the phases up this costs nothing; where each is billed alone, or the site may not feed in, the
same kilowatt-hours are sold cheaply and bought dear in one instant. A three-phase inverter can be set to even the
phases out. An inverter on one phase does it by nature and no setting fixes that; the finding tells the two apart.
"""

from datetime import date, timedelta

import polars as pl

from detectors.finding import (
    EvidenceValue,
    Finding,
    Kind,
    NotJudged,
    Reason,
    Severity,
    Verdict,
    because,
    channel_series,
    doubts,
)
from detectors.frames import PHASE_CHANNELS
from detectors.grid.meter import block_means
from detectors.grid.phase_days import PHASES, flows

DETECTOR = "phase-imbalance"
KIND = "phase-imbalance"
RANK = 40
KINDS = {
    KIND: Kind(
        title="One phase imports while another feeds in",
        open_after=2,
        within=5,
        close_after=3,
        where="desk",
        visit_if="the inverter cannot even the phases out, or a sensor sits on the wrong phase",
        cause="The inverter gives all phases the same, or sits on one of them: it is not set to even the phases out, "
        "or cannot.",
        next_step="Service desk: look whether the meter adds the phases up; if it does, close this with a note. "
        "Otherwise let the inverter even the phases out, a setting from afar, or move loads to the phase that "
        "feeds in.",
        steps=(
            "Read how the network's meter counts: over the sum of the phases, or each alone.",
            "Check that unbalanced output, phase by phase, is allowed and switched on.",
            "Check that each current sensor sits on the phase that it is paired with, arrow towards the house.",
            "With a load of 1 kW on one phase alone, confirm that this phase's import goes back to near zero.",
        ),
        cautions=(
            "Qualified persons only, under local codes and the network operator's rules.",
            "Never open a current transformer's secondary under load unless it is of the voltage-output type.",
        ),
    )
}
REASONS = {
    "not-three-phase": "the register does not name three phases",
    "phases-missing": "no readings of the single phases",
    "quiet-day": "{crossed_kwh:.2f} kWh crossed on this day; the week's {week_kwh:.1f} kWh come of the days before",
    "low-coverage": "phases known for {coverage_pct:.0f} % of the day",
}

MIN_KWH = 2.0  # ours: in a week, a hundred kilowatt-hours a year; less is not worth anybody's morning
MIN_SHARE = 0.02  # ours: of what the others imported meanwhile, in the week; two class 1 meters explain as much
MIN_HOURS = 3.0  # ours: in a week, "for long"; a cooker on one phase at noon does it for an hour
QUIET_SHARE = 0.5  # ours: of a seventh of these; a day with less neither shows the fault nor its end
WEEK_DAYS = 7
MIN_COVERAGE_PCT = 50.0  # ours: with less than half of the day seen, silence proves nothing
ONE_PHASE_SHARE = 0.85  # ours: of the generation's changes that show on one phase alone
# ours: of the generation's changes, that the phases show together. A battery that follows the house's loads changes as
# they do: then the phases show the loads, each on its own, and next to nothing of it all.
SHOWN_SHARE = 0.5
MIN_CHANGES = 4  # ours: half hours in which generation changed by much; fewer are chance
MIN_CHANGE_SHARE = 0.08  # ours: of the rating; smaller changes of generation drown in the loads'

UNKNOWN_SOURCE = "generation does not tell on which phases the inverter feeds"


def detect(
    readings: pl.DataFrame,
    phase_day: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    *,
    min_kwh: float = MIN_KWH,
    min_share: float = MIN_SHARE,
    min_hours: float = MIN_HOURS,
) -> list[Verdict]:
    """A finding per three-phase site, in kWh of `day` fed in on some phases while others imported.

    Judged by what crossed, fed in while others imported as much, over the sum of the seven days that end on `day`: a
    little on every day is as much as a lot on one.
    """
    is_three = (pl.col("phases") == 3).fill_null(False)
    not_three = because(REASONS, "not-three-phase")
    others = sites.filter(~is_three)["site_id"].sort()
    verdicts: list[Verdict] = [NotJudged(site_id, day, DETECTOR, not_three) for site_id in others]
    three = sites.filter(is_three).sort("site_id")
    if three.is_empty():
        return verdicts
    doubted = doubts(earlier, "grid sign")
    own = readings.join(three.select("site_id"), on="site_id", how="semi")
    sums = {row["site_id"]: row for row in _weeks(phase_day, day).iter_rows(named=True)}
    answers = {row["site_id"]: row for row in _answers(own, three).iter_rows(named=True)}
    for site in three.iter_rows(named=True):
        site_id = site["site_id"]
        if site_id not in sums:
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "phases-missing")))
        elif site_id in doubted:
            verdicts.append(NotJudged(site_id, day, DETECTOR, doubted[site_id]))
        else:
            floor_kwh = max(min_kwh, min_share * sums[site_id]["week_beside_kwh"])
            judged = _judge(sums[site_id], floor_kwh, min_hours)
            if isinstance(judged, Reason):
                verdicts.append(NotJudged(site_id, day, DETECTOR, judged))
            elif judged:
                course = flows(own.filter(pl.col("site_id") == site_id))
                verdicts.append(_finding(site, sums[site_id], course, answers.get(site_id), floor_kwh, day))
    return verdicts


def _weeks(phase_day: pl.DataFrame, day: date) -> pl.DataFrame:
    """The rows of `day` with the sums of the week that ends on it."""
    week = phase_day.filter(pl.col("day").is_between(day - timedelta(days=WEEK_DAYS - 1), day))
    beside = pl.sum_horizontal(f"imported_l{n}_kwh" for n in PHASES)
    sums = week.group_by("site_id").agg(
        pl.col("crossed_kwh", "crossed_h").sum().name.prefix("week_"),
        week_beside_kwh=beside.sum(),
        week_days=pl.len(),
    )
    return week.filter(pl.col("day") == day).join(sums, on="site_id")


def _judge(row: dict, floor_kwh: float, min_hours: float) -> bool | Reason:
    """Whether the week shows the fault and the day goes on with it, or why the day does not tell."""
    if row["week_crossed_kwh"] >= floor_kwh and row["week_crossed_h"] >= min_hours:
        if row["crossed_kwh"] >= QUIET_SHARE * floor_kwh / WEEK_DAYS:
            return True
        return because(REASONS, "quiet-day", crossed_kwh=row["crossed_kwh"], week_kwh=row["week_crossed_kwh"])
    if row["seen_h"] < 24 * MIN_COVERAGE_PCT / 100:
        return because(REASONS, "low-coverage", coverage_pct=row["seen_h"] / 0.24)
    return False


def _answers(own: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """How much of a change of generation each phase shows: 1 on one phase, or a third on each.

    Least squares over changes from half hour to half hour, with the battery's changes taken as generation's.
    """
    known = sites.select("site_id", min_w=MIN_CHANGE_SHARE * 1000 * pl.coalesce("inverter_kw", "installed_kwp"))
    halves = block_means(own, ["pv_w", "battery_w", *PHASE_CHANNELS], 30, ["site_id"]).join(known, on="site_id")
    made = pl.col("pv_w") + pl.col("battery_w").fill_null(0.0)
    change = {name: pl.col(name).diff().over("site_id") for name in PHASE_CHANNELS}
    changes = halves.sort("site_id", "start_utc").with_columns(
        made.diff().over("site_id").alias("made_w"), **{f"d_{name}": change[name] for name in PHASE_CHANNELS}
    )
    large = changes.filter(pl.col("made_w").abs() >= pl.col("min_w"))
    return large.group_by("site_id").agg(
        changes=pl.len(),
        **{
            f"answer_l{n}_ratio": -(pl.col(f"d_{name}") * pl.col("made_w")).sum() / (pl.col("made_w") ** 2).sum()
            for n, name in enumerate(PHASE_CHANNELS, 1)
        },
    )


def _source(answer: dict | None) -> tuple[str, dict[str, EvidenceValue]]:
    """Where the inverter sits, in words and figures, as far as the phases' answer to generation tells."""
    ratios = [] if answer is None else [answer[f"answer_l{n}_ratio"] for n in (1, 2, 3)]
    shares = [float(share) for share in ratios if share is not None]
    if answer is None or answer["changes"] < MIN_CHANGES or len(shares) < 3:
        return UNKNOWN_SOURCE, {}
    figures: dict[str, EvidenceValue] = {f"answer_l{n}_ratio": round(share, 3) for n, share in enumerate(shares, 1)}
    highest = shares.index(max(shares))
    total = sum(max(share, 0.0) for share in shares)
    if sum(shares) < SHOWN_SHARE:
        return UNKNOWN_SOURCE, figures
    if shares[highest] >= ONE_PHASE_SHARE * total:
        return f"the inverter feeds on L{highest + 1} alone, so this comes of how it is connected", figures
    return "the inverter feeds on several phases, so it may be able to even them out", figures


def _finding(site: dict, row: dict, courses: pl.DataFrame, answer: dict | None, floor_kwh: float, day: date) -> Finding:
    source, figures = _source(answer)
    limit_kw = site["feed_in_limit_kw"]
    severity: Severity = "watch"
    if limit_kw == 0:  # counted by phase this is feed-in at a site that may not
        severity = "soon"
    feeding = [n for n in (1, 2, 3) if row[f"fed_in_l{n}_kwh"] >= 0.1 * row["fed_kwh"]]
    names = " and ".join(f"L{n}" for n in feeding)
    price = max(site["import_price"] - (site["feed_in_price"] if limit_kw != 0 else 0.0), 0.0)
    share_pct = 100 * row["week_crossed_kwh"] / max(row["week_beside_kwh"], 1e-9)
    hourly = courses.group_by(pl.col("start_utc").dt.truncate("30m")).agg(pl.col(*PHASE_CHANNELS).mean())
    hourly = hourly.sort("start_utc")
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity=severity,
        value=row["fed_kwh"],
        unit="kWh",
        threshold=floor_kwh / WEEK_DAYS,
        summary=f"{names} fed in {row['fed_kwh']:.1f} kWh in {row['crossed_h']:.1f} hours in which others imported: "
        f"{row['crossed_kwh']:.1f} kWh went in and out at once, in the week {row['week_crossed_kwh']:.1f} kWh. "
        f"With each phase billed alone that is {row['week_crossed_kwh'] * price:.2f} {site['currency'] or ''} of the "
        "week.",
        measured=f"{row['fed_kwh']:.1f} kWh fed in over {row['crossed_h']:.1f} hours in which other phases imported, "
        f"{row['crossed_kwh']:.1f} kWh in and out at once; {source}",
        expected="phases that import or feed in together, 2 % of the import meanwhile aside",
        evidence={
            "fed_in_while_importing_kwh": row["fed_kwh"],
            "crossed_kwh": row["crossed_kwh"],
            "crossed_h": row["crossed_h"],
            "imported_kwh": row["imported_kwh"],
            "week_crossed_kwh": row["week_crossed_kwh"],
            "week_crossed_h": row["week_crossed_h"],
            "week_imported_meanwhile_kwh": row["week_beside_kwh"],
            "week_days_count": row["week_days"],
            "share_pct": share_pct,
            "inverter_text": source,
            **{f"{what}_l{n}_kwh": row[f"{what}_l{n}_kwh"] for what in ("fed_in", "imported") for n in (1, 2, 3)},
            **figures,
        },
        series=channel_series(hourly, "start_utc", *PHASE_CHANNELS),
    )
