"""A plain day of a home with a battery, a quarter of an hour at a time, that tests bend to their needs.

Night import at the floor, charge by day, discharge in the evening until the floor, then import: all of it balanced.
"""

from datetime import date, timedelta
from typing import Any

import polars as pl

from tests.support import build

STEPS = 96
SITE = {"battery_kwh": 10.0}
Course = dict[str, list[Any]]


def steps(start_h: float, end_h: float) -> range:
    """The quarters of an hour from one hour of the day to another."""
    return range(int(start_h * 4), int(end_h * 4))


def plain(*, floor_pct: float = 35.0, full_pct: float = 90.0, load_w: float = 500.0) -> Course:
    """Charges from 9 to 15, discharges from 18 on until its floor; what is missing is imported."""
    power, soc, level = [0.0] * STEPS, [0.0] * STEPS, floor_pct
    charge_w = (full_pct - floor_pct) / 100 * 10_000 / 6
    for n in range(STEPS):
        soc[n] = level
        if n in steps(9, 15):
            power[n] = -charge_w
        elif n >= 18 * 4 and level > floor_pct:
            power[n] = min(1500.0, (level - floor_pct) * 400)
        level = round(level - power[n] / 400, 9)
    pv = [load_w + charge_w if n in steps(9, 15) else 0.0 for n in range(STEPS)]
    load = [1500.0 if n >= 18 * 4 else load_w for n in range(STEPS)]
    course: Course = {"pv_w": pv, "load_w": load, "battery_w": power, "soc_pct": soc}
    return balanced(course)


def balanced(course: Course) -> Course:
    """The course with the grid giving what is missing and taking what is left."""
    flows = zip(course["load_w"], course["pv_w"], course["battery_w"], strict=True)
    return {**course, "grid_w": [load - pv - power for load, pv, power in flows]}


def changed(course: Course, where: range, **values: Any) -> Course:
    """The course with other values in some steps; a value may be a function of the step."""
    new = {name: list(series) for name, series in course.items()}
    for name, value in values.items():
        series = new.setdefault(name, [None] * STEPS)
        for n in where:
            series[n] = value(n) if callable(value) else value
    return new


def readings(*courses: Course, last_day: date = build.DAY, interval_s: int = 900, **more: Any) -> pl.DataFrame:
    """READINGS of consecutive days that end on `last_day`."""
    first = last_day - timedelta(days=len(courses) - 1)
    return pl.concat(
        build.readings(course, day=first + timedelta(days=n), interval_s=interval_s, **more)
        for n, course in enumerate(courses)
    )


def of(day: date, rows: pl.DataFrame) -> pl.DataFrame:
    return rows.filter(pl.col("ts_local").dt.date() == day)
