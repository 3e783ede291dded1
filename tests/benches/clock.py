"""The figures of the clock's judgement as tables: `python -m tests.benches.clock [TABLE ...]`.

Tables: offsets, days, starts, false, kinds, saving, drift, real, second, speed; all of them without an argument (some
thirty minutes on one core).
Roofs are simulated (tests/clock_roofs.py); the seeds of `false`, `kinds`, `saving` and `drift` chose no constant except
the drift's. The real series (tests/clock_series.py) of `offsets`, `starts` and `real` did: the threshold of light, the
shape of the ramp, and how much light in the dark an hourly sampling must show.
"""

import sys
import time
from collections import Counter
from collections.abc import Callable, Iterable
from datetime import date, timedelta

import numpy as np
import polars as pl

from detectors.clock import clock
from detectors.clock.light import light_onsets
from detectors.clock.onsets import Array, onsets_of
from detectors.finding import Finding, Verdict
from detectors.stats.robust import quantile
from tests.support.clock_roofs import (
    Error,
    Roof,
    constant,
    drift,
    fixed_zone,
    fleet,
    other_zone,
    readings,
    register,
    right,
    step,
)
from tests.support.clock_series import Series, all_series, restamped

FIRST = date(2025, 1, 10)
DAYS = 200
SEED = 71
INTERVALS = (5, 15, 30, 60)
STANDARD_MIN = {
    "Europe/Zurich": 60,
    "Europe/Lisbon": 0,
    "Europe/Copenhagen": 60,
    "Europe/London": 0,
    "America/Denver": -420,
    "Australia/Sydney": 600,
    "Pacific/Auckland": 720,
    "Europe/Madrid": 60,
    "Europe/Oslo": 60,
}


def table(title: str, head: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    names = list(head)
    print(f"\n**{title}**\n\n| {' | '.join(names)} |\n|{' --- |' * len(names)}")
    for row in rows:
        print(f"| {' | '.join(str(cell) for cell in row)} |", flush=True)


def light_of(
    roofs: list[Roof], errors: list[Error], interval: int, first: date = FIRST, days: int = DAYS
) -> pl.DataFrame:
    pairs = zip(roofs, errors, strict=True)
    return pl.concat([light_onsets(readings(r, first, days, interval, e), register([r])) for r, e in pairs])


def judge(
    light: pl.DataFrame, roofs: list[Roof], days: Iterable[int], first: date = FIRST
) -> dict[str, list[Verdict | None]]:
    """Per site its verdict on each of the days (numbers from `first`); None = the clock is right."""
    sites = register(roofs)
    found: dict[str, list[Verdict | None]] = {roof.site_id: [] for roof in roofs}
    for day in days:
        told = {v.site_id: v for v in clock.detect(light, sites, first + timedelta(days=day))}
        for site_id, history in found.items():
            history.append(told.get(site_id))
    return found


def name(verdict: Verdict | None) -> str:
    return "right" if verdict is None else verdict.kind if isinstance(verdict, Finding) else "not judged"


def offsets() -> None:
    """Error of the middle of first and last light over windows of days, without any limit or verdict."""
    rows = []
    for interval in INTERVALS:
        cells = []
        for days in (3, 5, 14, 30):
            errors = np.concatenate(
                [_window_errors(light_of([r], [right], interval), r, days) for r in fleet(36, "open", SEED)]
            )
            cells.append(f"{np.median(np.abs(errors)):.1f} / {np.quantile(np.abs(errors), 0.95):.1f}")
        rows.append([f"simulated, {interval} min", *cells])
    for series in all_series():
        if not series.truth.startswith("right") or series.roof.site_id.startswith("turin"):
            continue
        for interval in (15, 30, 60):
            if interval >= series.interval_min:
                light = light_onsets(restamped(series, interval), register([series.roof]))
                light = light.filter(pl.col("day") < date(2023, 6, 15))
                cells = []
                for days in (3, 5, 14, 30):
                    errors = np.abs(_window_errors(light, series.roof, days))
                    cells.append(f"{np.median(errors):.1f} / {np.quantile(errors, 0.95):.1f}")
                rows.append([f"{series.roof.site_id}, {interval} min", *cells])
    table("Error of the offset, median / 95 % (min)", ["series", "3 days", "5 days", "14 days", "30 days"], rows)


def _window_errors(light: pl.DataFrame, roof: Roof, days: int) -> Array:
    last = light["day"].max()
    span = (last - light["day"].min()).days + 1
    onsets = onsets_of(light, register([roof]), last, span)
    first, end = onsets.first_late[0], onsets.last_early[0]
    known = np.isfinite(first) & np.isfinite(end)
    first, end = first[known], end[known]
    windows = np.lib.stride_tricks.sliding_window_view
    return (quantile(windows(first, days), 0.2) - quantile(windows(end, days), 0.2)) / 2


def days_until_told() -> None:
    """A constant error from the first day of data: share of sites that a finding names, by days of data."""
    after = (1, 2, 3, 5, 7, 14, 30)
    rows = []
    for interval in INTERVALS:
        for kind in ("open", "shaded", "curtailed", "patchy"):
            roofs = fleet(120 if kind == "open" else 60, kind, SEED)
            for minutes in (60.0, -60.0):
                light = light_of(roofs, [constant(minutes)] * len(roofs), interval, days=32)
                told = judge(light, roofs, range(30))
                cells = []
                for days in after:
                    seen = [any(isinstance(v, Finding) for v in history[:days]) for history in told.values()]
                    cells.append(f"{100 * np.mean(seen):.1f}")
                rows.append([interval, kind, f"{minutes:+.0f}", *cells])
    table(
        "Told within so many days of data (%), 1 h from the first day",
        ["min", "roofs", "error", *map(str, after)],
        rows,
    )


def starts() -> None:
    """Real series cut into sites that begin every tenth day, with and without an hour's error: told within days."""
    rows = []
    for interval in INTERVALS[1:]:
        for minutes in (60.0, -60.0, 0.0):
            seen: list[list[bool]] = []
            certain = 0
            for series in all_series():
                if (
                    series.truth.startswith("right")
                    and "turin" not in series.roof.site_id
                    and interval >= series.interval_min
                ):
                    begun = _begin_anew(series._replace(days=min(series.days, 760)), interval, minutes)
                    seen += [told for told, _ in begun]
                    certain += sum(sure for _, sure in begun)
            shares = 100 * np.mean(np.maximum.accumulate(np.array(seen), axis=1), axis=0)
            rows.append([interval, f"{minutes:+.0f}", len(seen), *(f"{share:.1f}" for share in shares), certain])
    head = ["min", "error", "sites", *(f"{days + 1} d" for days in START_DAYS), "certain by the last day"]
    table("Real series begun anew every tenth day: told by then (%)", head, rows)


START_DAYS = (0, 2, 4, 6, 13)


def _begin_anew(series: Series, interval: int, minutes: float) -> list[tuple[list[bool], bool]]:
    sites = register([series.roof])
    light = light_onsets(restamped(series, interval, constant(minutes)), sites)
    found = []
    lit = set(light.drop_nulls("first_light_min")["day"].to_list())
    for begin in range(0, series.days - 15, 10):
        first = series.first + timedelta(days=begin)
        if sum(first + timedelta(days=i) in lit for i in range(5)) < 5:
            continue  # no site begins in an outage
        rows = light.filter(pl.col("day").is_between(first, first + timedelta(days=14)))
        verdicts = [clock.detect(rows, sites, first + timedelta(days=i), window_days=30) for i in START_DAYS]
        told = [[v for v in day if isinstance(v, Finding)] for day in verdicts]
        found.append(([bool(day) for day in told], any(v.evidence["certainty_text"] == "certain" for v in told[-1])))
    return found


def false_alarms() -> None:
    """Findings at sites whose clock is right, per 1,000 site-days."""
    rows = []
    for interval in INTERVALS:
        for kind in ("open", "east-west", "shaded", "curtailed", "patchy"):
            roofs = fleet(60, kind, SEED + 6)
            light = light_of(roofs, [right] * len(roofs), interval)
            judged = [v for history in judge(light, roofs, range(DAYS)).values() for v in history]
            told = [v for v in judged if isinstance(v, Finding)]
            certain = sum(v.evidence["certainty_text"] == "certain" for v in told)
            later = [v for i, v in enumerate(judged) if i % DAYS >= 5]
            unjudged = sum(name(v) == "not judged" for v in later)
            share = f"{100 * unjudged / len(later):.1f}"
            rows.append([interval, kind, len(judged), f"{1000 * len(told) / len(judged):.2f}", certain, share])
    head = ["min", "roofs", "site-days", "false / 1,000", "of these certain", "not judged, from day 6 on (%)"]
    table("False alarms", head, rows)


Make = Callable[[Roof], Error]


def kinds() -> None:
    """What was put in against what was told, on the last of 200 days."""
    middle = FIRST + timedelta(days=100)
    put: list[tuple[str, Make]] = [
        ("right", lambda _: right),
        ("zone, +60", lambda _: constant(60.0)),
        ("zone, -30", lambda _: constant(-30.0)),
        ("zone, -480", lambda _: constant(-480.0)),
        ("zone, 720", lambda _: constant(720.0)),
        ("zone: UTC", lambda roof: other_zone(roof.timezone, "UTC")),
        ("step +45", lambda _: step(middle, 45.0)),
        ("step -90", lambda _: step(middle, -90.0)),
        ("step +25", lambda _: step(middle, 25.0)),
        ("drift +20 s/day", lambda _: drift(FIRST, 20.0)),
        ("drift -60 s/day", lambda _: drift(FIRST, -60.0)),
        ("drift 40 s/day from day 80", lambda _: drift(FIRST + timedelta(days=80), 40.0)),
        ("daylight saving left out", lambda roof: fixed_zone(roof.timezone, STANDARD_MIN[roof.timezone])),
    ]
    head = ["right", "time-zone-wrong", "daylight-saving-wrong", "clock-drift", "clock-step", "not judged"]
    rows = []
    for interval in INTERVALS:
        for label, make in put:
            roofs = [
                roof for roof in fleet(48, "open", SEED + 2) if "left" not in label or roof.timezone in STANDARD_MIN
            ]
            if "UTC" in label:
                roofs = [roof for roof in roofs if roof.timezone not in ("Europe/London", "Europe/Lisbon")]
            if "left" in label:  # in the wrong season on the last day: the north
                roofs = [roof for roof in roofs if roof.latitude > 0]
            told = judge(light_of(roofs, [make(roof) for roof in roofs], interval), roofs, [DAYS - 1])
            counts = Counter(name(history[0]) for history in told.values())
            rows.append([interval, label, *(counts.get(kind, 0) or "" for kind in head)])
    table("Put in (rows) and told (columns), open roofs, sites", ["min", "put in", *head], rows)


def saving() -> None:
    """Days from the change of clocks until daylight-saving-wrong is told; the site was known for 79 days before it."""
    change = (date(2025, 3, 30) - FIRST).days
    rows = []
    for interval in INTERVALS:
        for kind in ("open", "shaded", "curtailed"):
            roofs = [roof for roof in fleet(96, kind, SEED + 3) if roof.timezone.startswith("Europe/")]
            light = light_of(
                roofs, [fixed_zone(r.timezone, STANDARD_MIN[r.timezone]) for r in roofs], interval, days=120
            )
            told = judge(light, roofs, range(change, change + 30))
            cells = [
                f"{100 * np.mean([any(name(v) == 'daylight-saving-wrong' for v in h[:d]) for h in told.values()]):.1f}"
                for d in (1, 2, 3, 5, 7, 14, 30)
            ]
            rows.append([interval, kind, len(roofs), *cells])
    table(
        "Daylight saving left out, told within so many days of the change (%)",
        ["min", "roofs", "sites", "1", "2", "3", "5", "7", "14", "30"],
        rows,
    )


def drifts() -> None:
    """Days until clock-drift is told, from the first day of data on."""
    rows = []
    for interval in INTERVALS:
        for kind in ("open", "shaded"):
            for speed in (20.0, -20.0, 60.0):
                roofs = fleet(48, kind, SEED + 4)
                light = light_of(roofs, [drift(FIRST, speed)] * len(roofs), interval)
                told = judge(light, roofs, range(20, DAYS, 5))
                cells = []
                for days in (60, 75, 90, 120, 180):
                    seen = [any(name(v) == "clock-drift" for v in h[: (days - 20) // 5 + 1]) for h in told.values()]
                    cells.append(f"{100 * np.mean(seen):.0f}")
                last = [h[-1] for h in told.values() if name(h[-1]) == "clock-drift"]
                off = [abs(v.value - speed) for v in last if isinstance(v, Finding)]
                rows.append([interval, kind, f"{speed:+.0f}", *cells, f"{np.quantile(off, 0.95):.1f}" if off else ""])
    table(
        "Drift told within so many days (%)",
        ["min", "roofs", "s/day", "60", "75", "90", "120", "180", "95 % error of s/day"],
        rows,
    )


def real() -> None:
    """Real series, judged every day as they are: when each verdict began."""
    rows = []
    for series in all_series():
        light = light_onsets(restamped(series, series.interval_min), register([series.roof]))
        told = judge(light, [series.roof], range(series.days), series.first)[series.roof.site_id]
        counts = Counter(name(verdict) for verdict in told)
        began, before = [], ""
        for i, verdict in enumerate(told):
            if isinstance(verdict, Finding) and name(verdict) != before:
                began.append(f"{series.first + timedelta(days=i)} {verdict.kind} ({verdict.value:+.0f})")
            before = name(verdict)
        rows.append(
            [
                series.roof.site_id,
                series.days,
                counts.get("right", 0),
                counts.get("not judged", 0),
                "; ".join(began) or "none",
                series.truth,
            ]
        )
    table("Real series as they are", ["series", "days", "right", "not judged", "findings, from", "what is known"], rows)


def second_opinion() -> None:
    """pvanalytics' own estimate on the 6 kW system: needs its optional dependency."""
    try:
        import pandas as pd
        import ruptures  # noqa: F401
        from pvanalytics.quality import time as pv_time
    except ImportError as missing:
        print(f"\nNo second opinion: {missing}")
        return
    series = next(s for s in all_series() if s.roof.site_id == "denver-6kw")
    light = light_onsets(restamped(series, 15), register([series.roof])).drop_nulls("first_light_min")
    onsets = onsets_of(light, register([series.roof]), light["day"].max(), series.days)
    middle = pd.Series(
        (onsets.first_late[0] - onsets.last_early[0]) / 2 + onsets.noon[0], index=pd.DatetimeIndex(onsets.days)
    )
    reference = pd.Series(onsets.noon[0], index=middle.index)
    known = middle.notna()
    shifted, amount = pv_time.shifts_ruptures(middle[known], reference[known])
    steps = amount[amount.diff().fillna(0) != 0]
    table(
        "pvanalytics.quality.time.shifts_ruptures on denver-6kw",
        ["from", "minutes"],
        [[day.date(), value] for day, value in steps.items()],
    )
    print(f"shifted on {int(shifted.sum())} of {len(shifted)} days")


def speed() -> None:
    """Seconds of one core for a night's verdict over 10,000 sites with 220 kept days each, and for the day's onsets."""
    roofs = [*fleet(93, "open", SEED + 5), *fleet(4, "shaded", SEED + 5), *fleet(3, "curtailed", SEED + 5)]
    errors: list[Error] = [constant(60.0), step(FIRST + timedelta(days=100), -60.0), *[right] * 98]
    light, sites = light_of(roofs, errors, 15, days=220), register(roofs)
    copies = 100
    many = pl.concat([light.with_columns(site_id=pl.col("site_id") + f"-{i}") for i in range(copies)])
    register_many = pl.concat([sites.with_columns(site_id=pl.col("site_id") + f"-{i}") for i in range(copies)])
    day = FIRST + timedelta(days=219)
    rows = []
    for label in ("first run", "again"):
        start = time.process_time()
        verdicts = clock.detect(many, register_many, day)
        rows.append([f"verdict, {label}", f"{time.process_time() - start:.1f}", len(verdicts)])
    one = pl.concat([readings(roof, FIRST, 2, 15, right) for roof in roofs])
    one = one.filter(pl.col("ts_local").dt.date() == FIRST)
    fleet_day = pl.concat([one.with_columns(site_id=pl.col("site_id") + f"-{i}") for i in range(copies)])
    start = time.process_time()
    kept = light_onsets(fleet_day, register_many)
    rows.append(["onsets of one day, 15 min", f"{time.process_time() - start:.1f}", len(kept)])
    table("Seconds for 10,000 sites (2 % of the clocks wrong)", ["what", "s (processor)", "rows out"], rows)


TABLES: dict[str, Callable[[], None]] = {
    "offsets": offsets,
    "days": days_until_told,
    "starts": starts,
    "false": false_alarms,
    "kinds": kinds,
    "saving": saving,
    "drift": drifts,
    "real": real,
    "second": second_opinion,
    "speed": speed,
}


def main(names: list[str]) -> None:
    for chosen in names or TABLES:
        TABLES[chosen]()


if __name__ == "__main__":
    main(sys.argv[1:])
