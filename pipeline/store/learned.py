"""What exports teach for those after them: intervals, the spring hour, a site's profile, a profile's newest stamp."""

from collections.abc import Mapping
from datetime import UTC, datetime

import polars as pl

from pipeline.store.connection import Store


def known_intervals(store: Store) -> dict[tuple[str, str], int]:
    """(site_id, device_id) -> interval in s, as the last export told it whose rows could tell it."""
    rows = store.con.execute("SELECT site_id, device_id, interval_s FROM known_interval").fetchall()
    return {(site, device): interval for site, device, interval in rows}


def learn_intervals(store: Store, intervals: Mapping[tuple[str, str], int]) -> None:
    """Keeps what exports told of their intervals."""
    if not intervals:
        return
    frame = pl.DataFrame(
        [(*key, interval) for key, interval in intervals.items()],
        schema={"site_id": pl.String, "device_id": pl.String, "interval_s": pl.Int32},
        orient="row",
    )
    with store.transaction(), store.offered(told=frame):
        store.con.execute(
            "DELETE FROM known_interval AS k USING told WHERE k.site_id = told.site_id AND k.device_id = told.device_id"
        )
        store.con.execute("INSERT INTO known_interval BY NAME SELECT * FROM told")


def known_spring_hours(store: Store) -> dict[tuple[str, str], str]:
    """(profile, site_id) -> how the sun last told that a filled spring hour is meant in its exports."""
    rows = store.con.execute("SELECT profile, site_id, spring_hour FROM known_spring_hour").fetchall()
    return {(profile, site): choice for profile, site, choice in rows}


def learn_spring_hours(store: Store, profile: str, files: pl.DataFrame) -> dict[tuple[str, str], str]:
    """Keeps what the sun told of the files' sites (FILES); the same as `known_spring_hours` gives it."""
    choices = (
        files.select("spring_hour", site_id=pl.col("spring_hour_sites"))
        .explode("site_id")
        .drop_nulls()
        .unique("site_id", keep="last", maintain_order=True)
        .with_columns(profile=pl.lit(profile))
    )
    if choices.is_empty():
        return {}
    with store.transaction(), store.offered(told=choices):
        store.con.execute(
            "DELETE FROM known_spring_hour AS k USING told WHERE k.profile = told.profile AND k.site_id = told.site_id"
        )
        store.con.execute("INSERT INTO known_spring_hour BY NAME SELECT * FROM told")
    return {(profile, site): choice for choice, site in choices.select("spring_hour", "site_id").iter_rows()}


def learn_profile(store: Store, site_ids: pl.Series, profile_name: str) -> None:
    """Keeps which profile the sites' exports used last."""
    profiles = pl.DataFrame({"site_id": site_ids}).with_columns(profile=pl.lit(profile_name))
    with store.offered(told=profiles):
        store.con.execute("DELETE FROM site_profile AS p USING told WHERE p.site_id = told.site_id")
        store.con.execute("INSERT INTO site_profile BY NAME SELECT * FROM told")


def note_newest(store: Store, instants: pl.Series, profile_name: str) -> None:
    """Keeps the profile's newest stamp; one in the future says nothing of how late its data is."""
    newest = instants.filter(instants <= datetime.now(UTC)).max()
    if newest is None:
        return
    known = store.value("SELECT max(newest_utc) FROM profile_newest WHERE profile = ?", [profile_name])
    if known is None or newest > known:
        store.con.execute("DELETE FROM profile_newest WHERE profile = ?", [profile_name])
        store.con.execute("INSERT INTO profile_newest VALUES (?, ?)", [profile_name, newest])
