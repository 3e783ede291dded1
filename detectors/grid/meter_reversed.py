"""A grid sensor whose sign is turned, or that sits on the wrong phase.

Feed-in with the sun well down and nothing else to feed it cannot be: import is shown as feed-in. Until that is fixed
every figure of import, feed-in and load is wrong, and an inverter that follows this sensor regulates the wrong way.
A source that nobody reads (a generator, a second battery) can feed in at night, too; then the grid still answers
generation the right way by day, and the site is not judged.
"""

from collections.abc import Collection
from datetime import date, timedelta

import polars as pl

from detectors.finding import (
    EvidenceValue,
    Finding,
    Kind,
    NotJudged,
    Reason,
    Series,
    Severity,
    Verdict,
    because,
    channel_series,
    doubts,
)
from detectors.frames import PHASE_CHANNELS
from detectors.grid.meter import GRID_W
from detectors.grid.meter_signs import PHASES
from detectors.grid.mirrored import is_one_sided, mirrored_days
from detectors.grid.sign_evidence import (
    ANSWER_RATIO,
    MIN_DARK_H,
    MIN_KWH,
    TURNED_RATIO,
    balance_guess,
    comes_and_goes,
    fed_phases,
    has_turned_answer,
    is_fed_at_night,
    is_right,
    is_turned_by_rest,
    turned_days,
)
from detectors.grid.sign_evidence import answer as answer_of
from detectors.stats.interval_weights import J_PER_KWH

DETECTOR = "meter-reversed"
KIND = "meter-reversed"
RANK = 30
KINDS = {
    KIND: Kind(
        title="Grid sensor reversed or on the wrong phase",
        hides=("unexpected-export", "phase-imbalance", "import-limit-exceeded", "balance-broken"),
        hides_why="its grid sensor shows the wrong direction, so what it imports and feeds in is not what it seems",
        makes_unreliable=("grid sign",),
        open_after=3,  # common practice: 3 nights
        within=5,
        close_after=3,
        where="site",
        bring=("clamp meter", "a load of 1 kW", "the wiring plan of the meter"),
        proof="With the load of 1 kW on a phase and no generation, import rises by 1 kW; "
        "with the sun out and little load, feed-in is shown.",
        cause="The grid's current sensor is turned round, is paired with another phase's voltage, or its sign is set "
        "the wrong way in the meter.",
        next_step="Service desk: turn the sensor's sign in the meter's settings if that can be done from afar; "
        "otherwise send the installer with the phases named here.",
        steps=(
            "At night or with generation off, switch a load of 1 kW on each phase in turn: import must rise by 1 kW.",
            "Check the arrow on each current sensor and which phase's voltage it is paired with.",
            "Turn the sensor round, or correct its sign or phase in the meter's settings.",
            "With generation on and little load, confirm that feed-in is shown.",
        ),
        cautions=(
            "Qualified persons only, under local codes and the network operator's rules.",
            "Never open a current transformer's secondary under load unless it is of the voltage-output type.",
        ),
    )
}
REASONS = {
    "grid-missing": "no readings of the grid meter",
    "low-coverage": "grid meter known for {seen_h:.1f} h of the day",
    "dark-unknown": "clock is known to be wrong, so day and night are in doubt",
    "generation-missing": "feed-in while the sun is down, but generation is not read, so the clock cannot be checked",
    "other-source": (
        "feed-in in the dark, yet the grid answers generation as it should: a source that is not read feeds in"
    ),
    "some-nights": (
        "feed-in in the dark, and import on a night between: a sensor does not turn by itself, "
        "so a source that is not read feeds in"
    ),
    "grid-repeats": "the grid meter repeats one value through the night",
    "no-dark-hours": (
        "no dark hours with readings of the grid meter, and generation changed too little to tell its sign"
    ),
    "battery-at-work": "the battery was at work, or not read, all night, and the grid hardly answered generation",
    "take-turns": "feed-in and import take turns in the dark",
    "little-import": "too little import in the dark, and generation changed too little to tell the sensor's sign",
}

MIN_SEEN_H = 3.0  # ours: what stands at a day's edge alone is no day
DAY_KWH = 0.5  # ours: by day two meters' moments differ; half a kWh of feed-in beyond all sources is no moment
STILL_SHARE = 0.5  # ours: a load never repeats itself to the watt for half of a night
UNKNOWN_DAYS = 3  # ours: after more days unseen in a row nobody knows that it stayed so
ANSWER_DAYS = 14  # ours: of the run, the latest ones tell
PHASE_ANSWER_RATIO = 0.15  # ours: half of the third that each phase shows of a three-phase inverter


def detect(
    readings: pl.DataFrame,
    meter_signs: pl.DataFrame,
    sites: pl.DataFrame,
    earlier: pl.DataFrame,
    day: date,
    *,
    min_dark_h: float = MIN_DARK_H,
) -> list[Verdict]:
    """A verdict per site whose grid sensor is wrong, in kWh of the day's impossible feed-in, or can't be judged."""
    if sites.is_empty():
        return []
    clocks = doubts(earlier, "stamps")  # night and day of the days kept
    of_day = meter_signs.filter(pl.col("day") == day)
    today = {row["site_id"]: row for row in of_day.iter_rows(named=True)}
    suspects = [site_id for site_id, row in today.items() if _is_suspect(row, min_dark_h)]
    for site_id, *shown in _shown(readings.filter(pl.col("site_id").is_in(suspects))).iter_rows():
        today[site_id]["shown_kwh"] = shown
    past: dict[str, dict[date, dict]] = {}
    for row in meter_signs.filter((pl.col("day") < day) & pl.col("site_id").is_in(suspects)).iter_rows(named=True):
        past.setdefault(row["site_id"], {})[row["day"]] = row
    verdicts: list[NotJudged] = []
    found: list[Finding] = []
    for site in sites.sort("site_id").iter_rows(named=True):
        site_id = site["site_id"]
        judged = _judge(site, today.get(site_id), past.get(site_id, {}), day, site_id in clocks, min_dark_h)
        if isinstance(judged, Reason):
            verdicts.append(NotJudged(site_id, day, DETECTOR, judged))
        elif judged is not None:
            found.append(judged)
    courses = _courses(readings, [one.site_id for one in found])
    drawn = [one.model_copy(update={"series": _picture(courses[one.site_id])}) for one in found]
    return sorted([*verdicts, *drawn], key=lambda verdict: verdict.site_id)


def _is_suspect(row: dict, min_dark_h: float) -> bool:
    return bool(
        is_fed_at_night(row, min_dark_h)
        or fed_phases(row, min_dark_h)
        or row["impossible_kwh"] >= DAY_KWH
        or balance_guess(row)
        or is_turned_by_rest(row)
        or has_turned_answer(row, min_dark_h)
        or is_one_sided(row, "minus")
    )


def _judge(
    site: dict, row: dict | None, past: dict[date, dict], day: date, is_clock_wrong: bool, min_dark_h: float
) -> Finding | Reason | None:
    if row is None or row["grid_h"] == 0:
        return because(REASONS, "no-readings" if row is None else "grid-missing")
    if is_clock_wrong:
        return because(REASONS, "dark-unknown")
    if row["grid_h"] < MIN_SEEN_H:
        return because(REASONS, "low-coverage", seen_h=row["grid_h"])
    seen = [*(past[one] for one in sorted(past)), row]
    mirrored = mirrored_days(seen)
    run = _run(past, day, mirrored, min_dark_h)
    rows = [past.get(one, row) for one in run[-ANSWER_DAYS:]]
    guess = balance_guess(row)
    night, phases = is_fed_at_night(row, min_dark_h), fed_phases(row, min_dark_h)
    answer = answer_of(rows)
    by_day = row["light_impossible_kwh"] >= DAY_KWH and answer is not None and answer >= ANSWER_RATIO
    by_balance = guess is not None and row["impossible_kwh"] >= MIN_KWH
    # Once the dark has told that it is turned, feed-in beyond all sources tells it again at any hour.
    again = row["impossible_kwh"] >= DAY_KWH and len(run) > 1 and not is_right(row, min_dark_h)
    if by_day or by_balance or again or is_turned_by_rest(row):
        return _finding(site, row, run, answer, guess, phases)
    if len(phases) == len(PHASES) and not night:
        phases = []  # all three feed in for some hours of a night, and the site imports in others: a source
    if night or phases:
        lately = [past[one] for one in sorted(past) if one >= day - timedelta(days=ANSWER_DAYS)]
        doubt = because(REASONS, "some-nights") if comes_and_goes(lately, min_dark_h) else _doubt(rows, night, phases)
        return doubt or _finding(site, row, run, answer, guess, phases)
    if day in mirrored:
        return _of_mirror(_finding(site, row, run, answer, guess, phases), row, mirrored[day])
    is_free = site["feed_in_limit_kw"] is None
    if is_free and has_turned_answer(row, min_dark_h) and (turned := turned_days(seen)):
        found = _finding(site, row, [one["day"] for one in turned], answer_of(turned), guess, phases)
        return _of_answers(found, *row.get("shown_kwh", (0.0, 0.0)))
    return None if is_right(row, min_dark_h) else _unsettled(site, row, min_dark_h)


def _run(past: dict[date, dict], day: date, mirrored: Collection[date], min_dark_h: float) -> list[date]:
    """The days in a row, up to `day`, on which the sensor looked wrong, oldest first; unseen days do not break it."""
    days, unseen, then = [day], 0, day - timedelta(days=1)
    while past and unseen <= UNKNOWN_DAYS and then >= min(past):
        one = past.get(then)
        if one is not None and (
            is_fed_at_night(one, min_dark_h)
            or fed_phases(one, min_dark_h)
            or is_turned_by_rest(one)
            or then in mirrored
        ):
            days.append(then)
            unseen = 0
        elif one is not None and is_right(one, min_dark_h):
            break
        else:
            unseen += 1
        then -= timedelta(days=1)
    return days[::-1]


def _doubt(rows: list[dict], night: bool, phases: list[int]) -> Reason | None:
    """Why feed-in in the dark may have another cause than the sensor; None where nothing speaks for one."""
    answers = [answer_of(rows, f"_l{n}") for n in phases] or [answer_of(rows)]
    known = [answer for answer in answers if answer is not None]
    clear = PHASE_ANSWER_RATIO if phases else ANSWER_RATIO
    if rows[-1]["pv_h"] == 0:
        return because(REASONS, "generation-missing")
    if known and max(known) >= clear:
        return None
    if known and min(known) <= -clear:
        return because(REASONS, "other-source")
    if night and rows[-1]["still_ratio"] > STILL_SHARE:
        return because(REASONS, "grid-repeats")
    return None


def _unsettled(site: dict, row: dict, min_dark_h: float) -> Reason:
    """Why nothing told the sensor's sign on this day."""
    if row["dark_h"] < min_dark_h:
        return because(REASONS, "no-dark-hours")
    if site["battery_kwh"] is not None and row["known_dark_h"] < min_dark_h:
        return because(REASONS, "battery-at-work")
    if row["fed_h"] >= min_dark_h:
        return because(REASONS, "take-turns")
    return because(REASONS, "little-import")


def _finding(
    site: dict, row: dict, run: list[date], answer: float | None, guess: str | None, phases: list[int]
) -> Finding:
    night, by_rest = is_fed_at_night(row), is_turned_by_rest(row)
    if not guess:
        guess = _phase_guess(phases, night or by_rest)
    shown = (row["rest_fed_kwh"] or 0.0) if by_rest else 0.0
    impossible_kwh = max(row["impossible_kwh"], sum(row[f"fed_l{n}_kwh"] for n in phases), shown)
    is_shown = impossible_kwh >= MIN_KWH or not by_rest
    by_load = (
        f"; {row['rest_turned_kwh']:.1f} kWh that load, generation and battery leave for the grid show the other sign, "
        f"{row['rest_right_kwh']:.1f} kWh the right one"
        if by_rest
        else ""
    )
    severity: Severity = "urgent" if site["feed_in_limit_kw"] is not None else "soon"
    says = (
        f"Shows {impossible_kwh:.1f} kWh of feed-in with nothing to feed it"
        if is_shown
        else f"Shows {row['rest_turned_kwh']:.1f} kWh with another sign than load, generation and battery leave for it"
    )
    seen = "on this day" if len(run) == 1 else f"seen on {len(run)} days since {run[0]}"
    evidence: dict[str, EvidenceValue] = {
        "impossible_kwh": impossible_kwh,
        "fed_in_dark_kwh": row["fed_kwh"],
        "fed_in_dark_h": row["fed_h"],
        "imported_dark_h": row["bought_h"],
        "judged_dark_h": row["known_dark_h"],
        "rest_turned_kwh": row["rest_turned_kwh"],
        "rest_right_kwh": row["rest_right_kwh"],
        "seen_count": len(run),
        "guess_text": guess,
        "answer_ratio": None if answer is None else round(answer, 3),
        "balance_open_kwh": row["open_kwh"] if row["load_h"] else None,
        "balance_open_turned_kwh": row["open_turned_kwh"] if row["load_h"] else None,
    }
    for n in phases:
        evidence[f"fed_in_dark_l{n}_kwh"] = row[f"fed_l{n}_kwh"]
    return Finding(
        site_id=site["site_id"],
        day=row["day"],
        kind=KIND,
        severity=severity,
        value=impossible_kwh if is_shown else row["rest_turned_kwh"],
        unit="kWh",
        threshold=MIN_KWH,
        summary=f"{says}, {seen}: {guess}.",
        measured=f"{row['fed_kwh']:.1f} kWh fed in over {row['fed_h']:.1f} dark hours with nothing generating, "
        f"import in {row['bought_h']:.1f} of them{by_load}",
        expected="import in the dark whenever anything is switched on",
        since=run[0],
        evidence=evidence,
    )


def _shown(readings: pl.DataFrame) -> pl.DataFrame:
    """[site_id, kWh fed in, kWh imported] as the day's readings show them."""
    kwh = GRID_W * pl.col("interval_s") / J_PER_KWH
    return readings.group_by("site_id").agg(
        fed_kwh=(-kwh).clip(lower_bound=0.0).sum(), imported_kwh=kwh.clip(lower_bound=0.0).sum()
    )


def _of_answers(finding: Finding, fed_kwh: float, imported_kwh: float) -> Finding:
    """The finding where what the grid shows of generation's changes, -1 to 1, tells alone.

    What is shown as fed in was imported, and the reverse; the value is the former, or the latter where there is none.
    """
    count, ratio = finding.evidence["seen_count"], finding.evidence["answer_ratio"]
    seen = f"on {count} days since {finding.since}"
    return finding.model_copy(
        update={
            "value": fed_kwh if fed_kwh >= MIN_KWH else imported_kwh,
            "summary": f"Import rises and falls with generation, {seen}: {finding.evidence['guess_text']}. "
            f"It shows {fed_kwh:.1f} kWh that were imported as fed in, and {imported_kwh:.1f} kWh the other way round.",
            "measured": f"of each kW that generation gained, the grid showed {ratio:+.2f} kW "
            f"({TURNED_RATIO:+.1f} kW or more tell)",
            "evidence": {**finding.evidence, "shown_fed_in_kwh": fed_kwh, "shown_import_kwh": imported_kwh},
            "expected": "-1 kW: what a roof makes more is fed in, or bought no longer",
        }
    )


def _of_mirror(finding: Finding, row: dict, usual_w: float) -> Finding:
    """The finding where what is kept up, import before and feed-in now, tells by what the house takes at least.

    `usual_w`: that, on the days before.
    """
    fed_kwh, count = row["minus_kwh"], finding.evidence["seen_count"]
    seen = "on this day" if count == 1 else f"seen on {count} days since {finding.since}"
    return finding.model_copy(
        update={
            "value": fed_kwh,
            "summary": f"Shows feed-in all day and night, {fed_kwh:.1f} kWh, where it showed import before, {seen}: "
            f"{finding.evidence['guess_text']}.",
            "measured": f"by the sign shown the house takes {row['base_w']:.0f} W at least, by the other one "
            f"{row['base_turned_w']:.0f} W",
            "expected": f"{usual_w:.0f} W at least, as on the days before",
            "evidence": {
                **finding.evidence,
                "shown_fed_in_kwh": fed_kwh,
                "least_load_shown_w": row["base_w"],
                "least_load_turned_w": row["base_turned_w"],
                "least_load_before_w": usual_w,
                "kept_up_w": row["kept_w"],
            },
        }
    )


def _phase_guess(phases: list[int], night: bool) -> str:
    names = " and ".join(f"L{n}" for n in phases)
    if len(phases) in (0, 3) or (night and not phases):
        return "the sign of the whole sensor is turned"
    if len(phases) == 1:
        return f"the sensor on {names} is turned round or paired with another phase's voltage"
    return f"the sensors on {names} have changed places or are turned round"


def _courses(readings: pl.DataFrame, site_ids: list[str]) -> dict[str, pl.DataFrame]:
    """The day's course of grid, phases and generation at each of the sites by the half hour."""
    if not site_ids:
        return {}
    own = readings.filter(pl.col("site_id").is_in(site_ids)).with_columns(GRID_W.alias("grid_w"))
    course = (
        own.sort("site_id", "ts_utc")
        .group_by_dynamic("ts_utc", every="30m", group_by="site_id")
        .agg(pl.col("grid_w", "pv_w", *PHASE_CHANNELS).mean())
    )
    return {str(site_id): one for (site_id,), one in course.partition_by("site_id", as_dict=True).items()}


def _picture(course: pl.DataFrame) -> tuple[Series, ...]:
    """Grid and generation, and the first phase where phases are read."""
    channels = ["grid_w", "pv_w", *(name for name in PHASE_CHANNELS if course[name].count() > 0)][:3]
    return channel_series(course, "ts_utc", *channels)
