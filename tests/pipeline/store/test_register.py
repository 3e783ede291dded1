"""Which changes of the register have a site's past days summed up and judged again."""

from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from detectors.frames import PLANES
from pipeline.detection.folding import update_exceptions
from pipeline.exceptions.changes import REGISTER_NOTE
from pipeline.store import Store, history, register
from tests.support import build

DAY = build.DAY


@pytest.fixture
def write(tmp_path):
    with Store(tmp_path / "history.duckdb") as store:
        none = [store.frame(f"SELECT * FROM {table}") for table in ("device", "installer")]

        def told(**cells: float | None) -> list[str]:
            rows = {"site_id": "a", "installed_kwp": 8.0} | cells
            return register.write_register(store, build.sites(rows), PLANES.to_frame(), *none)

        yield told


@pytest.mark.parametrize(
    ("before", "after", "is_judged_again"),
    [
        ({"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 50.0}, {}, False),  # lifted, with all that it kept up
        ({"feed_in_limit_kw": 3.0}, {"feed_in_limit_kw": 5.0}, False),  # raised
        ({"feed_in_limit_kw": 5.0}, {"feed_in_limit_kw": 3.0}, True),
        ({}, {"feed_in_limit_kw": 0.0}, True),  # nobody had entered it: the past looked like a fault
        (
            {"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 50.0},
            {"feed_in_limit_kw": 0.0, "feed_in_buffer_w": 20.0},
            True,
        ),
        ({"feed_in_limit_kw": 0.0}, {"installed_kwp": 9.0}, True),
        ({}, {"installed_kwp": 9.0}, True),
        ({}, {"import_price": 0.4}, False),
        ({}, {"address": "Am Anger 3", "contact": "R. Ohm", "phone": "0123", "access_note": "ring twice"}, False),
        ({"battery_reserve_pct": 10.0}, {"battery_reserve_pct": 30.0}, False),
        ({"battery_reserve_pct": 10.0}, {"battery_reserve_pct": 30.0, "installed_kwp": 9.0}, True),
    ],
)
def test_a_limit_that_is_lifted_leaves_the_days_that_it_curtailed_as_they_were_judged(
    write, before, after, is_judged_again
):
    write(**before)
    assert write(**after) == (["a"] if is_judged_again else [])


def test_the_days_of_several_sites_that_changed_are_due_and_no_others(tmp_path):
    """Days with readings and two on either side of them: a clock's correction may move a reading so far."""
    first = {"a": date(2026, 5, 10), "b": date(2026, 5, 20), "c": date(2026, 5, 10)}
    with Store(tmp_path / "history.duckdb") as store:
        none = [store.frame(f"SELECT * FROM {table}") for table in ("device", "installer")]
        for kwp in (8.0, 9.0):
            sites = [{"site_id": name, "installed_kwp": 8.0 if name == "c" else kwp} for name in first]
            register.write_register(store, build.sites(*sites), PLANES.to_frame(), *none)
            if kwp == 8.0:
                noon = [datetime(day.year, day.month, day.day, 12, tzinfo=UTC) for day in first.values()]
                fixed = {"device_id": "", "interval_s": 300, "marks": "start", "ts_export": "", "export_id": 1}
                rows = pl.DataFrame(
                    [{"site_id": name, "ts_utc": at, **fixed} for name, at in zip(first, noon, strict=True)]
                )
                store.insert("reading_raw", rows.with_columns(pl.col("ts_utc").cast(pl.Datetime("us", "UTC"))))
        dirty = history.dirty_days(store).sort("site_id", "day")
    around = [(name, first[name] + timedelta(days=by)) for name in ("a", "b") for by in range(-2, 3)]
    assert dirty.rows() == around


@pytest.fixture
def agreed(tmp_path):
    """A site whose register is written, with the last day that had been judged before; what held on a day."""
    with Store(tmp_path / "history.duckdb") as store:
        none = [store.frame(f"SELECT * FROM {table}") for table in ("device", "installer")]

        def write(judged: int, **cells: float | bool | None) -> None:
            at = datetime(2026, 7, 1, tzinfo=UTC)
            days = [{"site_id": "a", "day": DAY + timedelta(days=n), "judged_at": at} for n in range(judged + 1)]
            store.replace("judged", pl.DataFrame(days))
            rows = {"site_id": "a", "battery_reserve_pct": 10.0} | cells
            register.write_register(store, build.sites(rows), PLANES.to_frame(), *none)

        def on(number: int, column: str):
            return register.sites_on(store, store.sites(), DAY + timedelta(days=number))[column][0]

        yield write, on


def test_days_are_judged_by_what_was_agreed_then(agreed):
    write, on = agreed
    write(0)
    write(9, battery_reserve_pct=30.0, grid_charging=True)
    write(20, battery_reserve_pct=15.0, grid_charging=True)
    assert [on(n, "battery_reserve_pct") for n in (0, 9, 10, 20, 21)] == [10.0, 10.0, 30.0, 30.0, 15.0]
    assert [on(n, "grid_charging") for n in (9, 10, 21)] == [False, True, True]


def test_what_was_changed_twice_before_a_day_was_judged_held_on_none(agreed):
    write, on = agreed
    write(0)
    write(9, battery_reserve_pct=90.0)  # a typing error
    write(9, battery_reserve_pct=30.0)
    assert [on(n, "battery_reserve_pct") for n in (9, 10)] == [10.0, 30.0]


def test_a_limit_that_is_lifted_held_until_then_and_one_that_is_lowered_was_never_another(agreed):
    write, on = agreed
    write(0, feed_in_limit_kw=0.0, feed_in_buffer_w=50.0)
    write(9)
    assert [on(n, "feed_in_limit_kw") for n in (9, 10)] == [0.0, None]
    assert [on(n, "feed_in_buffer_w") for n in (9, 10)] == [50.0, 20.0]
    write(20, feed_in_limit_kw=4.0)
    assert [on(n, "feed_in_limit_kw") for n in (9, 10, 21)] == [4.0, 4.0, 4.0]


FINDING = {
    "site_id": "a", "severity": "soon", "value": 6.0, "unit": "kWp", "threshold": 8.0, "loss_kwh": 0.0, "cost": 0.0,
    "evidence": "{}", "summary": "", "measured": "", "expected": "",
}  # fmt: skip


def test_modules_that_are_added_count_from_then_on(agreed):
    write, on = agreed
    write(0, installed_kwp=8.0, inverter_kw=8.0)
    write(20, installed_kwp=12.0, inverter_kw=10.0)
    write(40, installed_kwp=12.0, inverter_kw=10.0, battery_reserve_pct=30.0)
    assert [on(n, "installed_kwp") for n in (0, 20, 21, 40, 41)] == [8.0, 8.0, 12.0, 12.0, 12.0]
    assert [on(n, "inverter_kw") for n in (20, 21)] == [8.0, 10.0]


@pytest.mark.parametrize("kind", ["capacity-mismatch", "readings-implausible", None])
def test_a_capacity_that_was_told_to_be_wrong_or_was_just_entered_is_corrected(tmp_path, kind):
    with Store(tmp_path / "history.duckdb") as store:
        none = [store.frame(f"SELECT * FROM {table}") for table in ("device", "installer")]

        def write(kwp: float, reserve_pct: float = 10.0) -> list[str]:
            site = build.sites({"site_id": "a", "installed_kwp": kwp, "battery_reserve_pct": reserve_pct})
            return register.write_register(store, site, PLANES.to_frame(), *none)

        write(8.0)
        at, count = datetime(2026, 7, 1, tzinfo=UTC), 20 if kind else 10
        store.replace("judged", pl.DataFrame(
            [{"site_id": "a", "day": DAY + timedelta(days=n), "judged_at": at} for n in range(count)]
        ))  # fmt: skip
        write(8.0, reserve_pct=30.0)  # agreed anew, beside a size that is wrong
        if kind:
            store.insert("finding", pl.DataFrame([{**FINDING, "day": DAY + timedelta(days=9), "kind": kind}]))
        assert write(6.0, reserve_pct=30.0) == ["a"]
        assert register.sites_on(store, store.sites(), DAY)["installed_kwp"][0] == 6.0


def _exception(store: Store) -> dict:
    return store.frame("SELECT * FROM exception WHERE exception_id = 'a-yield-1'").row(0, named=True)


def test_what_was_told_of_days_that_a_correction_judges_anew_stays_in_the_history(tmp_path):
    """The fold alone would not know that a register was told to be wrong, once it is right."""
    with Store(tmp_path / "history.duckdb") as store:
        none = [store.frame(f"SELECT * FROM {table}") for table in ("device", "installer")]

        def write(kwp: float) -> list[str]:
            both = build.sites({"site_id": "a", "installed_kwp": kwp}, {"site_id": "b", "installed_kwp": 5.0})
            return register.write_register(store, both, PLANES.to_frame(), *none)

        write(8.0)
        days = [DAY + timedelta(days=n) for n in range(20)]
        judged_at = datetime(2026, 7, 1, tzinfo=UTC)
        store.replace("judged", pl.DataFrame([{"site_id": "a", "day": one, "judged_at": judged_at} for one in days]))
        told = [{**FINDING, "site_id": site, "day": days[-1], "kind": "capacity-mismatch"} for site in "ab"]
        store.insert("finding", pl.DataFrame(told))
        update_exceptions(store)
        store.insert("finding", pl.DataFrame([{**one, "day": days[-2]} for one in told]))
        update_exceptions(store)
        assert _exception(store)["status"] == "open"
        assert write(7.0) == ["a"]  # and still wrong: it goes on
        update_exceptions(store)
        later = days[-1] + timedelta(days=1)
        store.insert("finding", pl.DataFrame([{**told[0], "day": later}]))
        store.insert("judged", pl.DataFrame([{"site_id": "a", "day": later, "judged_at": judged_at}]))
        update_exceptions(store)
        assert (_exception(store)["status"], _exception(store)["last_day"]) == ("open", later)
        assert write(6.0) == ["a"]
        # The days are judged anew, and nothing is found.
        store.con.execute("DELETE FROM finding WHERE site_id = 'a'")
        closed_on = later + timedelta(days=1)
        store.insert("judged", pl.DataFrame([{"site_id": "a", "day": closed_on, "judged_at": judged_at}]))
        update_exceptions(store)
        row = _exception(store)
        assert (row["status"], row["closed_on"], row["note"]) == ("closed", closed_on, REGISTER_NOTE)
        assert row["last_day"] == later


@pytest.mark.parametrize(("fed_in_w", "before"), [(2000.0, None), (20.0, 0.0)])
def test_a_limit_that_is_entered_is_new_to_a_site_that_did_not_keep_to_it(tmp_path, fed_in_w, before):
    """Ten days of four hours with 2 kW of feed-in, or with what a regulator lets out; another site goes on for long."""
    with Store(tmp_path / "history.duckdb") as store:
        none = [store.frame(f"SELECT * FROM {table}") for table in ("device", "installer")]
        noon = datetime(DAY.year, DAY.month, DAY.day, 10, tzinfo=UTC)
        told = [
            {"site_id": "a", "device_id": "", "ts_utc": noon + timedelta(days=day, hours=hour), "interval_s": 3600,
             "marks": "start", "ts_export": "", "export_id": 1, "grid_w": -fed_in_w}
            for day in range(10) for hour in range(4)
        ]  # fmt: skip
        told.append({**told[0], "site_id": "b", "ts_utc": noon + timedelta(days=100), "grid_w": 500.0})
        store.insert("reading_raw", pl.DataFrame(told).with_columns(pl.col("ts_utc").cast(pl.Datetime("us", "UTC"))))
        store.insert("judged", pl.DataFrame({"site_id": ["a"], "day": [DAY + timedelta(days=9)], "judged_at": [noon]}))
        for limit in (None, 0.0):
            rows = build.sites(*({"site_id": name, "feed_in_limit_kw": limit} for name in "ab"))
            changed = register.write_register(store, rows, PLANES.to_frame(), *none)
        assert changed == (["b"] if before is None else ["a", "b"])
        assert register.sites_on(store, store.sites(), DAY)["feed_in_limit_kw"][0] == before
        assert register.sites_on(store, store.sites(), DAY + timedelta(days=10))["feed_in_limit_kw"][0] == 0.0


def test_nothing_is_kept_of_a_site_that_was_never_judged(tmp_path):
    with Store(tmp_path / "history.duckdb") as store:
        none = [store.frame(f"SELECT * FROM {table}") for table in ("device", "installer")]
        for reserve in (10.0, 30.0):
            rows = {"site_id": "a", "battery_reserve_pct": reserve}
            register.write_register(store, build.sites(rows), PLANES.to_frame(), *none)
        assert register.sites_on(store, store.sites(), DAY)["battery_reserve_pct"][0] == 30.0
