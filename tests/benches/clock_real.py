"""The clock's judgement on real series, without the pipeline: `python -m tests.benches.clock_real [TABLE ...]`.

Tables: offsets, starts, second; all of them without an argument. What simulated sites are told is `clock_truth`, whole
nights of real series are `real`. These series chose some of the detector's constants (the threshold of light, the shape
of the ramp, how much light in the dark an hourly sampling must show), so `offsets` and `starts` are not independent.
"""

import sys
from collections.abc import Callable, Iterable, Iterator
from datetime import date, timedelta

import numpy as np
import polars as pl

from detectors.clock import clock
from detectors.clock.light import light_onsets
from detectors.clock.onsets import Array, onsets_of
from detectors.finding import Finding
from detectors.stats.robust import quantile
from tests.support.clock_roofs import Roof, constant, register
from tests.support.clock_series import Series, all_series, restamped

INTERVALS = (15, 30, 60)
WINDOWS = (3, 5, 14, 30)
NOISE_FROM = date(2023, 6, 15)  # of denver-sensor
START_DAYS = (0, 2, 4, 6, 13)
EVERY_DAYS = 10
LONGEST_DAYS = 760


def table(title: str, head: Iterable[str], rows: Iterable[Iterable[object]]) -> None:
    names = list(head)
    print(f"\n**{title}**\n\n| {' | '.join(names)} |\n|{' --- |' * len(names)}")
    for row in rows:
        print(f"| {' | '.join(str(cell) for cell in row)} |", flush=True)


def right_series(interval: int) -> Iterator[Series]:
    """Those whose clock is known to be right, and that can be had at this interval."""
    for series in all_series():
        if series.truth.startswith("right") and "turin" not in series.roof.site_id and interval >= series.interval_min:
            yield series


def offsets() -> None:
    """Error of the middle of first and last light over windows of days, without any limit or verdict."""
    rows = []
    for interval in INTERVALS:
        for series in right_series(interval):
            light = light_onsets(restamped(series, interval), register([series.roof]))
            light = light.filter(pl.col("day") < NOISE_FROM)
            cells = []
            for days in WINDOWS:
                errors = np.abs(_window_errors(light, series.roof, days))
                cells.append(f"{np.median(errors):.1f} / {np.quantile(errors, 0.95):.1f}")
            rows.append([f"{series.roof.site_id}, {interval} min", *cells])
    table("Error of the offset, median / 95 % (min)", ["series", *(f"{days} days" for days in WINDOWS)], rows)


def _window_errors(light: pl.DataFrame, roof: Roof, days: int) -> Array:
    last = light["day"].max()
    assert isinstance(last, date)
    first_day = light["day"].min()
    assert isinstance(first_day, date)
    onsets = onsets_of(light, register([roof]), last, (last - first_day).days + 1)
    first, end = onsets.first_late[0], onsets.last_early[0]
    known = np.isfinite(first) & np.isfinite(end)
    first, end = first[known], end[known]
    windows = np.lib.stride_tricks.sliding_window_view
    return np.asarray((quantile(windows(first, days), 0.2) - quantile(windows(end, days), 0.2)) / 2)


def starts() -> None:
    """Real series cut into sites that begin every tenth day, with and without an hour's error: told within days."""
    rows = []
    for interval in INTERVALS:
        for minutes in (60.0, -60.0, 0.0):
            seen: list[list[bool]] = []
            certain = 0
            for series in right_series(interval):
                begun = _begin_anew(series._replace(days=min(series.days, LONGEST_DAYS)), interval, minutes)
                seen += [told for told, _ in begun]
                certain += sum(sure for _, sure in begun)
            shares = 100 * np.mean(np.maximum.accumulate(np.array(seen), axis=1), axis=0)
            rows.append([interval, f"{minutes:+.0f}", len(seen), *(f"{share:.1f}" for share in shares), certain])
    head = ["min", "error", "sites", *(f"{days + 1} d" for days in START_DAYS), "certain by the last day"]
    table("Real series begun anew every tenth day: told by then (%)", head, rows)


def _begin_anew(series: Series, interval: int, minutes: float) -> list[tuple[list[bool], bool]]:
    """Per start: told by each of START_DAYS, and whether the last finding was certain."""
    sites = register([series.roof])
    light = light_onsets(restamped(series, interval, constant(minutes)), sites)
    found = []
    lit = set(light.drop_nulls("first_light_min")["day"].to_list())
    for begin in range(0, series.days - 15, EVERY_DAYS):
        first = series.first + timedelta(days=begin)
        if sum(first + timedelta(days=i) in lit for i in range(5)) < 5:
            continue  # no site begins in an outage
        rows = light.filter(pl.col("day").is_between(first, first + timedelta(days=14)))
        verdicts = [clock.detect(rows, sites, first + timedelta(days=i), window_days=30) for i in START_DAYS]
        told = [[v for v in day if isinstance(v, Finding)] for day in verdicts]
        found.append(([bool(day) for day in told], any(v.evidence["certainty_text"] == "certain" for v in told[-1])))
    return found


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


TABLES: dict[str, Callable[[], None]] = {"offsets": offsets, "starts": starts, "second": second_opinion}


def main(names: list[str]) -> None:
    for chosen in names or TABLES:
        TABLES[chosen]()


if __name__ == "__main__":
    main(sys.argv[1:])
