"""Generation, battery, grid and load that do not add up.

Every figure of self-consumption, savings and losses rests on this sum; where it does not close, a sensor is reversed,
on the wrong phase, scaled wrongly or missing. The sum is made over three hours at a time, so that meters that are read
some minutes apart do not matter, and what conversion and resolution explain is left out.
"""

from datetime import date
from typing import Any

import polars as pl

from detectors.data_quality.balance_causes import FLOWS, Guess, closes_when_shifted, guess, name_of
from detectors.finding import EvidenceValue, Finding, Kind, NotJudged, Series, Verdict, because, doubts, series
from detectors.frames import PHASE_CHANNELS
from detectors.solar.position import height_sine
from detectors.stats.resolution import resolutions

DETECTOR = "balance-broken"
KIND = "balance-broken"
RANK = 31  # after the grid sensor's sign, which explains it
KINDS = {
    KIND: Kind(
        title="Energies do not add up",
        makes_unreliable=("balance",),
        open_after=2,
        within=3,
        close_after=3,
        where="site",
        bring=("clamp meter", "a load of 1 kW"),
        proof="With the load of 1 kW on for 15 minutes, generation + battery + grid equals the load within 5 %.",
        cause="A current sensor is reversed, sits on the wrong phase or has the wrong ratio, or a load or generator is "
        "not measured.",
        next_step="Service desk: look at what would make the sum close, fix the profile or the meter's settings from "
        "afar if that is it; otherwise send the installer to the sensor named.",
        steps=(
            "Compare generation, battery, grid and load on the displays, all at one moment.",
            "Check each current sensor: direction of the arrow, its phase, its ratio in the meter's settings.",
            "Check that the grid sensor sits upstream of every load and every generator.",
            "Switch a load of 1 kW on: load and grid must rise by as much.",
            "Confirm that generation + battery + grid equals the load within 5 % over 15 minutes.",
        ),
        cautions=(
            "Qualified persons only, under local codes and the network operator's rules.",
            "Never open a current transformer's secondary under load unless it is of the voltage-output type.",
        ),
    )
}
REASONS = {
    "not-measured": "{channel} is not measured at this site, so it has no balance to keep",
    "grid-sign": "the grid sensor's sign or phase is in doubt, and the balance would close with it",
    "power-frozen": "one of the powers stands still, which comes first",
    "channel-missing": "{channel} missing on this day",
    "battery-missing": "battery power missing, though the register names a battery",
    "low-coverage": "generation, grid and load known together for {seen_h:.1f} h only",
    "hardly-any-energy": "hardly any energy flowed: {throughput_kwh:.1f} kWh",
}

TOLERANCE_PCT = 5.0  # common practice: the daily balance closes within about 5 %
CONVERSION_LOSS = 0.05  # common practice: some 5 % of what passes a battery or is measured before the inverter
STANDBY_SHARE = 0.005  # ours: an inverter's electronics take some 0.5 % of its rating; beside a battery at rest too
BLOCK_H = 3.0  # ours: meters read 15 min apart still agree within a few per cent over 3 h
MIN_SEEN_H = 6.0  # ours: a quarter of a day
MIN_KWH = 1.0  # ours: with less, offsets and steps of the meters are all there is
START_W = 4.6  # IEC 62053-21, from memory: a class 1 meter of 5 A starts at 0.4 % of that, 20 mA; one phase below it
MIN_RESOLUTION_VALUES = 10  # ours: fewer distinct values do not show a meter's resolution
TURNED = -1.0  # the factor of a channel whose sign is turned
PICTURE_H, SECONDS_PER_DAY = 1, 86400


def detect(
    readings: pl.DataFrame,
    days: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    *,
    tolerance_pct: float = TOLERANCE_PCT,
) -> list[Verdict]:
    """A finding per site whose powers do not add up on `day`; in % of the day's throughput."""
    sites = sites.sort("site_id")
    rows = _rows(readings, sites, day)
    counts = {
        row["site_id"]: row
        for row in rows.group_by("site_id")
        .agg(pl.col(*FLOWS).count(), pl.col("battery_read").first())
        .iter_rows(named=True)
    }
    usual = {
        row["site_id"]: row
        for row in days.filter(pl.col("day") < day)
        .group_by("site_id")
        .agg(pv_w=pl.col("pv_kwh").count(), load_w=pl.col("load_kwh").count(), grid_w=pl.col("import_kwh").count())
        .iter_rows(named=True)
    }
    blocks = _blocks(rows)
    sums = {row["site_id"]: row for row in _sums(blocks, tolerance_pct).iter_rows(named=True)}
    turned = doubts(earlier, "grid sign")
    frozen = set(earlier.filter(pl.col("kind") == "readings-frozen")["site_id"])
    open_too_far = [site_id for site_id, row in sums.items() if row["open_pct"] > row["limit_pct"]]
    rows_of = rows.filter(pl.col("site_id").is_in(open_too_far)).partition_by("site_id", as_dict=True)
    verdicts: list[Verdict] = []
    for site in sites.iter_rows(named=True):
        site_id = site["site_id"]
        verdict = _judge(site, counts.get(site_id), usual.get(site_id, {}), sums.get(site_id), day)
        if isinstance(verdict, NotJudged):
            verdicts.append(verdict)
        elif verdict:
            own, limit_pct = rows_of[site_id,], sums[site_id]["limit_pct"]
            if site_id in frozen and _stands_still(own):
                verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "power-frozen")))
            elif not closes_when_shifted(own, limit_pct):
                closing = guess(_with_sun(own, site), limit_pct)
                if site_id in turned and _is_of_sign(own, closing, tolerance_pct):
                    verdicts.append(NotJudged(site_id, day, DETECTOR, because(REASONS, "grid-sign")))
                else:
                    verdicts.append(_finding(site, sums[site_id], own, closing, day))
    return verdicts


def _judge(site: dict, counts: dict | None, usual: dict, sums: dict | None, day: date) -> NotJudged | bool:
    """Whether the site's balance is broken, or why nobody can tell."""

    def unjudged(code: str, **values: Any) -> NotJudged:
        return NotJudged(site["site_id"], day, DETECTOR, because(REASONS, code, **values))

    if counts is None:
        return unjudged("no-readings")
    lacking = [name for name in ("pv_w", "grid_w", "load_w") if counts[name] == 0]
    if missed := [name for name in lacking if usual.get(name, 0) > 0]:
        return unjudged("channel-missing", channel=name_of(missed[0]))
    if lacking:
        return unjudged("not-measured", channel=name_of(lacking[0]))
    if site["battery_kwh"] is not None and not counts["battery_read"]:
        return unjudged("battery-missing")
    if sums is None or sums["seen_h"] < MIN_SEEN_H:
        hours = 0.0 if sums is None else sums["seen_h"]
        return unjudged("low-coverage", seen_h=hours)
    if sums["throughput_kwh"] < MIN_KWH:
        return unjudged("hardly-any-energy", throughput_kwh=sums["throughput_kwh"])
    return bool(sums["open_pct"] > sums["limit_pct"])


def _stands_still(rows: pl.DataFrame) -> bool:
    """Whether one of the site's powers repeats a value other than zero for a block's length."""
    ordered = rows.sort("ts_utc")
    for name in FLOWS:
        known = ordered.drop_nulls(name).filter(pl.col(name) != 0)
        run = (pl.col(name) != pl.col(name).shift(1)).fill_null(True).cum_sum()
        longest_h = known.group_by(run).agg(pl.col("hours").sum())["hours"].max()
        if isinstance(longest_h, float) and longest_h >= BLOCK_H:
            return True
    return False


def _rows(readings: pl.DataFrame, sites: pl.DataFrame, day: date) -> pl.DataFrame:
    """The day's readings with hours, blocks and what losses and meters may leave open, W."""
    about = sites.select(
        "site_id",
        standby_w=STANDBY_SHARE * 1000 * pl.coalesce("inverter_kw", "installed_kwp"),
    )
    phases = [name for name in PHASE_CHANNELS if readings[name].null_count() < readings.height]
    rows = (
        readings.filter(pl.col("ts_local").dt.date() == day)
        .select("site_id", "ts_utc", "ts_local", *FLOWS, *phases, hours=pl.col("interval_s") / 3600)
        .join(about, on="site_id", how="inner")
    )
    return rows.with_columns(
        hour=pl.col("ts_local").dt.hour(),
        battery_read=pl.col("battery_w").count().over("site_id") > 0,
    ).with_columns(battery_w=pl.when("battery_read").then("battery_w").otherwise(0.0))


def _blocks(rows: pl.DataFrame) -> pl.DataFrame:
    """Per site and three hours: what did not add up, what may be lost, what flowed, kWh."""
    whole = rows.drop_nulls(list(FLOWS)).with_columns(block=(pl.col("hour") / BLOCK_H).floor().cast(pl.Int32))
    kwh = pl.col("hours") / 1000
    open_w = pl.col("pv_w") + pl.col("battery_w") + pl.col("grid_w") - pl.col("load_w")
    busy = (pl.col("pv_w") > 0) | (pl.col("battery_w") != 0) | pl.col("battery_read")
    lost_w = CONVERSION_LOSS * (pl.col("pv_w").abs() + pl.col("battery_w").abs()) + pl.col("standby_w") * busy
    flowed_w = pl.sum_horizontal(pl.col(name).abs() for name in FLOWS) / 2
    return (
        whole.group_by("site_id", "block")
        .agg(
            open_kwh=(open_w * kwh).sum(),
            each_kwh=(open_w.abs() * kwh).sum(),
            lost_kwh=(lost_w * kwh).sum(),
            flowed_kwh=(flowed_w * kwh).sum(),
            seen_h=pl.col("hours").sum(),
        )
        .sort("site_id", "block")
        .join(_rounding(whole), on="site_id", how="left")
    )


def _rounding(whole: pl.DataFrame) -> pl.DataFrame:
    """[site_id, rounding_w]: what the steps of the site's meters leave open, as far as their values show any.

    Rounding errs evenly by up to half a step (deviation: step / sqrt 12), each meter for itself; on a steady flow it
    does not average out over the day.
    """
    shown = [resolutions(whole, ["site_id"], name, min_values=MIN_RESOLUTION_VALUES) for name in FLOWS]
    rounding = pl.concat(shown).group_by("site_id").agg(rounding_w=(pl.col("resolution") ** 2).sum().sqrt() / 12**0.5)
    return (
        whole.select("site_id")
        .unique()
        .join(rounding, on="site_id", how="left")
        .with_columns(pl.col("rounding_w").fill_null(0.0))
    )


def _sums(blocks: pl.DataFrame, tolerance_pct: float) -> pl.DataFrame:
    """Per site the share of the throughput that stays open, and what may.

    Conversion takes energy and never gives any, so it excuses only what the sources gave beyond the load. What flows
    below a meter's starting current is not counted, which is much of a day on which hardly anything flows.
    """
    rounding = pl.col("rounding_w") * pl.col("seen_h") / 1000
    excused = pl.min_horizontal(pl.col("open_kwh").clip(lower_bound=0.0), "lost_kwh")
    flowed = pl.col("flowed_kwh").sum()
    return (
        blocks.group_by("site_id")
        .agg(
            throughput_kwh=flowed,
            seen_h=pl.col("seen_h").sum(),
            net_kwh=pl.col("open_kwh").sum(),
            open_pct=100 * pl.col("open_kwh").abs().sum() / flowed,
            each_pct=100 * pl.col("each_kwh").sum() / flowed,
            loss_pct=100 * excused.sum() / flowed,
            rounding_pct=100 * rounding.sum() / flowed,
        )
        .with_columns(offset_pct=0.1 * START_W * pl.col("seen_h") / pl.col("throughput_kwh"))
        .with_columns(limit_pct=tolerance_pct + pl.col("loss_pct") + pl.col("rounding_pct") + pl.col("offset_pct"))
    )


def _is_of_sign(rows: pl.DataFrame, closing: Guess | None, tolerance_pct: float) -> bool:
    """Whether the grid's sign, or a phase's, is all that keeps one site's day from adding up.

    A load that is worked out from a grid with its sign turned is cut at nothing where less would be left; it closes at
    all other times.
    """
    if closing is not None and closing.channel.startswith("grid") and closing.factor == TURNED:
        return True
    whole = rows.filter(~((pl.col("load_w") <= 0) & (pl.col("grid_w") < 0)).fill_null(False))
    left = _sums(_blocks(whole), tolerance_pct).filter(pl.col("throughput_kwh") > 0)
    return whole.height < rows.height and not (left["open_pct"] > left["limit_pct"]).any()


def _finding(site: dict, sums: dict, rows: pl.DataFrame, closing: Guess | None, day: date) -> Finding:
    left = "" if closing is None else f" It would close {closing.text}."
    side = "more than its sources give" if sums["net_kwh"] < 0 else "less than its sources give"
    return Finding(
        site_id=site["site_id"],
        day=day,
        kind=KIND,
        severity="soon",
        value=sums["open_pct"],
        unit="%",
        threshold=sums["limit_pct"],
        summary=f"{sums['open_pct']:.0f} % of the day's {sums['throughput_kwh']:.1f} kWh do not add up; in sum the "
        f"load takes {abs(sums['net_kwh']):.1f} kWh {side}.{left}",
        measured=f"{sums['open_pct']:.0f} % of {sums['throughput_kwh']:.1f} kWh stay open over three hours at a time",
        expected=f"at most {sums['limit_pct']:.1f} %: losses, resolution, starting current and {TOLERANCE_PCT:g} % of "
        "meter error",
        evidence=_evidence(sums, closing),
        series=_course(rows),
    )


def _with_sun(rows: pl.DataFrame, site: dict) -> pl.DataFrame:
    """The site's rows with `sun`: the sine of its height, 0 at night."""
    unix_days = rows["ts_utc"].dt.epoch("s").to_numpy() / SECONDS_PER_DAY
    return rows.with_columns(sun=pl.Series(height_sine(site["latitude"], site["longitude"], unix_days)))


def _course(rows: pl.DataFrame) -> tuple[Series, ...]:
    """The day's load beside what it should be by the other meters."""
    course = (
        rows.group_by(pl.col("ts_utc").dt.truncate(f"{PICTURE_H}h"))
        .agg(pl.col(*FLOWS).mean())
        .sort("ts_utc")
        .with_columns(sources_w=pl.col("pv_w") + pl.col("battery_w") + pl.col("grid_w"))
    )
    return (
        series("load", "W", "measured", course["ts_utc"], course["load_w"]),
        series("load by the other meters", "W", "expected", course["ts_utc"], course["sources_w"]),
    )


def _evidence(sums: dict, closing: Guess | None) -> dict[str, EvidenceValue]:
    guessed: dict[str, EvidenceValue] = {}
    if closing is not None:
        guessed = {
            "guess_text": closing.text,
            "guess_name": closing.channel,
            "guess_factor_ratio": closing.factor,
            "guess_open_pct": closing.open_pct,
        }
    return {
        "open_pct": sums["open_pct"],
        "open_each_reading_pct": sums["each_pct"],
        "losses_pct": sums["loss_pct"],
        "rounding_pct": sums["rounding_pct"],
        "offset_pct": sums["offset_pct"],
        "net_kwh": sums["net_kwh"],
        "throughput_kwh": sums["throughput_kwh"],
        **guessed,
    }
