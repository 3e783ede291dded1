"""Each worked question on the sample history: its figures by a second method, in Polars and numpy, or as planted."""

import csv
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.errors import RefusedError
from pipeline.store import questions, reader
from pipeline.workspace.places import Workspace
from tests.support.places import ROOT

Ask = Callable[..., pl.DataFrame]
CLOCK_ERROR_MIN = 25.0  # at 15 min sampling the roof's bearing leaves the sun's marks uncertain by so much
YIELD_ERROR_PCT = 8.0  # two months of a small fleet


@pytest.fixture(scope="module")
def ask(sample_history: tuple[Workspace, str]) -> Ask:
    def call(name: str, **given: str) -> pl.DataFrame:
        asked = questions.question(name)
        folder = sample_history[0].reader
        return reader.ask(folder, asked.sql, questions.looked_up(folder, asked, questions.values(asked, given)))

    return call


@pytest.fixture(scope="module")
def table(sample_history: tuple[Workspace, str]) -> Callable[[str], pl.DataFrame]:
    return cache(lambda name: reader.ask(sample_history[0].reader, f"FROM {name}"))


@pytest.fixture(scope="module")
def planted() -> dict[tuple[str, str], dict[str, str]]:
    with (ROOT / "sample_exports" / "faults.csv").open(encoding="utf-8", newline="") as file:
        return {(row["site_id"], row["kind"]): row for row in csv.DictReader(file)}


def hours_of(readings: pl.DataFrame, channel: str) -> pl.DataFrame:
    """[site_id, hour, value]: the plain mean of each hour's readings, all of one interval."""
    return (
        readings.filter(pl.col(channel).is_not_null())
        .group_by("site_id", hour=pl.col("ts_local").dt.truncate("1h"))
        .agg(value=pl.col(channel).mean())
    )


def test_there_are_twenty_and_each_answers_with_its_defaults(ask: Ask) -> None:
    known = questions.questions()
    assert len(known) >= 20
    empty = {name for name in known if ask(name).is_empty()}
    assert empty <= {"exceptions-that-came-back"}  # the sample's 45 days close nothing twice


def test_worst_sites(ask: Ask, table: Any) -> None:
    found = ask("worst-sites-by-month", top="1")
    costs = table("finding").group_by("site_id", "day").agg(pl.col("cost").max())
    sums = costs.group_by("site_id", month=pl.col("day").dt.truncate("1mo")).agg(pl.col("cost").sum())
    for row in found.iter_rows(named=True):
        same = table("site").filter(pl.col("currency") == row["currency"])["site_id"].to_list()
        best = sums.filter((pl.col("month") == row["month"]) & pl.col("site_id").is_in(same)).sort("cost").row(-1)
        assert (row["site_id"], row["cost"]) == (best[0], pytest.approx(best[2]))


def test_self_sufficiency(ask: Ask, table: Any) -> None:
    days = table("site_day").join(table("site"), on="site_id").drop_nulls(["load_kwh", "import_kwh"])
    for row in ask("self-sufficiency-by-installer").iter_rows(named=True):
        mine = days.filter(pl.col("installer_id").eq_missing(pl.lit(row["installer_id"])))
        assert row["self_sufficiency_pct"] == pytest.approx(
            100 - 100 * mine["import_kwh"].sum() / mine["load_kwh"].sum()
        )


def test_morning_charge_against_import(ask: Ask, table: Any) -> None:
    # Zurich: in zones of half hours the UTC hour that holds 6:30 stands for it
    mornings = hours_of(table("reading"), "soc_pct").filter(pl.col("hour").dt.hour() == 6)
    both = mornings.with_columns(day=pl.col("hour").dt.date()).join(table("site_day"), on=["site_id", "day"])
    (row,) = ask("soc-at-six-and-import").filter(pl.col("site_id") == "BIR-03").to_dicts()
    mine = both.filter(pl.col("site_id") == "BIR-03").drop_nulls("import_kwh")
    assert row["mean_soc_pct"] == pytest.approx(mine["value"].mean(), rel=1e-6)
    assert row["correlation"] == pytest.approx(np.corrcoef(mine["value"], mine["import_kwh"])[0, 1], abs=1e-6)


def test_short_and_long_days_are_those_of_zoneinfo(ask: Ask, table: Any) -> None:
    found = ask("days-of-23-and-25-hours")
    days, wanted = table("site_day")["day"], set()
    for zone in table("site")["timezone"].unique():
        day = days.min()
        while day <= days.max():
            start, end = (
                datetime(at.year, at.month, at.day, tzinfo=ZoneInfo(zone)).astimezone(UTC)
                for at in (day, day + timedelta(days=1))
            )
            if (hours := (end - start) / timedelta(hours=1)) != 24:
                wanted.add((day, zone, hours))
            day += timedelta(days=1)
    seen = set(found.select("day", "timezone", "hours").unique().rows())
    assert seen <= wanted
    assert {(date(2026, 3, 29), "Europe/Zurich", 23.0), (date(2026, 4, 5), "Australia/Adelaide", 25.0)} <= seen
    whole = found.filter((pl.col("coverage_pct") == 100) & (pl.col("site_id") != "BIR-03"))
    assert (whole["readings"] == whole["readings_expected"]).all()


def test_performance_is_as_planted(ask: Ask, planted: Any) -> None:
    april = ask("performance-by-month").filter(pl.col("month") == date(2026, 4, 1))
    told = dict(april.select("site_id", "performance_pct").drop_nulls().rows())
    missing_pct = float(planted["BIR-02", "underperformance"]["size"])
    assert told["BIR-02"] == pytest.approx(100 - missing_pct, abs=YIELD_ERROR_PCT)
    assert told["BIR-01"] == pytest.approx(100, abs=YIELD_ERROR_PCT)
    assert april["trend_pct_per_month"].null_count() == april.height  # fewer than three months


@pytest.mark.parametrize(
    "key", [("NIR-01", "time-zone-wrong"), ("WAT-01", "time-zone-wrong"), ("NIR-04", "clock-step")]
)
def test_clock_offsets_are_as_planted(ask: Ask, planted: Any, key: tuple[str, str]) -> None:
    rows = ask("clock-offset-over-time", site=key[0])
    assert rows["offset_min"][-1] == pytest.approx(float(planted[key]["offset_min"]), abs=CLOCK_ERROR_MIN)
    (right,) = ask("clock-offset-over-time", site="NIR-04").filter(pl.col("week") == date(2026, 3, 16)).to_dicts()
    assert right["offset_min"] == pytest.approx(0, abs=CLOCK_ERROR_MIN)  # the week before its clock was set


def test_completeness(ask: Ask, table: Any) -> None:
    days = table("site_day").join(table("site").select("site_id", "profile"), on="site_id")
    by_hand = days.group_by("profile", week=pl.col("day").dt.truncate("1w")).agg(
        pl.col("coverage_pct").fill_null(0).mean()
    )
    both = ask("completeness-by-profile-and-week").join(by_hand, on=["profile", "week"], nulls_equal=True)
    assert both.height == by_hand.height
    assert both["coverage_pct"].to_list() == pytest.approx(both["coverage_pct_right"].to_list())


def test_readings_around_an_exception(ask: Ask) -> None:
    found = ask("readings-around-exception", exception="NIR-03-battery-not-discharging-1", days="2")
    first = found["first_day"][0]
    assert found.height == 5 * 96  # five days of a quarter of an hour
    assert found["ts_local"].dt.date().unique().sort().to_list() == [first + timedelta(days=n) for n in range(-2, 3)]


def test_round_trip_is_energy_out_over_energy_in(ask: Ask, table: Any) -> None:
    """With what the month left in the battery, by its registered capacity: within 3 %, where no day is half there."""
    found = ask("round-trip-efficiency", from_month="2026-03-01").filter(pl.col("month") == date(2026, 3, 1))
    days = table("site_day").filter(pl.col("day").dt.month() == 3)
    levels = table("reading").filter(pl.col("ts_local").dt.month() == 3).drop_nulls("soc_pct").sort("ts_utc")
    left = levels.group_by("site_id").agg(left_pct=pl.col("soc_pct").last() - pl.col("soc_pct").first())
    sums = days.group_by("site_id").agg(pl.col("charge_kwh", "discharge_kwh").sum(), pl.col("coverage_pct").min())
    out = pl.col("discharge_kwh") + pl.col("left_pct") / 100 * pl.col("battery_kwh")
    whole = sums.filter(pl.col("coverage_pct") >= 95).join(left, on="site_id")
    both = found.drop_nulls("round_trip_efficiency_pct").join(whole, on="site_id")
    plain = both.select(100 * out / pl.col("charge_kwh")).to_series()
    assert both.height >= 3
    assert both["round_trip_efficiency_pct"].to_list() == pytest.approx(plain.to_list(), abs=3)


def test_quartiles_of_neighbours_are_numpys(ask: Ask, table: Any) -> None:
    """All sites of Birkmatt stand within 10 km of each other, and nobody else within 100 km."""
    day = date(2026, 3, 20)
    found = ask("yield-against-neighbours", day=str(day))
    cluster = table("site_day").filter(
        (pl.col("day") == day) & pl.col("site_id").str.starts_with("BIR") & (pl.col("coverage_pct") >= 90)
    )
    for row in found.filter(pl.col("site_id").str.starts_with("BIR")).iter_rows(named=True):
        others = cluster.filter(pl.col("site_id") != row["site_id"])["specific_yield_kwh_per_kwp"]
        assert row["neighbours"] == len(others)
        wanted = np.quantile(others, [0.25, 0.5, 0.75])
        assert [row["lower_quartile"], row["median"], row["upper_quartile"]] == pytest.approx(wanted)


def test_feed_in_beyond_the_limit_is_as_planted(ask: Ask, planted: Any) -> None:
    found = ask("feed-in-beyond-limit-by-hour", days="17").filter(pl.col("site_id") == "NIR-02")
    per_day = found["beyond_kwh"].sum() / found["days"].max()
    assert per_day == pytest.approx(float(planted["NIR-02", "unexpected-export"]["size"]), rel=0.15)
    assert found["hour"].is_between(5, 19).all()


def test_voltages_by_street(ask: Ask, table: Any) -> None:
    found = ask("voltage-by-street", last_day="2026-04-17").row(0, named=True)
    (site,) = table("site").filter(pl.col("site_id") == "WAT-03").to_dicts()
    assert found["street"] == f"{site['latitude']:.2f}, {site['longitude']:.2f}"
    mine = table("reading").filter(
        (pl.col("site_id") == "WAT-03")
        & pl.col("ts_utc").is_between(datetime(2026, 4, 11), datetime(2026, 4, 18), closed="left")  # noqa: DTZ001
    )
    volts = pl.concat([mine[f"voltage_l{n}_v"].drop_nulls() for n in (1, 2, 3)])
    assert found["voltages"] == len(volts)
    assert found["p95_v"] == pytest.approx(np.quantile(volts, 0.95), rel=0.005)
    assert found["outside_pct"] == pytest.approx(100 * ((volts / site["nominal_voltage_v"] - 1).abs() > 0.1).mean())


def test_exceptions_per_site_days(ask: Ask, table: Any) -> None:
    shown = table("exception").filter(pl.col("hidden_by").is_null())
    for row in ask("exceptions-per-1000-site-days").iter_rows(named=True):
        count = shown.filter(pl.col("kind") == row["kind"]).height
        assert row["opened"] == count
        assert row["per_1000_site_days"] == pytest.approx(1000 * count / table("judged").height)


def test_what_came_back_follows_a_closing(ask: Ask, table: Any) -> None:
    events = table("exception_event").join(
        table("exception").select("exception_id", "site_id", "kind"), on="exception_id"
    )
    wanted = set()
    for _, its in events.filter(pl.col("event").is_in(["opened", "closed", "reopened"])).group_by("site_id", "kind"):
        rows = its.sort("at", "event_no").to_dicts()
        for before, after in pairwise(rows):
            if before["event"] == "closed" and after["event"] != "closed":
                wanted.add((after["exception_id"], after["at"]))
    assert set(ask("exceptions-that-came-back").select("exception_id", "back_on").rows()) == wanted


def test_first_readings(ask: Ask, table: Any) -> None:
    (row,) = ask("first-readings-after-commissioning").filter(pl.col("site_id") == "KLI-01").to_dicts()
    first = table("site_day").filter((pl.col("site_id") == "KLI-01") & (pl.col("readings") > 0))["day"].min()
    assert (row["commissioned_on"], row["first_day"]) == (date(2026, 3, 16), max(first, date(2026, 3, 16)))
    assert row["days_waited"] == (row["first_day"] - row["commissioned_on"]).days


def test_twice_the_battery(ask: Ask, table: Any) -> None:
    (row,) = ask("battery-twice-the-size").filter(pl.col("site_id") == "NIR-03").to_dicts()
    (site,) = table("site").filter(pl.col("site_id") == "NIR-03").to_dicts()
    free = site["battery_kwh"] * (1 - (site["battery_reserve_pct"] or 0) / 100)
    days = table("site_day").filter((pl.col("site_id") == "NIR-03") & (pl.col("soc_max_pct") >= 95))
    by_hand = sum(min(0.9 * d["feed_in_kwh"], d["import_kwh"], free) for d in days.to_dicts())
    assert row["more_kwh"] == pytest.approx(by_hand)
    assert row["saved"] == pytest.approx(by_hand * (site["import_price"] - site["feed_in_price"] / 0.9))


def test_self_consumption(ask: Ask, table: Any) -> None:
    (row,) = ask("self-consumption-by-month", site="BIR-01").filter(pl.col("month") == date(2026, 3, 1)).to_dicts()
    mine = table("reading").filter((pl.col("site_id") == "BIR-01") & (pl.col("ts_local").dt.month() == 3))
    made, fed = mine["pv_w"].sum(), mine["grid_w"].clip(upper_bound=0).sum()
    assert row["self_consumption_pct"] == pytest.approx(100 * (made + fed) / made, abs=0.5)


def test_open_cost(ask: Ask, table: Any) -> None:
    shown = table("exception").filter((pl.col("status") != "closed") & pl.col("hidden_by").is_null())
    of_all = shown.join(table("site").select("site_id", "installer_id"), on="site_id")
    for row in ask("open-cost-by-installer").iter_rows(named=True):
        mine = of_all.filter(pl.col("installer_id").eq_missing(pl.lit(row["installer_id"])))
        mine = mine.filter(pl.col("currency") == row["currency"])
        assert (row["open_exceptions"], row["cost"]) == (mine.height, pytest.approx(mine["cost"].sum()))


def test_rejected_rows_are_all_there(ask: Ask, table: Any) -> None:
    found = ask("rejected-rows-by-reason")
    assert found["rows"].sum() == table("rejected_row").height == table("export_file")["rows_rejected"].sum()


def test_not_judged(ask: Ask, table: Any) -> None:
    found = ask("not-judged-by-reason")
    assert found["site_days"].sum() == table("not_judged").height
    top = found.row(0, named=True)
    assert top["share_pct"] == pytest.approx(100 * top["site_days"] / table("judged").height)


def test_highest_import(ask: Ask, table: Any) -> None:
    # India is half an hour off: its local hours are not those of UTC, of which site_hour is made.
    mine = table("reading").filter(pl.col("site_id") == "NIR-03")
    utc = mine.group_by(pl.col("ts_utc").dt.truncate("1h")).agg(pl.col("grid_w").mean(), pl.col("ts_local").min())
    march = utc.filter(pl.col("ts_local").dt.month() == 3)
    (row,) = ask("highest-import", site="NIR-03").filter(pl.col("month") == date(2026, 3, 1)).to_dicts()
    assert row["highest_import_w"] == pytest.approx(march["grid_w"].max(), abs=1)


def test_silent_sites(ask: Ask, table: Any) -> None:
    last = table("judged")["day"].max()
    seen = (
        table("site_day")
        .filter((pl.col("readings") > 0) & (pl.col("day") <= last))
        .group_by("site_id")
        .agg(pl.col("day").max())
    )
    wanted = {(s, (last - d).days) for s, d in seen.rows() if d < last}
    watched = set(table("site").filter("watched")["site_id"])
    found = set(ask("silent-sites").select("site_id", "silent_days").rows())
    assert found == {(s, n) for s, n in wanted if s in watched}
    assert "KLI-02" in {s for s, _ in found}  # and not WAT-02, of whose two devices one goes on


def test_open_by_age(ask: Ask, table: Any) -> None:
    found = ask("open-exceptions-by-age", severity="soon")
    shown = table("exception").filter(
        (pl.col("status") != "closed") & pl.col("hidden_by").is_null() & (pl.col("severity") == "soon")
    )
    assert found["days_open"].to_list() == sorted(shown["days_open"].to_list(), reverse=True)


def test_typical_day(ask: Ask, table: Any) -> None:
    last = table("judged")["day"].max()
    since = datetime(last.year, last.month, last.day) - timedelta(days=27)  # noqa: DTZ001 - plain, in UTC
    mine = table("reading").filter((pl.col("site_id") == "BIR-01") & (pl.col("ts_utc") >= since))
    by_hand = hours_of(mine, "load_w").group_by(pl.col("hour").dt.hour()).agg(pl.col("value").median())
    both = ask("typical-day", site="BIR-01").join(by_hand.cast({"hour": pl.Int64}), on="hour")
    assert both.height == 24
    assert both["load_w"].to_list() == pytest.approx(both["value"].to_list(), rel=1e-6)


def test_a_wrong_name_or_value_is_refused() -> None:
    with pytest.raises(RefusedError, match="write worst-sites-by-month"):
        questions.question("worst-sites-by-mouth")
    asked = questions.question("worst-sites-by-month")
    for given in ({"top": "many"}, {"from_day": "yesterday"}, {"bottom": "1"}):
        with pytest.raises(RefusedError):
            questions.values(asked, given)


def test_the_query_with_its_values_gives_the_same(sample_history: tuple[Workspace, str], ask: Ask) -> None:
    asked = questions.question("worst-sites-by-month")
    given = {"top": "2", "from_day": "2026-04-01"}
    text = questions.with_values(asked, questions.values(asked, given))
    found = reader.ask(sample_history[0].reader, text)
    assert_frame_equal(found, ask("worst-sites-by-month", **given))  # sums of threads differ in their last bit


def test_every_file_in_the_folder_is_a_question_or_a_part_of_the_program() -> None:
    files = {path.stem for path in (ROOT / "sql" / "query").glob("*.sql")}
    inner = {path for path in files if path.replace("_", "-") not in questions.questions()}
    source = "\n".join(file.read_text(encoding="utf-8") for file in Path(ROOT / "pipeline").rglob("*.py"))
    assert {name for name in inner if f'"{name}"' not in source} == set()
