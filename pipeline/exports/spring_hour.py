"""How a file is read whose stamps run through the hour that its zone leaves out in spring, and why so.

Two clocks write such stamps: one that was put forward, whose file has the missing hour filled in (or copied), and one
that keeps standard time all year. Only the sun tells them apart: measured on the file's own stamps, the middle of the
day's generation jumps by the change against solar noon in the first case, and stays where it was in the second.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import polars as pl

from detectors.clock.light import light_onsets
from detectors.solar.position import sun_times
from pipeline.counted import counted
from pipeline.timezones.conversion import transitions

FILLED, STANDARD_TIME = "filled", "standard time"
FIXED = "fixed by the profile's spring_hour"
US, DAY_US = 1_000_000, 86_400_000_000
WINDOW_DAYS = 10  # ours: enough for a median, and short enough that a shaded roof's midpoint has not moved far
MIN_DAYS = 2  # ours: on either side; one dull day's midpoint may be an hour off, two seldom in the same direction
MIN_SIGMA_MIN = 2.0  # ours: two days that agree by chance are no better known than this
SIGMAS = 2.0  # ours: 19 of 20, and a wrong choice shows as a clock that is an hour off
MEDIAN_SIGMA = 1.2533 * 1.4826  # sigma of a median of normal values = 1.2533 sigma / sqrt(n); sigma = 1.4826 MAD


BY_DEFAULT = "by default, since"  # in the proof of what nothing decided


class Choice(NamedTuple):
    """What was chosen for a file, and its proof."""

    spring_hour: str  # FILLED or STANDARD_TIME
    proof: str  # text
    is_by_sun: bool


class Moved(NamedTuple):
    """By how much generation's midpoint moved on the file's own stamps, solar noon taken off, min."""

    shift_min: float
    sigma_min: float
    days_before: int
    days_after: int


# (places of rows) -> their light: W or any quantity that grows with it, NaN where not known
Light = Callable[[np.ndarray], np.ndarray]


@dataclass
class SpringHours:
    """The choices of one batch of exports of one profile."""

    profile: str
    fixed: str | None  # what the profile says
    targets: pl.DataFrame  # [site_id, latitude, longitude] beside the rest
    target: np.ndarray  # of each row of the batch
    light: Light
    is_instant: bool
    known: dict[tuple[str, str], str]  # (profile, site_id) -> what the sun chose before
    found: dict[int, Choice] = field(default_factory=dict)  # by file

    def is_standard(
        self, number: int, rows: np.ndarray, wall_us: np.ndarray, low_us: np.ndarray, high_us: np.ndarray
    ) -> bool:
        """Whether the file keeps standard time; `rows` are its places in the batch, `wall_us` their stamps."""
        if self.fixed is not None:
            choice = Choice(self.fixed, FIXED, False)
        else:
            moved = self._moved(rows, wall_us, low_us)
            choice = by_sun(moved, float(high_us[0] - low_us[0]) / 60e6) or self._earlier(rows, moved)
        self.found[number] = choice
        if choice.is_by_sun:
            for site in self._sites(rows):
                self.known[self.profile, site] = choice.spring_hour
        return choice.spring_hour == STANDARD_TIME

    def note_fixed(self, numbers: np.ndarray, zone: str) -> None:
        """Keeps that files of a profile of standard time were read so, where their zone changes its clocks at all."""
        if len(transitions(zone).offset_s) > 1:
            self.found |= dict.fromkeys(numbers.tolist(), Choice(STANDARD_TIME, FIXED, False))

    def sites_by_sun(self, number: int, rows: np.ndarray) -> list[str]:
        """The sites for which later files follow this one's choice; none unless the sun chose."""
        choice = self.found.get(number)
        return self._sites(rows) if choice is not None and choice.is_by_sun else []

    def _sites(self, rows: np.ndarray) -> list[str]:
        return sorted(set(self.targets["site_id"].gather(np.unique(self.target[rows]))))

    def _earlier(self, rows: np.ndarray, moved: Moved | None) -> Choice:
        """What earlier files of the same sites were, else of the same profile, else the default."""
        seen = "no generation seen on both sides of the change" if moved is None else _in_words(moved)
        own = {self.known[self.profile, site] for site in self._sites(rows) if (self.profile, site) in self.known}
        others = {choice for (profile, _), choice in self.known.items() if profile == self.profile}
        for chosen, whose in ((own, "this site's"), (others, "this profile's")):
            if len(chosen) == 1:
                proof = f"too little sun to decide ({seen}); as the sun told of {whose} earlier files"
                return Choice(chosen.pop(), proof, False)
        proof = (
            f"too little sun to decide ({seen}); {BY_DEFAULT} the zone puts its clocks forward "
            "and a clock that follows it is the usual one"
        )
        return Choice(FILLED, proof, False)

    def _moved(self, rows: np.ndarray, wall_us: np.ndarray, low_us: np.ndarray) -> Moved | None:
        shifts = [
            moved
            for edge_us in low_us
            for moved in _shifts(self.targets, self.target[rows], wall_us, self.light(rows), int(edge_us),
                                 is_instant=self.is_instant)
        ]  # fmt: skip
        if not shifts:
            return None
        weight = np.array([one.sigma_min**-2 for one in shifts])
        shift = float(np.average([one.shift_min for one in shifts], weights=weight))
        return Moved(
            shift,
            float(weight.sum() ** -0.5),
            max(one.days_before for one in shifts),
            max(one.days_after for one in shifts),
        )


def by_sun(moved: Moved | None, change_min: float) -> Choice | None:
    """The choice, None where the sun leaves it open; `change_min` is by how much the clock is put forward."""
    if moved is None:
        return None
    off = {STANDARD_TIME: abs(moved.shift_min), FILLED: abs(moved.shift_min - change_min)}
    best = min(off, key=lambda name: off[name])
    if off[best] + SIGMAS * moved.sigma_min > change_min / 2:
        return None
    would_be = f"0 min on standard time, {change_min:.0f} min on local time"
    return Choice(best, f"the sun: {_in_words(moved)} ({would_be})", True)


def _in_words(moved: Moved) -> str:
    before, after = (counted(count, "day") for count in (moved.days_before, moved.days_after))
    return (
        f"generation's midpoint moved by {moved.shift_min:.0f} +- {moved.sigma_min:.0f} min against solar noon on the "
        f"file's own stamps, {before} before and {after} after the change"
    )


def _shifts(
    targets: pl.DataFrame, target: np.ndarray, wall_us: np.ndarray, light: np.ndarray, edge_us: int, *, is_instant: bool
) -> list[Moved]:
    """For each site or device whose generation is known on both sides of the change."""
    change_day = edge_us // DAY_US
    near = np.isfinite(light) & (np.abs(wall_us // DAY_US - change_day + 0.5) <= WINDOW_DAYS)
    shifts = []
    for number in np.unique(target[near]):
        mine = near & (target == number)
        latitude, longitude = (targets[name][int(number)] for name in ("latitude", "longitude"))
        days, lag_min = _lags(wall_us[mine], light[mine], latitude, longitude, is_instant=is_instant)
        before, after = lag_min[days < change_day], lag_min[days >= change_day]
        if min(len(before), len(after)) >= MIN_DAYS:
            shift = float(np.median(after) - np.median(before))
            sigma = float(np.hypot(_sigma_of_median(before), _sigma_of_median(after)))
            shifts.append(Moved(shift, max(sigma, MIN_SIGMA_MIN), len(before), len(after)))
    return shifts


def _sigma_of_median(values: np.ndarray) -> float:
    deviation = float(np.median(np.abs(values - np.median(values))))
    return MEDIAN_SIGMA * deviation / float(np.sqrt(len(values)))


def _lags(
    wall_us: np.ndarray, light: np.ndarray, latitude: float, longitude: float, *, is_instant: bool
) -> tuple[np.ndarray, np.ndarray]:
    """Days since 1970 and, of each, minutes from solar noon (UTC) to generation's midpoint (as stamped)."""
    order = np.argsort(wall_us, kind="stable")
    stamps, first = np.unique(wall_us[order], return_index=True)
    power = light[order][first]
    steps, counts = np.unique(np.diff(stamps), return_counts=True)
    if len(steps) == 0:
        return np.empty(0, np.int64), np.empty(0)
    stamp = pl.Series(stamps).cast(pl.Datetime("us"))
    readings = pl.DataFrame(
        {
            "site_id": pl.repeat("", len(stamps), eager=True),
            "device_id": pl.repeat("", len(stamps), eager=True),
            "ts_utc": stamp.dt.replace_time_zone("UTC"),
            "ts_local": stamp,
            "interval_s": pl.repeat(int(steps[np.argmax(counts)] // US), len(stamps), dtype=pl.Int32, eager=True),
            "is_instant": pl.repeat(is_instant, len(stamps), eager=True),
            "pv_w": power,
        }
    )
    onsets = light_onsets(readings, pl.DataFrame({"site_id": [""]})).drop_nulls(["first_light_min", "last_light_min"])
    days = onsets["day"].cast(pl.Int32).to_numpy().astype(np.int64)
    midpoint = ((onsets["first_light_min"] + onsets["last_light_min"]) / 2).to_numpy()
    return days, midpoint - sun_times(latitude, longitude, days.astype(np.float64))[1]


def note(choice: Choice) -> str:
    """The file's note in the ledger."""
    if choice.spring_hour == STANDARD_TIME:
        read = "read as standard time, the offset before the change"
        fix = "" if not choice.is_by_sun else (
            '; set spring_hour = "standard time" in the profile, so that files without that hour are read alike'
        )  # fmt: skip
        return f"its stamps run through the missing spring hour: {read}: {choice.proof}{fix}"
    return f"its stamps run through the missing spring hour: read as local time, that hour rejected: {choice.proof}"
