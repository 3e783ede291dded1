"""One phase imports while another feeds in, for long, on a three-phase site.

Where the meter adds the phases up this costs nothing; where each is billed alone, or the site may not feed in, the
same kilowatt-hours are sold cheaply and bought dear in one instant. A three-phase inverter can be set to even the
phases out. An inverter on one phase does it by nature and no setting fixes that; the finding tells the two apart.
"""

from datetime import date

import polars as pl

from detectors.finding import (
    EvidenceValue,
    Finding,
    Kind,
    NotJudged,
    Severity,
    Verdict,
    because,
    channel_series,
    doubts,
)
from detectors.frames import PHASE_CHANNELS
from detectors.grid.meter import block_means, steps

DETECTOR = "phase-imbalance"
KIND = "phase-imbalance"
RANK = 40
KINDS = {
    KIND: Kind(
        title="One phase imports while another feeds in",
        open_after=3,
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
    "phases-missing": "no readings of the single phases",
    "low-coverage": "phases known for {coverage_pct:.0f} % of the day",
}

MEAN_MINUTES = 5  # ours: what crosses zero within minutes is a load's switching, not a phase that feeds in
NOISE_W = 50.0  # ours: a phase within 50 W of zero neither imports nor feeds in
MIN_KWH = 1.0  # ours: less in a day is not worth anybody's morning
MIN_SHARE = 0.10  # ours: of what the phases imported; loads that change between phases give a few per cent
MIN_HOURS = 2.0  # ours: "for long"; a cooker on one phase at noon does it for an hour
MIN_COVERAGE_PCT = 50.0  # ours: with less than half of the day seen, silence proves nothing
ONE_PHASE_SHARE = 0.85  # ours: of the generation's changes that show on one phase alone
MIN_CHANGES = 4  # ours: half hours in which generation changed by much; fewer are chance
MIN_CHANGE_SHARE = 0.08  # ours: of the rating; smaller changes of generation drown in the loads'


def detect(
    readings: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    *,
    min_kwh: float = MIN_KWH,
    min_share: float = MIN_SHARE,
    min_hours: float = MIN_HOURS,
) -> list[Verdict]:
    """A finding per three-phase site, in kWh of `day` fed in on some phases while others imported as much."""
    three = sites.filter(pl.col("phases") == 3).sort("site_id")
    if three.is_empty():
        return []
    doubted = doubts(earlier, "grid sign")
    is_read = pl.sum_horizontal(pl.col(name).is_not_null().cast(pl.Int8) for name in PHASE_CHANNELS) >= 2
    own = readings.join(three.select("site_id"), on="site_id", how="semi").filter(is_read)
    flows = _flows(own)
    sums = {row["site_id"]: row for row in _sums(flows).iter_rows(named=True)}
    answers = {row["site_id"]: row for row in _answers(own, three).iter_rows(named=True)}
    verdicts: list[Verdict] = []
    for site in three.iter_rows(named=True):
        site_id = site["site_id"]
        if site_id not in sums:
            verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "phases-missing")))
        elif site_id in doubted:
            verdicts.append(NotJudged(site_id, day, DETECTOR, doubted[site_id]))
        else:
            row = sums[site_id]
            is_raised = (
                row["crossed_kwh"] >= max(min_kwh, min_share * row["imported_kwh"]) and row["crossed_h"] >= min_hours
            )
            if is_raised:
                floor_kwh = max(min_kwh, min_share * row["imported_kwh"])
                courses = flows.filter(pl.col("site_id") == site_id)
                verdicts.append(_finding(site, row, courses, answers.get(site_id), floor_kwh, day))
            elif row["seen_h"] < 24 * MIN_COVERAGE_PCT / 100:
                reason = because(REASONS, "low-coverage", coverage_pct=row["seen_h"] / 0.24)
                verdicts.append(NotJudged(site_id, day, DETECTOR, reason))
    return verdicts


def _flows(own: pl.DataFrame) -> pl.DataFrame:
    """Means of the phases with what went in and out of them beyond the noise, W."""
    means = block_means(own, list(PHASE_CHANNELS), MEAN_MINUTES, ["site_id"])
    noise = steps(own, ["site_id"], PHASE_CHANNELS[0]).with_columns(
        noise_w=pl.max_horizontal(pl.lit(NOISE_W), 1.5 * pl.col("step_w"))
    )
    means = means.join(noise, on="site_id", how="left").sort("site_id", "start_utc")
    phases = [pl.col(name) for name in PHASE_CHANNELS]
    loud = [pl.when(phase.abs() > pl.col("noise_w")).then(phase).otherwise(0.0) for phase in phases]
    return means.with_columns(
        hours=pl.col("minutes") / 60,
        bought_w=pl.sum_horizontal(phase.clip(lower_bound=0) for phase in loud),
        fed_w=pl.sum_horizontal((-phase).clip(lower_bound=0) for phase in loud),
    ).with_columns(crossed_w=pl.min_horizontal("bought_w", "fed_w"))


def _sums(flows: pl.DataFrame) -> pl.DataFrame:
    crossed = pl.col("crossed_w") > 0

    def kwh(power: pl.Expr) -> pl.Expr:
        return (power * pl.col("hours")).sum() / 1000

    return flows.group_by("site_id").agg(
        crossed_kwh=kwh(pl.col("crossed_w")),
        fed_kwh=kwh(pl.when(crossed).then("fed_w").otherwise(0.0)),
        imported_kwh=kwh(pl.col("bought_w")),
        crossed_h=pl.col("hours").filter(crossed).sum(),
        seen_h=pl.col("hours").sum(),
        **{
            f"fed_in_l{n}_kwh": kwh(pl.when(crossed).then((-pl.col(name)).clip(lower_bound=0)).otherwise(0.0))
            for n, name in enumerate(PHASE_CHANNELS, 1)
        },
        **{
            f"imported_l{n}_kwh": kwh(pl.when(crossed).then(pl.col(name).clip(lower_bound=0)).otherwise(0.0))
            for n, name in enumerate(PHASE_CHANNELS, 1)
        },
    )


def _answers(own: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """How much of a change of generation each phase shows: 1 on one phase, or a third on each.

    Least squares over changes from half hour to half hour, with the battery's changes taken as generation's.
    """
    known = sites.select("site_id", least_w=MIN_CHANGE_SHARE * 1000 * pl.coalesce("inverter_kw", "installed_kwp"))
    halves = block_means(own, ["pv_w", "battery_w", *PHASE_CHANNELS], 30, ["site_id"]).join(known, on="site_id")
    made = pl.col("pv_w") + pl.col("battery_w").fill_null(0.0)
    change = {name: pl.col(name).diff().over("site_id") for name in PHASE_CHANNELS}
    changes = halves.sort("site_id", "start_utc").with_columns(
        made.diff().over("site_id").alias("made_w"), **{f"d_{name}": change[name] for name in PHASE_CHANNELS}
    )
    told = changes.filter(pl.col("made_w").abs() >= pl.col("least_w"))
    return told.group_by("site_id").agg(
        changes=pl.len(),
        **{
            f"answer_l{n}_ratio": -(pl.col(f"d_{name}") * pl.col("made_w")).sum() / (pl.col("made_w") ** 2).sum()
            for n, name in enumerate(PHASE_CHANNELS, 1)
        },
    )


def _source(answer: dict | None) -> tuple[str, dict[str, EvidenceValue]]:
    """Where the inverter sits, in words and figures, as far as the phases' answer to generation tells."""
    told = [] if answer is None else [answer[f"answer_l{n}_ratio"] for n in (1, 2, 3)]
    shares = [float(share) for share in told if share is not None]
    if answer is None or answer["changes"] < MIN_CHANGES or len(shares) < 3:
        return "generation does not tell on which phases the inverter feeds", {}
    figures: dict[str, EvidenceValue] = {f"answer_l{n}_ratio": round(share, 3) for n, share in enumerate(shares, 1)}
    highest = shares.index(max(shares))
    total = sum(max(share, 0.0) for share in shares)
    if total > 0 and shares[highest] >= ONE_PHASE_SHARE * total:
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
    share_pct = 100 * row["crossed_kwh"] / row["imported_kwh"]
    hourly = courses.group_by(pl.col("start_utc").dt.truncate("30m")).agg(pl.col(*PHASE_CHANNELS).mean())
    hourly = hourly.sort("start_utc")
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity=severity,
        value=row["crossed_kwh"],
        unit="kWh",
        threshold=floor_kwh,
        summary=f"{names} fed in {row['crossed_kwh']:.1f} kWh while other phases imported as much, over "
        f"{row['crossed_h']:.1f} hours; where each phase is billed alone that is "
        f"{row['crossed_kwh'] * price:.2f} {site['currency'] or ''} of the day.",
        measured=f"{row['crossed_kwh']:.1f} kWh in and out at once over {row['crossed_h']:.1f} hours; {source}",
        expected="phases that import or feed in together, a few per cent of the day's energy aside",
        evidence={
            "crossed_kwh": row["crossed_kwh"],
            "fed_in_while_importing_kwh": row["fed_kwh"],
            "crossed_h": row["crossed_h"],
            "imported_kwh": row["imported_kwh"],
            "share_pct": share_pct,
            "inverter_text": source,
            **{f"{what}_l{n}_kwh": row[f"{what}_l{n}_kwh"] for what in ("fed_in", "imported") for n in (1, 2, 3)},
            **figures,
        },
        series=channel_series(hourly, "start_utc", *PHASE_CHANNELS),
    )
