"""How a file that holds the missing spring hour is read: the sun decides, the profile may, else what was before.

Zurich's clocks went from 02:00 to 03:00 on 30 March 2025 (IANA). The sun is pvlib's, a second method beside ours.
"""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import polars as pl
import pvlib
import pytest

from pipeline.exports.spring_hour import Moved, by_sun
from tests.support.build_profiles import check_account, part, profile, read, targets

ZURICH = ZoneInfo("Europe/Zurich")
CET = timedelta(hours=1)
CLOCKS = {
    # a logger that follows the zone and fills the hour that is not there with the one before
    "filled": lambda utc: utc.astimezone(ZURICH).replace(tzinfo=None),
    # a logger that keeps standard time all year
    "standard time": lambda utc: (utc + CET).replace(tzinfo=None),
}


def generation_w(instants: list[datetime], *, seed: int, shaded_until_deg: float = 0.0) -> np.ndarray:
    """A roof at 47.4 N, 8.5 E on days of changing cloud; before noon it sees the sun above a height only."""
    index = pd.DatetimeIndex(instants) + pd.Timedelta(minutes=7.5)
    sun = pvlib.solarposition.get_solarposition(index, 47.4, 8.5)
    height = sun["apparent_elevation"].to_numpy()
    is_seen = (sun["azimuth"].to_numpy() > 180) | (height > shaded_until_deg)
    clear = np.maximum(np.sin(np.radians(np.maximum(height, 0))), 0) * np.where(is_seen, 1, 0.004)
    rng = np.random.default_rng(seed)
    days = np.array([instant.toordinal() for instant in instants])
    cloud = rng.uniform(0.15, 1, days.max() - days.min() + 1)[days - days.min()] * rng.uniform(0.7, 1, len(instants))
    return np.round(6000 * clear * cloud, 0)


def export(clock: str, first: str, last: str, *, minutes: int = 15, **roof: float) -> str:
    """t,pv,v of the wall days from first to last, both whole, with every one of their 24 hours stamped."""
    begin = datetime.fromisoformat(first)
    stamps = [begin + timedelta(minutes=minutes * n)
              for n in range(((datetime.fromisoformat(last) - begin).days + 1) * 1440 // minutes)]  # fmt: skip
    lo, hi = (
        datetime.fromisoformat(day).replace(tzinfo=UTC) + timedelta(days=by) for day, by in ((first, -1), (last, 2))
    )
    instants = [lo + timedelta(minutes=minutes * n) for n in range((hi - lo).days * 1440 // minutes)]
    power = dict(zip(map(CLOCKS[clock], instants), generation_w(instants, **{"seed": 1, **roof}), strict=True))
    return "t,pv,v\n" + "".join(
        f"{stamp:%Y-%m-%d %H:%M},{power.get(stamp, power.get(stamp - timedelta(hours=1))):.0f},230.5\n"
        for stamp in stamps
    )


def chosen(result) -> list[tuple[str | None, str | None]]:
    check_account(result)
    return result.files.select("spring_hour", "spring_hour_proof").rows()


@pytest.mark.parametrize("minutes", [15, 60])
@pytest.mark.parametrize("roof", [{"seed": 1}, {"seed": 2, "shaded_until_deg": 20.0}])
@pytest.mark.parametrize("clock", ["filled", "standard time"])
def test_the_sun_tells_the_two_clocks_apart(clock: str, roof: dict, minutes: int) -> None:
    result = read(export(clock, "2025-03-22", "2025-04-06", minutes=minutes, **roof))
    [(choice, proof)] = chosen(result)
    assert choice == clock
    assert proof.startswith("the sun: ") and "8 days before and 8 days after" in proof
    assert [proof in note for note in result.files["notes"][0]] == [True]
    [utc] = result.rows.filter(pl.col("ts_export") == "2025-04-01 12:00")["ts_utc"]
    assert utc.hour == (10 if clock == "filled" else 11)
    lost = [] if clock == "standard time" else [f"2025-03-30 02:{minute:02d}" for minute in range(0, 60, minutes)]
    assert result.rejected["value"].to_list() == lost
    assert set(result.rejected["reason"]) <= {"no such local time"}
    assert set(result.rows["ts_utc"].diff().drop_nulls()) == {timedelta(minutes=minutes)}


def test_a_long_export_is_told_by_its_generation() -> None:
    wide = [line.split(",") for line in export("standard time", "2025-03-25", "2025-04-03").splitlines()[1:]]
    text = "t,what,value\n" + "".join(f"{t},pv,{pv}\n{t},volt,{v}\n" for t, pv, v in wide)
    by = profile(
        long={"channel_column": "what", "value_column": "value"},
        channels={"pv_w": {"column": "pv"}, "voltage_l1_v": {"column": "volt"}},
    )
    assert [choice for choice, _ in chosen(read(text, by=by))] == ["standard time"]


def test_the_profile_can_fix_it() -> None:
    text = export("filled", "2025-03-22", "2025-04-06")
    july = "t,pv,v\n" + "".join(f"2025-07-01 {hour:02d}:00,1,230\n" for hour in range(24))
    stamp = {"column": "t", "format": "%Y-%m-%d %H:%M"}
    fixed = read(text, july, by=profile(timestamp=stamp | {"spring_hour": "standard time"}))
    assert chosen(fixed) == [("standard time", "fixed by the profile's spring_hour")] * 2
    assert fixed.rejected.is_empty() and fixed.files["notes"].to_list() == [[], []]
    offsets = fixed.rows["ts_export"].str.to_datetime("%Y-%m-%d %H:%M") - fixed.rows["ts_utc"].dt.replace_time_zone(
        None
    )
    assert set(offsets) == {CET}
    text = export("standard time", "2025-03-22", "2025-04-06")
    filled = read(text, july, by=profile(timestamp=stamp | {"spring_hour": "filled"}))
    assert chosen(filled) == [("filled", "fixed by the profile's spring_hour"), (None, None)]
    assert filled.rejected.height == 4


def test_a_short_file_follows_what_was_told_before() -> None:
    day = export("standard time", "2025-03-30", "2025-03-30")
    [(choice, proof)] = chosen(read(day))
    assert choice == "filled" and "by default" in proof and "no generation seen on both sides" in proof
    for site, whose in (("site-S1", "this site's"), ("site-S2", "this profile's")):
        [(choice, proof)] = chosen(read(day, known_spring_hour={("plain", site): "standard time"}))
        assert choice == "standard time" and whose in proof
    both = {("plain", "site-S2"): "standard time", ("plain", "site-S3"): "filled"}
    assert chosen(read(day, known_spring_hour=both))[0][0] == "filled"  # the profile's sites disagree
    other = {("another", "site-S1"): "standard time"}
    assert chosen(read(day, known_spring_hour=other))[0][0] == "filled"
    # in one batch as one by one: the first file tells of the site of the second
    long = export("standard time", "2025-03-22", "2025-04-06")
    result = read(part(long, "S1_a.csv"), part(day, "S1_b.csv"))
    assert [choice for choice, _ in chosen(result)] == ["standard time"] * 2
    assert result.files["spring_hour_sites"].to_list() == [["site-S1"], []]


def test_dark_files_and_files_without_generation_are_not_told_by_the_sun() -> None:
    stamps = [line.split(",")[0] for line in export("filled", "2025-03-22", "2025-04-06").splitlines()[1:]]
    for value in ("0", ""):
        result = read("t,pv,v\n" + "".join(f"{stamp},{value},230\n" for stamp in stamps))
        [(choice, proof)] = chosen(result)
        assert choice == "filled" and "by default" in proof


def test_a_file_that_does_not_hold_the_hour_needs_no_choice() -> None:
    stamps = [datetime(2025, 3, 29, 23, tzinfo=UTC) + timedelta(minutes=15 * n) for n in range(92)]
    result = read("t,pv,v\n" + "".join(f"{s.astimezone(ZURICH):%Y-%m-%d %H:%M},1,230\n" for s in stamps))
    assert chosen(result) == [(None, None)]
    assert result.rejected.is_empty() and result.files["notes"].to_list() == [[]]
    arizona = read(export("filled", "2025-03-22", "2025-04-06"), sites=targets(zone="America/Phoenix"))
    assert chosen(arizona) == [(None, None)]


@pytest.mark.parametrize(
    ("shift", "sigma", "change", "expected"),
    [
        (2, 5, 60, "standard time"), (58, 5, 60, "filled"), (-12, 5, 60, "standard time"),
        (19, 5, 60, "standard time"), (21, 5, 60, None), (39, 5, 60, None),
        (41, 5, 60, "filled"),  # the limits: half of 60, less 2 x 5
        (2, 15, 60, None), (-40, 2, 60, None), (110, 2, 60, None),  # too unsure; neither clock
        (1, 5, 30, "standard time"), (30, 5, 30, "filled"),  # Lord Howe: half an hour
    ],
)  # fmt: skip
def test_the_margin(shift: float, sigma: float, change: float, expected: str | None) -> None:
    choice = by_sun(Moved(shift, sigma, 8, 8), change)
    assert (choice and choice.spring_hour) == expected
    assert by_sun(None, 60) is None


def test_two_roofs_in_one_file_decide_together() -> None:
    head, *one = export("standard time", "2025-03-22", "2025-04-06", seed=3).splitlines()
    _, *other = export("standard time", "2025-03-22", "2025-04-06", seed=4, shaded_until_deg=25.0).splitlines()
    text = f"plant,{head}\n" + "".join(f"S1,{a}\nS2,{b}\n" for a, b in zip(one, other, strict=True))
    result = read(text, by=profile(site={"from": "column", "column": "plant"}))
    [(choice, _)] = chosen(result)
    assert choice == "standard time" and result.files["spring_hour_sites"].to_list() == [["site-S1", "site-S2"]]
    assert result.rejected.is_empty()
